"""All log files of a run → samples and rejects, only what is new."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from functools import partial
from pathlib import Path

import numpy as np
import pyarrow as pa

from benchpipe.config.rig import RigConfig
from benchpipe.errors import InputError
from benchpipe.ingest.certificates import calibration_remarks
from benchpipe.ingest.clock import LATE
from benchpipe.ingest.copies import CopiedStretch, find_copies, left_out
from benchpipe.ingest.dropped_samples import closed_manifest, logs_must_be_there
from benchpipe.ingest.logs import find_logs
from benchpipe.ingest.moved import is_copy
from benchpipe.ingest.overlap import find_overlap
from benchpipe.ingest.placing import place_sources
from benchpipe.ingest.reading_state import grown_from, why_no_tail
from benchpipe.ingest.rejects import rejects_table
from benchpipe.ingest.renamed import find_copied, find_renamed, under_name
from benchpipe.ingest.second import join_logs
from benchpipe.ingest.source import VERSION, ingest_file, ingest_settings, source_key
from benchpipe.ingest.state import CopyState, IngestState, row_account
from benchpipe.ingest.strangers import why_stranger
from benchpipe.ingest.ticks import THIN
from benchpipe.ingest.zeros import NO_ZEROS, TakenZeros, take_zeros, zero_remarks
from benchpipe.readers.batch import Reject, stretches
from benchpipe.readers.log_file import hash_of_beginning, open_log
from benchpipe.run import RunConfig
from benchpipe.steps import REBUILT, Night, StepKind, StepResult, StepTask
from benchpipe.store.early_rows import early_rejects
from benchpipe.store.manifest import EARLY_ROWS, Manifest, Part, Placed, Remark, Source, Step
from benchpipe.store.mending import beyond_repair, damage_remarks
from benchpipe.store.run_store import RunStore
from benchpipe.store.state import Unfit

STEP = "ingest"
BY_OLDER = " by an older version of this program"  # which read it otherwise, by the same rig file


def _settings(night: Night) -> object:
    """What of the rig file decides the samples, of each logger; what is taken of each log has a key of its own."""
    rig = night.run.rig
    return [ingest_settings(rig.of_log(second=one)) for one in rig.loggers] if rig.second else ingest_settings(rig)


def ingest_run(task: StepTask[IngestState]) -> StepResult[IngestState]:
    """Ingest new logs and new rows of a run.

    Raises
    ------
    InputError
        A log cannot be used. The store stays as it was.
    StoreError
        A damaged part cannot be rebuilt: its log is gone or has changed too.
    """
    run, store, manifest, past = task.run, task.store, task.manifest, task.past
    logs_must_be_there(run, manifest)
    found = find_logs(run)
    taking = _Taking(task)
    renamed = {} if task.again else find_renamed(found.files, manifest)
    copied = {} if task.again else find_copied(found.files, manifest)
    old = {source.file for source in renamed.values()} | copied.keys()
    taking.copied(copied)
    known = {s.file: s for s in manifest.sources if s.file not in old} | taking.renamed(renamed)
    new_files = {name: path for name, path in found.files.items() if name not in known}
    strangers = _strangers(run, new_files, len(found.files))
    logs = {name: path for name, path in found.files.items() if name not in strangers}
    sources = [taking.take(name, path, known.get(name)) for name, path in logs.items()]
    sources += [kept for gone in known.values() if gone.file not in found.files for kept in taking.kept(gone)]
    if run.rig.second is not None:
        sources = [one.model_copy(update={"second": run.rig.is_second(one.file)}) for one in sources]
    new, odd, of_copies = _placed(run, store, manifest, sources, past.copies if past is not None else ())
    second, of_join = join_logs(run.rig, store, new, past.second if past is not None else None)
    state = IngestState(account=row_account(new.account()))
    if second is not None:
        state = state.model_copy(update={"second": second})
    before = TakenZeros(task.before.zeros, past.zeros) if task.before is not None and past is not None else NO_ZEROS
    zeros, of_zeros = take_zeros(run, store, _with(new, task.key, state), before)
    of_channels = (*zero_remarks(run.rig, zeros), *calibration_remarks(run.rig, new))
    of_files = (*found.remarks, *strangers.values(), *taking.remarks, *_spare_separators(new.sources))
    return StepResult(
        state.model_copy(update={**({"zeros": of_zeros} if of_zeros else {}), "copies": of_copies}),
        parts=tuple(_late_rows(store, new, task.key)),
        remarks=(*of_files, *odd, *of_join, *of_channels, *damage_remarks(store)),
        zeros=zeros,
        sources=new.sources,
        placed=new.placed,
        read=tuple(taking.read),
    )


def _strangers(run: RunConfig, new: dict[str, Path], count: int) -> dict[str, Remark]:
    """Files among the new of so many logs that are none, with what they are.

    Raises
    ------
    InputError
        There is nothing else.
    """
    what = {name: why for name, path in new.items() if (why := why_stranger(path, run.rig.of_file(name))) is not None}
    if what and len(what) == count:
        first, why = next(iter(what.items()))
        raise InputError(
            f"run '{run.name}' has no logs: each file that matches is something else",
            where=run.folder / first,
            got=f"{why}" + (f", and {len(what) - 1} more" if len(what) > 1 else ""),
            do_next="check 'logs' in the plan, such as 'logs/*.csv'",
        )
    return {
        name: Remark(
            step="ingest", code="not-taken", where=name, count=1, text=f"it is not taken: it is no log, but {why}"
        )
        for name, why in what.items()
    }


def _spare_separators(sources: Iterable[Source]) -> Iterator[Remark]:
    """Remarks on logs whose rows have one separator more than their header, where those of other logs have not."""
    for second in (False, True):
        own = [s for s in sources if s.second == second and s.samples]
        plain = sum(not s.spare for s in own)
        for source in own if plain else ():
            if source.spare:
                text = (
                    f"each of its rows has one separator more than its header, and those of {plain} other log(s) have "
                    "not: a decimal comma or a stray separator may have shifted its columns. Compare rows and header"
                )
                yield Remark(step="ingest", code="spare-separator", where=source.file, count=source.samples, text=text)


def _with(manifest: Manifest, key: str, state: IngestState) -> Manifest:
    """The manifest with how its loggers are joined, and without zeros, as samples are read for these."""
    step = Step(key=key, version=VERSION, state=state.stored)
    return manifest.model_copy(update={"steps": {**manifest.steps, STEP: step}})


def _placed(
    run: RunConfig, store: RunStore, manifest: Manifest, sources: list[Source], before: tuple[CopyState, ...]
) -> tuple[Manifest, list[Remark], tuple[CopyState, ...]]:
    """The manifest with its sources in order and placed, each logger's on an axis of its own; what is odd; copies."""
    known = {place.file: place for place in manifest.placed}
    ordered: list[Source] = []
    placed: list[Placed] = []
    odd: list[Remark] = []
    states: list[CopyState] = []

    def copies(logs: list[Source], best: list[str]) -> dict[str, tuple[CopiedStretch, ...]]:
        known = before[len(states)] if len(states) < len(before) else CopyState()
        found, state = find_copies(store, logs, known)
        states.append(state)
        return left_out(found, [s.file for s in logs], best)

    for second in run.rig.loggers:
        own, time = [s for s in sources if s.second == second], run.rig.of_log(second=second).time
        in_order, places, remarks = place_sources(
            own, time, partial(find_overlap, store), known, partial(is_copy, store), copies
        )
        ordered, placed, odd = ordered + in_order, placed + places, odd + remarks
    return manifest.model_copy(update={"sources": tuple(ordered), "placed": tuple(placed)}), odd, tuple(states)


