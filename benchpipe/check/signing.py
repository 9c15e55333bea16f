"""A person signs off a run's figures and verdicts: who, when, and of which state."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from benchpipe.check.decision import Verdict, worst
from benchpipe.errors import ConfigError
from benchpipe.store.files import sha256_of
from benchpipe.store.manifest import Manifest, SignOff, key_of
from benchpipe.store.run_store import MANIFEST, RunStore

JUDGED = ("limits_file", "limit", "block", "operator", "value", "unit", "verdict", "due")


def sign_off(store: RunStore, manifest: Manifest, who: str, note: str, now: datetime) -> Manifest:
    """Record that a person vouches for a run's figures and verdicts as they are now.

    Parameters
    ----------
    who, note : str
        Free texts.
    now : datetime
        With its time zone.

    Raises
    ------
    ConfigError
        Nobody is named, or the run was not judged yet.
    """
    if not who.strip():
        raise ConfigError("--by must not be empty", do_next='give --by "NAME, ROLE"')
    if "check" not in manifest.steps:
        raise ConfigError(
            f"run '{manifest.run}' was not judged yet: there is nothing to sign",
            where=store.folder,
            do_next="work on it first: benchpipe nightly LAB",
        )
    verdicts = _verdicts(store, manifest)
    signed = SignOff(
        who=who.strip(),
        when=now.isoformat(timespec="seconds"),
        note=note.strip(),
        sequence=manifest.sequence,
        manifest_sha256=sha256_of(store.folder / MANIFEST),
        process=manifest.steps["process"].key,
        verdicts=key_of(verdicts),
        verdict=str(worst([Verdict(row["verdict"]) for row in verdicts if row["due"]])),
    )
    return store.commit(manifest.model_copy(update={"signed": (*manifest.signed, signed)}))


def standing(store: RunStore, manifest: Manifest) -> SignOff | None:
    """The last sign-off, if figures and verdicts are still those that were signed."""
    if not manifest.signed or not {"process", "check"} <= set(manifest.steps):
        return None
    last = manifest.signed[-1]
    same = last.process == manifest.steps["process"].key and last.verdicts == key_of(_verdicts(store, manifest))
    return last if same else None


def _verdicts(store: RunStore, manifest: Manifest) -> list[dict[str, Any]]:
    """What a person signs: each limit, its value and its verdict."""
    rows: list[dict[str, Any]] = store.read(manifest, "verdicts", list(JUDGED)).to_pylist()
    return rows


def signed_words(store: RunStore, manifest: Manifest) -> str:
    """The last sign-off in a line; empty where there is none."""
    if not manifest.signed:
        return ""
    last = manifest.signed[-1]
    by = f"{last.verdict}, signed off by {last.who} on {last.when[:10]} (state {last.sequence})"
    return by if standing(store, manifest) else f"{by}; figures or verdicts have changed since: sign off again"
