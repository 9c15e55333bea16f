"""What changed between two states of a run: settings files, keys, verdicts, logs, software."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from hashlib import sha256
from itertools import pairwise
from typing import Any

from benchpipe.errors import ConfigError, DamageError, StoreError
from benchpipe.run import RunConfig
from benchpipe.store.configuration import ORDER, configuration_of, files_of_state, read_file
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore
from benchpipe.store.settings_dates import settings_since
from benchpipe.views.key_changes import KeyChange, key_changes


@dataclass(frozen=True)
class FileChange:
    """A settings file that changed: ``what`` (changed, new, gone), SHA-256 before and after, and its keys.

    A changed file without keys has other comments or another layout only.
    """

    role: str
    name: str
    what: str
    was: str | None
    now: str | None
    keys: tuple[KeyChange, ...] = ()


@dataclass(frozen=True)
class Moved:
    """A limit whose verdict is another; None where it was not judged."""

    limits_file: str
    limit: str
    block: str
    was: str | None
    now: str | None
    measured_was: float | None
    measured_now: float | None
    unit: str


@dataclass(frozen=True)
class Changes:
    """Differences of two states. ``to`` is None where it is not a state, but the files as they are on the disk.

    ``when``: since when the files of the later state were used, by the clock of the computer that worked on it; None
    where that is not known. ``verdicts``: None where a state does not tell its verdicts. ``figures``: how many limits
    have another figure and the same verdict. ``logs`` and ``rows``: how many more there are. ``software``: what of it
    changed. ``mixed``: steps of the later state that were done with other files than its verdicts.
    """

    run: str
    since: int
    to: int | None
    when: str | None
    files: tuple[FileChange, ...]
    verdicts: tuple[Moved, ...] | None
    figures: int = 0
    logs: int = 0
    rows: int = 0
    software: tuple[str, ...] = ()
    mixed: tuple[str, ...] = ()


def states(store: RunStore, manifest: Manifest) -> dict[int, Manifest]:
    """States of a run that are kept, by number; a copy that is not sound is left out: ``verify`` names it."""
    found: dict[int, Manifest] = {}
    for path in store.history():
        try:
            one = store.proven(path.read_bytes())
        except (StoreError, OSError):
            continue
        found[one.sequence] = one
    return {**found, manifest.sequence: manifest}


def chosen(kept: Mapping[int, Manifest], run: str, since: int | None, to: int | None) -> tuple[Manifest, Manifest]:
    """Two states to compare: those that are named; else the last two of which the settings files differ.

    Raises
    ------
    ConfigError
        A state is not kept, or no two that are kept differ.
    """
    for number in (since, to):
        if number is not None and number not in kept:
            raise ConfigError(
                f"state {number} of run '{run}' is not kept", expected=_listed(sorted(kept)),
                do_next="name one that is: --from NUMBER --to NUMBER",
            )  # fmt: skip
    order = sorted(kept, reverse=True)
    if since is not None:
        return kept[since], kept[to if to is not None else order[0]]
    later = [number for number in order if to is None or number <= to]
    for after, before in pairwise(later):
        one, other = configuration_of(kept[before]), configuration_of(kept[after])
        if one is not None and one != other:
            return kept[before], kept[after]
    raise ConfigError(
        f"no two states of run '{run}' that are kept have different settings files", got=_listed(sorted(kept)),
        do_next="compare with the files on the disk: --disk; or name two states: --from NUMBER --to NUMBER",
    )  # fmt: skip


def _listed(numbers: list[int]) -> str:
    """Numbers in stretches: ``states 1-4, 7``."""
    stretches: list[list[int]] = []
    for number in numbers:
        if stretches and number == stretches[-1][1] + 1:
            stretches[-1][1] = number
        else:
            stretches.append([number, number])
    texts = [str(a) if a == b else f"{a}-{b}" for a, b in stretches]
    return f"states {', '.join(texts)}" if texts else "no state"


def changes_between(store: RunStore, before: Manifest, after: Manifest) -> Changes:
    """What changed from one state to another.

    Raises
    ------
    DamageError
        A settings file that the store keeps is not what was written.
    """
    folder = store.folder
    was = {(one.role, one.name): read_file(folder, one) for one in files_of_state(folder, before)}
    now = {(one.role, one.name): read_file(folder, one) for one in files_of_state(folder, after)}
    of_verdicts = configuration_of(after)
    moved, figures = _moved(before, after)
    return Changes(
        run=store.run, since=before.sequence, to=after.sequence,
        when=settings_since(folder.parent, store.run, after.sequence, of_verdicts),
        files=tuple(_files(was, now)), verdicts=moved, figures=figures,
        logs=len(after.sources) - len(before.sources), rows=after.account().rows - before.account().rows,
        software=tuple(_software(before, after)),
        mixed=tuple(s for s in reversed(ORDER) if after.configuration.get(s, of_verdicts) != of_verdicts),
    )  # fmt: skip


def changes_on_disk(run: RunConfig, store: RunStore, manifest: Manifest) -> Changes:
    """What of the files on the disk differs from those of the last state; no night has judged by them yet.

    Raises
    ------
    ConfigError
        An older version wrote the state: it has no settings files.
    DamageError
        A settings file that the store keeps is not what was written.
    """
    kept = files_of_state(store.folder, manifest)
    if not kept:
        raise ConfigError(
            f"state {manifest.sequence} of run '{run.name}' was written by an older version, without settings files",
            do_next="keep them from now on: benchpipe nightly LAB",
        )
    was = {(one.role, one.name): read_file(store.folder, one) for one in kept}
    now = {(one.role, one.name): one.data for one in run.files}
    return Changes(store.run, manifest.sequence, None, None, tuple(_files(was, now)), ())


def _files(was: Mapping[tuple[str, str], bytes], now: Mapping[tuple[str, str], bytes]) -> Iterator[FileChange]:
    for role, name in {**was, **now}:
        one, other = was.get((role, name)), now.get((role, name))
        if one == other:
            continue
        what = "new" if one is None else "gone" if other is None else "changed"
        hashes = [None if data is None else sha256(data).hexdigest() for data in (one, other)]
        keys = () if one is None or other is None else tuple(key_changes(_values(role, one), _values(role, other)))
        yield FileChange(role, name, what, hashes[0], hashes[1], keys)


def _values(role: str, data: bytes) -> dict[str, Any]:
    """Values of a settings file; it was read by benchpipe once, so it can be."""
    try:
        text = data.decode("utf-8-sig")
        values: dict[str, Any] = json.loads(text) if role == "lab" else tomllib.loads(text)
        return values
    except ValueError as error:
        raise DamageError(
            f"a settings file that the store keeps cannot be read: {error}", do_next="see: benchpipe verify RUN"
        ) from None


def _moved(before: Manifest, after: Manifest) -> tuple[tuple[Moved, ...] | None, int]:
    was, now = (_verdicts(one) for one in (before, after))
    if was is None or now is None:
        return None, 0
    moved, figures = [], 0
    for key in {**was, **now}:
        one, other = was.get(key), now.get(key)
        verdicts = [None if row is None else str(row["verdict"]) for row in (one, other)]
        values = [None if row is None else row["measured"] for row in (one, other)]
        if verdicts[0] != verdicts[1]:
            unit = (other or one or {})["unit"]
            moved.append(Moved(*key, verdicts[0], verdicts[1], values[0], values[1], unit))
        else:
            figures += values[0] != values[1]
    return tuple(moved), figures


def _verdicts(manifest: Manifest) -> dict[tuple[str, str, str], Mapping[str, Any]] | None:
    """Verdicts of a state in short; None where it does not tell them (an older version judged it)."""
    step = manifest.steps.get("check")
    rows = step.state.get("verdicts") if step is not None else None
    if not isinstance(rows, list):
        return None
    return {(row["limits_file"], row["limit"], row["block"]): row for row in rows}


def _software(before: Manifest, after: Manifest) -> Iterator[str]:
    """What of the software and machine of each step is another, each difference once."""
    found: dict[str, None] = {}
    for step, made in after.made_with.items():
        for name, version in made.items():
            old = before.made_with.get(step, {}).get(name)
            if old is not None and old != version:
                found[f"{name} {old} → {version}"] = None
    yield from found