def _late_rows(store: RunStore, manifest: Manifest, key: str) -> Iterator[Part]:
    """Rejects that only the files before show: rows at times that were over, and stamps that lack rows."""
    tables = []
    for source, place in zip(manifest.sources, manifest.placed, strict=True):
        early = early_rejects(store, source.parts, place.early) if source.early else np.empty(0, np.int64)
        late = [*(Reject(row, rows, LATE) for row, rows in place.late), *stretches(early, LATE)]
        late += [Reject(row, 0, THIN) for row in place.thin]
        tables += [rejects_table(place.file, sorted(late, key=lambda one: one.row))] if late else []
    if tables:
        yield store.write("rejects", pa.concat_tables(tables), key)


class _Taking:
    """Takes the logs of a run one by one; what is odd about them is in ``remarks``."""

    def __init__(self, night: Night) -> None:
        self._run, self._store, self._again, self._on_progress = night.run, night.store, night.again, night.on_progress
        self._lost = dict(night.lost)
        self.read: list[str] = []
        self.remarks: list[Remark] = []

    def take(self, name: str, path: Path, known: Source | None) -> Source:
        """What is taken of a log: what was known, or that and what is new."""
        if known is None or self._again:
            return self._ingest(name, path)
        if name in self._lost:
            return self._made_anew(known, name, path)
        stat = self._stat(path)
        same_rig = self._same_rig(known)
        if (stat.st_size, stat.st_mtime_ns) == (known.size, known.mtime_ns):
            if not same_rig:
                return self._ingest(name, path, self._why_anew(known))
            unfit = why_no_tail(known)
            return self._unfit(name, path, unfit) if unfit else known
        beginning = hash_of_beginning(path, known.taken)
        if beginning is None or beginning.hexdigest() != known.sha256:
            return self._changed(known, path, same_rig, "has shrunk" if beginning is None else "has changed")
        if not same_rig:
            return self._ingest(name, path, self._why_anew(known))
        if stat.st_size == known.taken == known.size:
            return known.model_copy(update={"mtime_ns": stat.st_mtime_ns})
        if known.state is None:
            return self._ingest(name, path)
        grown = grown_from(known)
        if isinstance(grown, Unfit):
            return self._unfit(name, path, grown.why)
        self._told(name)
        return ingest_file(path, name, self._rig(name), self._store, grown, beginning)

    def _unfit(self, name: str, path: Path, why: str) -> Source:
        """A log read whole, because what was kept of it does not fit this program."""
        text = f"what was kept of the log is not of this version ({why}): it was read again"
        self.remarks.append(Remark(step="ingest", code=REBUILT, where=name, count=1, text=text))
        return self._ingest(name, path, f" again: what was kept of it is not of this version ({why})")

    def renamed(self, found: dict[str, Source]) -> dict[str, Source]:
        """What was taken of logs under their old names, under the new ones."""
        for name, source in found.items():
            text = f"it was taken as {source.file} before, and renamed since"
            self.remarks.append(Remark(step="ingest", code="renamed", where=name, count=source.samples, text=text))
            if source.file in self._lost:
                self._lost[name] = self._lost[source.file]
        return {name: self._under(name, source) for name, source in found.items()}

    def _under(self, name: str, source: Source) -> Source:
        """The record of a log under its new name; one that is read again needs no parts under it."""
        return source.model_copy(update={"file": name}) if name in self._lost else under_name(self._store, source, name)

    def copied(self, found: dict[str, str]) -> None:
        """Report logs that restarted after a copy of them was taken: their rows are those of the copy."""
        for name, copy in found.items():
            text = f"what was taken of it is in {copy} too, and it is another log now, or gone: that one counts"
            self.remarks.append(Remark(step="ingest", code="renamed", where=name, count=1, text=text))

    def _rig(self, name: str) -> RigConfig:
        """The rig file as the logger of a log needs it."""
        return self._run.rig.of_file(name)

    def _same_rig(self, known: Source) -> bool:
        """Whether the rig file still says what it said of the rows that were taken."""
        return source_key(self._rig(known.file), known.sha256, known.last_us) == known.key

    def _taken_by_older(self, known: Source) -> bool:
        """Whether only benchpipe changed since a log was taken, and the rig file did not."""
        said = (self._rig(known.file), known.sha256, known.last_us)
        return any(source_key(*said, version=version) == known.key for version in range(1, VERSION))

    def _why_anew(self, known: Source) -> str:
        return f" again: it was taken{BY_OLDER}" if self._taken_by_older(known) else " again: the rig file has changed"

    def _made_anew(self, known: Source, name: str, path: Path) -> Source:
        """A log read again because a part of it is lost: no other rows than those that were taken may come of it."""
        beginning = hash_of_beginning(path, known.taken)
        if beginning is None or beginning.hexdigest() != known.sha256:
            what = "has shrunk" if beginning is None else "has changed"
            raise beyond_repair(path, f"{what} since it was taken", self._lost[name], self._store)
        return self._ingest(name, path)

    def _ingest(self, name: str, path: Path, why: str = "") -> Source:
        self._told(name, why)
        return ingest_file(path, name, self._rig(name), self._store)

    def _told(self, name: str, why: str = "") -> None:
        if self._on_progress is not None:
            self._on_progress(f"{name}{why}")
        self.read.append(name)

    def _stat(self, path: Path) -> os.stat_result:
        with open_log(path) as file:
            return os.fstat(file.fileno())

    def _changed(self, known: Source, path: Path, same_rig: bool, what: str) -> Source:
        """A log that is not any more what was taken: that stays, and an alarm is given."""
        older = not same_rig and self._taken_by_older(known)
        if not same_rig and not older:
            raise InputError(
                f"the log {what} since it was taken, and so has the rig file",
                where=path,
                do_next="put the old log back, or accept the new one: benchpipe ingest RUN --again",
            )
        text = (
            f"the log {what} since it was taken{BY_OLDER if older else ''}: what was taken is kept, and "
            "nothing new of it is. Was it replaced? To accept it: benchpipe ingest RUN --again"
        )
        self.remarks.append(Remark(step="ingest", code="changed", where=known.file, count=1, text=text))
        return known

    def kept(self, gone: Source) -> Iterator[Source]:
        """A file that is gone keeps its samples, unless the settings changed since."""
        if gone.file in self._lost:
            yield from self._given_up(gone)
            return
        older = not self._same_rig(gone) and self._taken_by_older(gone)
        if not older and not self._same_rig(gone):
            raise InputError(
                f"the log '{gone.file}' is gone, and the rig file has changed since it was taken",
                where=self._run.folder / gone.file,
                do_next="put the log back, or undo the change of the rig file",
            )
        text = f"the log is not there any more; what was taken from it{BY_OLDER if older else ''} is kept"
        self.remarks.append(Remark(step="ingest", code="gone", where=gone.file, count=gone.rows, text=text))
        yield gone

    def _given_up(self, gone: Source) -> Iterator[Source]:
        """A log that is gone, its samples damaged: only a person can say that its rows are given up."""
        damage = self._lost[gone.file]
        if not self._again:
            raise beyond_repair(self._run.folder / gone.file, "is gone", damage, self._store)
        text = f"the log is gone, and what was taken from it was damaged ({damage.path}): its rows are given up"
        self.remarks.append(Remark(step="ingest", code="given-up", where=gone.file, count=gone.rows, text=text))
        yield from ()


def _kept(night: Night, key: str) -> Manifest:
    """The manifest of a run whose samples were dropped: nothing is taken."""
    return closed_manifest(night.run, night.manifest)


INGEST = StepKind(
    name=STEP,
    version=VERSION,
    parents=(),
    tables=("samples", "rejects", "landmarks", EARLY_ROWS),
    state=IngestState,
    settings=_settings,
    run=ingest_run,
    unit="log",
    looks=True,
    kept=_kept,
    undone=("nothing of run '{run}' is in the store yet", "benchpipe ingest RUN"),
)
