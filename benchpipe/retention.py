"""Drop the samples of a signed run; its other tables stay."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from benchpipe.check.decision import Verdict
from benchpipe.check.signing import standing, why_not_approved
from benchpipe.config.lab import RetentionConfig
from benchpipe.errors import ConfigError, InputError
from benchpipe.ingest.logs import find_logs
from benchpipe.process.origins import origins
from benchpipe.readers.log_file import hash_of_beginning
from benchpipe.run import RunConfig
from benchpipe.store.manifest import Manifest, Part, Remark, Source, Step, key_of
from benchpipe.store.run_store import RunStore

VERSION = 1
STEP = "keep"
DAY_S = 86_400.0


@dataclass(frozen=True)
class Dropped:
    """What went when the samples of a run were dropped."""

    manifest: Manifest
    files: int
    rows: int
    bytes: int


def retain(
    run: RunConfig, store: RunStore, manifest: Manifest, rules: RetentionConfig, now: datetime
) -> Dropped | None:
    """Drop the samples of a run if the lab's rules say so; the caller holds the store.

    Only what a person has signed off, and nothing has changed of since, is let go.

    Raises
    ------
    InputError
        They say so, and a log is not there or not what was taken.
    """
    if rules.drop_samples_after is None:
        return None
    if manifest.closed or not manifest.signed:
        return None
    signed = standing(store, manifest)
    if signed is None or now - datetime.fromisoformat(signed.when) < timedelta(seconds=rules.drop_samples_after):
        return None
    if rules.keep_failed and signed.verdict == Verdict.FAIL:
        return None
    rule = f"the lab's rule drop_samples_after = {rules.drop_samples_after / DAY_S:.4g} d"
    return drop_samples(run, store, manifest, rule, now)


def drop_samples(
    run: RunConfig, store: RunStore, manifest: Manifest, rule: str, now: datetime,
    *, on_progress: Callable[[str], None] | None = None,
) -> Dropped:  # fmt: skip
    """Let the samples of a run go that was signed off; the caller holds the store.

    Which rows of which log each cycle, hold and sweep comes from is written down first. The samples go
    with the commit of the manifest that does not keep them any more: whatever kills it, the store has
    them and says so, or has them not and says so.

    Parameters
    ----------
    rule : str
        By what they are dropped, in words.
    on_progress : callable, optional
        Called with each log that is verified against its hash.

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
        raise ConfigError(
            f"the samples of run '{run.name}' are kept: {why_not_approved(store, manifest)}",
            where=store.folder,
            do_next='approve it first: benchpipe sign RUN --meaning approved --reason "TEXT" --key FILE',
        )
    _logs_are_there(run, manifest, on_progress)
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


def _logs_are_there(run: RunConfig, manifest: Manifest, on_progress: Callable[[str], None] | None) -> None:
    """Every log still holds, to the last bit, what was taken from it."""
    found = find_logs(run).files
    for source in manifest.sources:
        if not source.samples:
            continue
        if on_progress is not None:
            on_progress(source.file)
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
