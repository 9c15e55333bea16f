"""Sign a run off, and let its samples go afterwards: what was made of them stays."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from benchpipe.check.decision import Verdict, worst
from benchpipe.config.run import RunConfig
from benchpipe.errors import ConfigError, InputError
from benchpipe.ingest.logs import find_logs
from benchpipe.ingest.opened import hash_of_beginning
from benchpipe.process.origins import origins
from benchpipe.store.files import sha256_of
from benchpipe.store.manifest import Manifest, Part, Remark, SignOff, Source, Step, key_of
from benchpipe.store.run_store import MANIFEST, RunStore

VERSION = 1
STEP = "keep"
JUDGED = ("limits_file", "limit", "block", "operator", "value", "unit", "verdict", "due")


@dataclass(frozen=True)
class Dropped:
    """What went when the samples of a run were dropped."""

    manifest: Manifest
    files: int
    rows: int
    bytes: int


def sign_off(store: RunStore, manifest: Manifest, who: str, note: str, now: datetime) -> Manifest:
    """Record that a person stands up for a run's figures and verdicts as they are now.

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
        raise ConfigError("nobody is named", do_next='give --by "NAME, ROLE"')
    if "check" not in manifest.steps:
        raise ConfigError(
            f"run '{manifest.run}' was not judged yet: there is nothing to sign",
            where=store.folder,
            do_next="work on it first: benchpipe nightly",
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


def due_to_drop(store: RunStore, manifest: Manifest, after_s: float, now: datetime, *, keep_failed: bool) -> bool:
    """Whether a rule lets the samples of a run go: signed off, so long ago, unchanged since."""
    if manifest.closed or not manifest.signed:
        return False
    last = manifest.signed[-1]
    if now - datetime.fromisoformat(last.when) < timedelta(seconds=after_s):
        return False
    return standing(store, manifest) is not None and not (keep_failed and last.verdict == Verdict.FAIL)


def drop_samples(
    run: RunConfig, store: RunStore, manifest: Manifest, rule: str, now: datetime,
    *, tell: Callable[[str], None] | None = None,
) -> Dropped:  # fmt: skip
    """Let the samples of a run go that was signed off; the caller holds the store.

    Which rows of which log each cycle, hold and sweep comes from is written down first. The samples go
    with the commit of the manifest that does not keep them any more: whatever kills it, the store has
    them and says so, or has them not and says so.

    Parameters
    ----------
    rule : str
        By what they are dropped, in words.
    tell : callable, optional
        Called with each log that is held against its hash.

    Raises
    ------
    ConfigError
        Nobody has signed the run off as it is now, or its samples are dropped already.
    InputError
        A log is not there or not what was taken: the samples are the only copy of its rows.
    StoreError
        The samples are damaged.
    """
    if manifest.closed:
        raise ConfigError(f"the samples of run '{run.name}' are dropped already", where=store.folder)
    signed = standing(store, manifest)
    if signed is None:
        since = "its figures or verdicts have changed since it was" if manifest.signed else "it is not"
        raise ConfigError(
            f"the samples of run '{run.name}' are kept: {since} signed off",
            where=store.folder,
            do_next=f'sign it off first: benchpipe sign {run.name} --by "NAME, ROLE"',
        )
    _logs_are_there(run, manifest, tell)
    key = key_of({"version": VERSION, "process": signed.process})
    kept = store.write("origins", origins(run, store, manifest), key)
    gone = [p for s in manifest.sources for p in s.parts if p.table == "samples"]
    text = (
        f"samples dropped on {now.isoformat()[:10]} by {rule}, after the sign-off by {signed.who} on "
        f"{signed.when[:10]}; cycles, loops, holds and the rows of the logs behind them are kept"
    )
    remark = Remark(step=STEP, code="dropped", where=run.name, count=sum(p.rows for p in gone), text=text)
    size = sum(p.bytes for p in gone)
    state = {"rule": rule, "when": now.isoformat(timespec="seconds"), "bytes": size}
    step = Step(key=key, version=VERSION, parts=(kept,), remarks=(remark,), state=state)
    after = manifest.model_copy(
        update={
            "sources": tuple(_without_samples(s) for s in manifest.sources),
            "steps": {**manifest.steps, STEP: step},
        }
    )
    return Dropped(store.commit(after), len(gone), remark.count, size)


def _without_samples(source: Source) -> Source:
    def dropped(part: Part) -> Part:
        return part.model_copy(update={"dropped": True}) if part.table == "samples" else part

    return source.model_copy(update={"parts": tuple(map(dropped, source.parts))})


def _logs_are_there(run: RunConfig, manifest: Manifest, tell: Callable[[str], None] | None) -> None:
    """Every log still holds, to the last bit, what was taken from it."""
    found = find_logs(run).files
    for source in manifest.sources:
        if not source.samples:
            continue
        if tell is not None:
            tell(source.file)
        path = found.get(source.file)
        if path is None:
            raise _only_copy(run, source, "is not there")
        beginning = hash_of_beginning(path, source.taken)
        if beginning is None or beginning.hexdigest() != source.sha256:
            raise _only_copy(run, source, "is not what was taken")


def _only_copy(run: RunConfig, source: Source, what: str) -> InputError:
    return InputError(
        f"the log {source.file} {what}: the samples are the only copy of its {source.samples:,} rows, and are kept",
        where=run.folder / source.file,
        do_next="put the log back, then drop the samples; or keep them",
    )
