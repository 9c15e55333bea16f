"""The step: cycles of whole days → trends, events, phases, forecasts, only what is new."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from benchpipe.blocks.cyclic.final_cycles import last_cycles
from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.cyclic.planned_end import block_end
from benchpipe.drift.entries import all_entries, seen_after
from benchpipe.drift.history import FEWEST_BINS
from benchpipe.drift.kept import BlockDrift, DriftState, NotesHead, bins_table, plain_watch, whole_watch
from benchpipe.drift.loops_kept import TABLE as LOOPS_TABLE
from benchpipe.drift.loops_kept import (
    Reached,
    baseline_kept,
    cycle_bounds,
    kept_loops,
    key_of_bounds,
    reached_after,
    wanted_loops,
)
from benchpipe.drift.reading import complete_cycles, read_rows
from benchpipe.drift.settings import drift_block, key_of_block, key_of_notes
from benchpipe.drift.watched import DAY_US, DriftBlock, DriftLimit
from benchpipe.drift.words import (
    LIMIT_AHEAD,
    QUIET_DRIFT,
    event_code,
    event_place,
    event_words,
    forecast_words,
    told_events,
)
from benchpipe.run import RunConfig
from benchpipe.steps import Night, StepKind, StepResult, StepTask
from benchpipe.store.manifest import Head, Part, Remark
from benchpipe.store.pauses import RunClock
from benchpipe.store.run_notes import NOTES, RunNote, kept_head, lost_notes, read_notes
from benchpipe.tables import schema

if TYPE_CHECKING:
    from benchpipe.drift.night import DriftResult

VERSION = 4
STEP = "drift"


def _settings(night: Night) -> dict[str, Any]:
    """Cyclic blocks, their limits, and the days of calibrations."""
    run = night.run
    notes = sorted([note.at_us, note.kind] for note in read_notes(night.store.folder))
    planned = [one.model_dump(mode="json") for one in run.plan.planned]
    return {
        **({"notes": notes} if notes else {}),
        **({"planned": planned} if planned else {}),
        "blocks": [block.model_dump(mode="json") for block in run.plan.blocks_of(CyclicBlock)],
        "limits": [_limit(i) for block in run.plan.blocks_of(CyclicBlock) for i in drift_block(block, run).limits],
        "calibrations": _calibrations(run),
        "warm": run.rig.temperature is not None,
    }


def _limit(limit: DriftLimit) -> list[Any]:
    """What of a limit decides its forecast."""
    return [limit.measure, limit.change] if limit.value is None else [limit.measure, None, limit.value, limit.upper]


def _calibrations(run: RunConfig) -> list[Any]:
    return [[c.name, [str(one.valid_from) for one in c.calibrations]] for c in run.rig.channel]


def drift_run(task: StepTask[DriftState]) -> StepResult[DriftState]:
    """Take in the whole days of each cyclic block that are new, and make its tables.

    Raises
    ------
    StoreError
        Cycles in the store are damaged.
    """
    clock = RunClock.of(task.manifest, task.run.plan.restart_pause)
    past = task.past.blocks if task.past is not None else {}
    states: dict[str, BlockDrift] = {}
    rows: dict[str, list[pa.Table]] = {}
    parts: list[Part] = []
    remarks: list[Remark] = []
    for block in task.run.plan.blocks_of(CyclicBlock):
        one = _Work(task, block, clock, past.get(block.name))
        states[block.name] = one.state
        parts += one.parts
        remarks += one.remarks
        one.keep_loops(block)
        for name, table in one.tables.items():
            if table.num_rows:
                rows.setdefault(name, []).append(table)
    parts += [task.store.write(name, pa.concat_tables(some), task.key) for name, some in rows.items()]
    before = task.past.notes if task.past is not None else None
    known = Head(entries=before.entries, sha256=before.sha256) if before is not None else None
    lost = lost_notes(task.store.folder, known)
    if lost:
        text = f"notes on the run are gone: {lost}; what they explained is an event again"
        remarks.append(Remark(step=STEP, code="notes-lost", where=NOTES, count=1, text=text))
    head = kept_head(read_notes(task.store.folder), task.store.folder)
    notes = {"notes": NotesHead(entries=head.entries, sha256=head.sha256)} if head is not None else {}
    return StepResult(DriftState(blocks=states, **notes), tuple(parts), tuple(remarks))


class _Work:
    """A block: its new days, what the room makes of them, and what is kept."""

    def __init__(
        self, task: StepTask[DriftState], block: CyclicBlock, clock: RunClock, known: BlockDrift | None
    ) -> None:
        self.task, self.run = task, task.run
        self.block = drift_block(block, task.run)
        self.parts: list[Part] = []
        self.remarks: list[Remark] = []
        self.tables: dict[str, pa.Table] = {}
        self.events: list[dict[str, Any]] = []
        self.bounds = cycle_bounds(task.run, block)
        cycles = task.manifest.block_parts(block.name, "cycles")
        key = key_of_block(self.block, VERSION, [_calibrations(task.run), [list(r) for r in clock.restarts]])
        over = block_end(block, task.manifest, last_cycles(block.name, task.manifest, task.store).done).over
        notes = read_notes(task.store.folder)
        if known is not None and not _goes_on(known, key, [part.path for part in cycles], notes):
            known = None
        past = known or BlockDrift(key=key, until_us=-(1 << 62))
        self.goes_on = known is not None or task.manifest.closed
        found, begins = read_rows(task.store, cycles, self.block.watched, past.until_us)
        start = np.array(found.filter(found.column("complete")).column("start_us"), np.int64)
        until_us = _until(start, past.until_us, complete=over)
        self.state = past
        if until_us == past.until_us and past.watch is None:
            return
        whole = found.filter(pa.array(np.array(found.column("start_us"), np.int64) < until_us))
        seen = seen_after(past.seen, whole, clock, task.run.rig.time.sample_rate)
        read = _read([part.path for part in cycles], begins, until_us)
        reached = self._reached(past, whole, cycles, until_us)
        update = {"until_us": until_us, "read": read, "complete": over, "seen": seen, "reached": reached}
        noted = key_of_notes(notes, until_us)
        self.state = past.model_copy(update={**update, **({"noted": noted} if noted else {})})
        bins = np.unique(start[start < until_us] // self.block.width_us).size
        if over and past.watch is None and bins < FEWEST_BINS:
            few = "1 bin of time holds" if bins == 1 else f"{bins} bins of time hold"
            text = f"{few} complete cycles, {FEWEST_BINS} are needed to look for events"
            self.remarks.append(Remark(step=STEP, code=QUIET_DRIFT, where=block.name, count=1, text=text))
            return
        entries = all_entries(task.run, clock, seen, self.block.planned, notes)
        self._watch(past, found, entries, over=over)

    def _reached(self, past: BlockDrift, rows: pa.Table, parts: list[Part], until_us: int) -> Reached:
        """What the cycles of whole days reached: from the begin again where limits changed."""
        before = past.reached
        if before.last and before.limits != key_of_bounds(self.bounds):
            before = Reached()
            rows, _ = read_rows(self.task.store, parts, self.block.watched, -(1 << 62))
            rows = rows.filter(pa.array(np.array(rows.column("start_us"), np.int64) < until_us))
        cycles = complete_cycles(rows, self.block.watched, warm=False)
        return reached_after(before, cycles, self.bounds)

    def keep_loops(self, block: CyclicBlock) -> None:
        """Loops kept on purpose, those of the last night among them; a log of peaks alone has none."""
        reached = self.state.reached
        if block.boundary == "row" or not reached.last:
            return
        baseline = baseline_kept(self.block, self.state.watch.baselines if self.state.watch is not None else ())
        if block.baseline is not None:
            baseline = block.baseline
        wanted = wanted_loops(reached, baseline, self.events)
        old = self._before(LOOPS_TABLE)
        self.tables[LOOPS_TABLE] = kept_loops(self.task, block, wanted, old if self.goes_on else old.slice(0, 0))

    def _before(self, table: str) -> pa.Table:
        """Rows of the block in a table of the last time."""
        named = [part for part in (self.task.before.parts if self.task.before else ()) if part.table == table]
        rows = self.task.store.read_parts(named, table)
        return rows.filter(pc.equal(rows.column("block"), self.block.name))

    def _watch(self, past: BlockDrift, rows: pa.Table, entries: list[Any], *, over: bool) -> None:
        from benchpipe.drift.night import drift_night

        watch = None
        named = [part for part in (self.task.before.parts if self.task.before else ()) if part.path == past.bins]
        if past.watch is not None:
            watch = whole_watch(past.watch, self.task.store.read_parts(named, "drift_bins"))
        cycles = complete_cycles(rows, self.block.watched, warm=self.run.rig.temperature is not None)
        try:
            result = drift_night(self.block, cycles, watch, entries, complete=over)
        except (ArithmeticError, ValueError) as error:  # LinAlgError is one: no verdict waits for a fit
            self.state = past
            self.parts += named
            self.events = self._before("events").to_pylist()
            text = f"drift could not be analysed, and is tried again the next night ({error})"
            self.remarks.append(Remark(step=STEP, code="drift-failed", where=self.block.name, count=1, text=text))
            return
        self.events = result.events
        part = self.task.store.write("drift_bins", bins_table(self.block.name, result.state), self.task.key)
        self.parts.append(part)
        self.state = self.state.model_copy(update={"watch": plain_watch(result.state), "bins": part.path})
        if len(result.state["bins"]["index"]) >= FEWEST_BINS:
            self._told(result)

    def _told(self, result: DriftResult) -> None:
        """Tables and remarks of a block with bins enough."""
        trends = schema("drift_trends")
        columns = {n: pa.array(v, trends.field(n).type, from_pandas=True) for n, v in result.trends.items()}
        self.tables["drift_trends"] = pa.table(columns, schema=trends)
        for name, rows in (("events", result.events), ("phases", result.phases), ("forecasts", result.forecasts)):
            self.tables[name] = pa.Table.from_pylist(rows, schema=schema(name))
        self.remarks += _remarks(self.block, result)


def _goes_on(known: BlockDrift, key: str, parts: list[str], notes: Sequence[RunNote]) -> bool:
    """Whether the days that are in are the beginning of what there is now; of a block that was over, all of it.

    After a new note on one of those days the block is looked at from its begin: events do not depend on when it was
    written.
    """
    now = parts if known.complete else parts[: len(known.read)]
    return known.key == key and list(known.read) == now and known.noted == key_of_notes(notes, known.until_us)


def _until(start_us: NDArray[np.int64], past_us: int, *, complete: bool) -> int:
    """End of the whole days: the last day with a complete cycle is one where the block is over."""
    if not start_us.size:
        return past_us
    border = (int(start_us[-1]) // DAY_US + complete) * DAY_US
    return border if start_us[0] < border else past_us


def _read(parts: list[str], begins: Mapping[str, int], until_us: int) -> tuple[str, ...]:
    """Parts that hold rows before a time, and those between them; one that was not opened holds older rows alone."""
    held = [place for place, path in enumerate(parts) if begins.get(path, until_us - 1) < until_us]
    return tuple(parts[: held[-1] + 1]) if held else ()


def _remarks(block: DriftBlock, result: DriftResult) -> Iterator[Remark]:
    """One for each event with an alarm and each limit ahead; one that asks for nothing on what limits the figures."""
    for row in told_events(result.events):
        count = row["together"].count(",") + 1
        yield Remark(step=STEP, code=event_code(row), where=event_place(row), count=count, text=event_words(row))
    for row in result.forecasts:
        if row["expected"] and not row["crossed"]:
            at = f"{row['limit']:+g}" if row["limit_value"] is None else f"at {row['limit_value']:g}"
            where = f"{block.name}, {row['measure']} {at}"
            yield Remark(step=STEP, code=LIMIT_AHEAD, where=where, count=1, text=forecast_words(row))
    if result.remarks:
        text = "; ".join(result.remarks)
        yield Remark(step=STEP, code=QUIET_DRIFT, where=block.name, count=len(result.remarks), text=text)


DRIFT = StepKind(
    name=STEP,
    version=VERSION,
    parents=("process",),
    tables=("drift_trends", "drift_bins", "events", "phases", "forecasts", "kept_loops"),
    state=DriftState,
    settings=_settings,
    run=drift_run,
)
