"""One measure of one run at a stage, with its uncertainty: by the machinery that judges limits."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.cyclic.run_cycles import end_of, last_cycle
from benchpipe.blocks.left_out import LogClock
from benchpipe.blocks.measures import Measure
from benchpipe.blocks.registry import kinds_of
from benchpipe.blocks.run_tables import RunTables
from benchpipe.blocks.values import Asked, Values
from benchpipe.check.block_noise import Noises
from benchpipe.check.figure import JudgedFigure, figure_of_values
from benchpipe.check.measures import measures_of
from benchpipe.check.rig_parts import not_stated
from benchpipe.check.validate_limits import limit_unit
from benchpipe.compare.result import RunReading
from benchpipe.compare.study import Study, StudyMeasureConfig, StudyRunConfig
from benchpipe.config.limits import LimitConfig
from benchpipe.config.model import Quantity
from benchpipe.errors import ConfigError, nearest
from benchpipe.escapes import quoted
from benchpipe.plan import Block
from benchpipe.run import RunConfig, load_run
from benchpipe.samples.signals import signal_units
from benchpipe.store.manifest import Manifest
from benchpipe.store.pauses import RunClock
from benchpipe.store.run_store import RunStore

LEAST_MEASURED = 0.99
NO_LIMIT = (Quantity(-1e300, "ratio"), Quantity(1e300, "ratio"))


@dataclass(frozen=True)
class StudyRun:
    """A run of a study with what the store has of it."""

    stated: StudyRunConfig
    place: str
    config: RunConfig
    store: RunStore
    manifest: Manifest

    @cached_property
    def tables(self) -> RunTables:
        """Its tables, read when they are asked for."""
        return RunTables(self.store, self.manifest)

    @cached_property
    def noises(self) -> Noises:
        """Noise of its cycles."""
        return Noises(self.tables)

    @cached_property
    def clock(self) -> LogClock:
        """How its logs tell the time."""
        time = self.config.rig.time
        return LogClock(time.sample_rate, RunClock.of(self.manifest).ends_us, time.kind == "sample")

    @property
    def units(self) -> dict[str, str]:
        """Units of load and motion."""
        return signal_units(self.config.rig)

    @property
    def rig(self) -> str:
        """Its rig, as the study file or the rig file names it."""
        return self.stated.rig or self.config.rig.name

    @cached_property
    def states(self) -> tuple[str, ...]:
        """``unfinished`` and ``failing`` where they hold."""
        return run_states(self.config, self.store, self.manifest, self.tables)

    @property
    def state(self) -> str:
        """``finished``, or what holds of ``unfinished`` and ``failing``."""
        return " and ".join(self.states) or "finished"

    def cycles_done(self) -> int:
        """Cycles of its cyclic blocks, by the count that decides."""
        return sum(end_of(block, self.tables).cycles for block in self.config.plan.blocks_of(CyclicBlock))


def run_states(config: RunConfig, store: RunStore, manifest: Manifest, tables: RunTables) -> tuple[str, ...]:
    """``unfinished`` (a cycle test before its planned end) and ``failing`` (a limit failed), as far as they hold."""
    planned = [block for block in config.plan.blocks_of(CyclicBlock) if block.planned_cycles is not None]
    found = [] if all(end_of(block, tables).done for block in planned) else ["unfinished"]
    if "check" in manifest.steps:
        rows = store.read(manifest, "verdicts", ["verdict", "due"]).to_pylist()
        if any(row["verdict"] == "fail" and row["due"] for row in rows):
            found.append("failing")
    return tuple(found)


def open_study_run(study: Study, at: int) -> StudyRun:
    """Open the run at a place of the study file.

    Raises
    ------
    ConfigError
        Its plan is wrong or missing, or nothing of it is processed.
    """
    stated, place = study.config.run[at], study.file.where(("run", at, "plan"))
    path = study.plan_of(stated)
    if not path.is_file():
        raise ConfigError(
            f"the plan '{path}' does not exist", where=place, do_next="paths are relative to the study file"
        )
    config = load_run(path)
    store = config.open_store()
    manifest = store.manifest()
    if "process" not in manifest.steps:
        plan = quoted(path)
        raise ConfigError(
            f"nothing of run '{config.name}' is processed yet", where=place, do_next=f"benchpipe process {plan}"
        )
    return StudyRun(stated, place, config, store, manifest)


def reading_of(run: StudyRun, asked: StudyMeasureConfig, place: str) -> RunReading:
    """Value and uncertainty of a measure of a run at its stage.

    Raises
    ------
    ConfigError
        The measure is not known, the plan has no such block, or the block has no such stage.
    """
    measure, block = _measure(run, asked, place), _block(run, asked, place)
    first, last = _window(run, asked, block, place)
    limit = LimitConfig(
        name=asked.name, block=block.name, measure=asked.name, operator="within", between=NO_LIMIT, source="study",
        statistic="median", cycles=(first, last) if first else None, at_time=asked.at_time,
    )  # fmt: skip
    figure, values, note = _figure(run, measure, block, limit)
    unit = limit_unit(limit, measure, run.config)
    own, shared, unknown = parts_of(figure)
    note = "; ".join(filter(None, (note, unknown)))
    numbers = values.number[values.whole].tolist() if values is not None else []
    stated, typical = run.stated, values.typical if values is not None else None
    return RunReading(
        run.config.name, stated.variant, stated.specimen, run.rig, stated.day, stated.operator, stated.order,
        stated.bumper_set, figure.value, unit, own, shared, int(numbers[0]) if len(numbers) else first,
        int(numbers[-1]) if len(numbers) else last, len(numbers), typical.load_range if typical else math.nan,
        typical.motion_range if typical else math.nan, run.state, note,
    )  # fmt: skip


def _measure(run: StudyRun, asked: StudyMeasureConfig, place: str) -> Measure:
    known = measures_of(run.config)
    measure = known.get(asked.name)
    if measure is None or measure.values is None or "median" not in measure.statistics:
        names = [name for name, one in known.items() if one.values is not None and "median" in one.statistics]
        expected = nearest(asked.name, names) if names else "a measure of the run's blocks; there is none"
        raise ConfigError(f"no measure '{asked.name}' to compare", where=place, expected=expected)
    if measure.at_time and asked.at_time is None:
        raise ConfigError(f"'{asked.name}' is taken at a time after loading", where=place, do_next="add at_time")
    return measure


def _block(run: StudyRun, asked: StudyMeasureConfig, place: str) -> Block:
    kind = measures_of(run.config)[asked.name].kind
    fitting = [b for b in run.config.plan.block if b.kind == kind]
    chosen = [b for b in fitting if asked.block in (b.name, b.kind)]
    if len(chosen) == 1:
        return chosen[0]
    names = [b.name for b in fitting]
    what = "several blocks that could be meant" if chosen else f"no {kind} block '{asked.block}'"
    expected = nearest(asked.block, names) if names else f"a {kind} block; the plan has none"
    raise ConfigError(f"run '{run.config.name}' has {what}", where=place, expected=expected)


def _window(run: StudyRun, asked: StudyMeasureConfig, block: Block, place: str) -> tuple[int, int]:
    """First and last cycle of the stage; 0, 0 where all of the block counts."""
    if not isinstance(block, CyclicBlock):
        return 0, 0
    if asked.stage == "baseline":
        if block.baseline is None:
            raise ConfigError(
                f"block '{block.name}' of run '{run.config.name}' has no baseline", where=place,
                do_next='add baseline = [FIRST, LAST] to its plan, or compare another stage',
            )  # fmt: skip
        return block.baseline
    last = asked.cycles or last_cycle(run.tables, block.name)
    return max(last - asked.window + 1, 1), max(last, 1)


def _figure(
    run: StudyRun, measure: Measure, block: Block, limit: LimitConfig
) -> tuple[JudgedFigure, Values | None, str]:
    """The figure, its values, and what must be said of it."""
    kinds = kinds_of(other.kind for other in run.config.plan.block if other.kind != block.kind)
    others = tuple(kind.events for kind in kinds if kind.events is not None and kind.events.in_order)
    make = measure.values
    values = make(Asked(limit, measure, block, run.tables, run.clock, "", others)) if make is not None else None
    if values is None or not values.due or not values.whole.any():
        why = values.why if values is not None and values.why else "none of the values could be measured"
        return JudgedFigure(math.nan), None, why
    figure = figure_of_values(limit, measure, run.config.rig, values, run.noises)
    notes = [figure.doubt] if figure.doubt else []
    unstated = not_stated(measure, run.config.rig, block)
    if unstated:
        notes.append(f"uncertainty of {', '.join(unstated)} not stated: counted as exact")
    used = int(values.whole.sum())
    if values.of and used < LEAST_MEASURED * values.of:
        notes.append(f"{used:,} of {values.of:,} could be measured")
    return figure, values, "; ".join(notes)


def parts_of(figure: JudgedFigure) -> tuple[float, float, str]:
    """Standard uncertainties: of the run's own scatter (type A), of what its rig shares (type B); what is not known."""
    known = [part for part in figure.budget.parts if part.known]
    unknown = ", ".join(part.name for part in figure.budget.parts if not part.known)
    own, shared = (math.hypot(*(part.u for part in known if part.kind == kind)) for kind in "AB")
    return own, shared, f"not known, counted as nought: {unknown}" if unknown else ""
