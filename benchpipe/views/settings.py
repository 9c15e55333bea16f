"""Where settings files on the disk differ from those that a run's figures were made with."""

from __future__ import annotations

from benchpipe.errors import DamageError
from benchpipe.run import RunConfig
from benchpipe.store.configuration import Frozen, frozen, list_sha256, read_list
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore

MOST_NAMED = 4


def settings_differ(run: RunConfig, manifest: Manifest, store: RunStore) -> str:
    """In a line, which settings files are other than those the figures were made with; empty where none is.

    Rules of the lab file make no figure: ``changes`` lists them. Of a state of an older version, which kept no settings
    files, nothing can be known.
    """
    now = list_sha256(run.files)
    used = set(manifest.configuration.values()) - {now}
    if not used:
        return ""
    names: list[str] = []
    for sha256 in sorted(used):
        try:
            names += _differing(read_list(store.folder, sha256), frozen(run.files))
        except DamageError:
            return "settings files that the figures were made with are damaged in the store: benchpipe verify RUN"
    if not names:
        return ""
    named = list(dict.fromkeys(names))
    more = f" and {len(named) - MOST_NAMED} more" if len(named) > MOST_NAMED else ""
    files = ", ".join(named[:MOST_NAMED])
    return f"figures made with other settings than are on the disk: {files}{more} (benchpipe changes RUN --disk)"


def _differing(was: tuple[Frozen, ...], now: tuple[Frozen, ...]) -> list[str]:
    before, after = ({(one.role, one.name): one for one in some if one.role != "lab"} for some in (was, now))
    both = {**before, **after}
    return [both[key].called for key in both if before.get(key) != after.get(key)]
