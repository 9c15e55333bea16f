"""Signals → rows of the cycles table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from benchpipe.blocks.cutting import RECORD_KINDS, Cut, Pieces, cut_between
from benchpipe.blocks.cyclic.digits import StillRule
from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.cyclic.state import Digits, Thresholds
from benchpipe.blocks.cyclic.tables import CycleFlag
from benchpipe.blocks.cyclic.thresholds import HIGH_PART, LOW_PART
from benchpipe.config.rig import RigConfig
from benchpipe.kernels.filters import gaussian_weights
from benchpipe.kernels.loops import FIELD, measure_loops
from benchpipe.kernels.records import turns
from benchpipe.kernels.repeats import most_repeats
from benchpipe.samples.inputs import SampleInput
from benchpipe.samples.range_ends import RangeEnds, range_ends
from benchpipe.samples.signals import ENERGY_FACTOR

Floats = NDArray[np.float64]
# Loop fields that an under-sampled, gapped or saturated cycle, or one that stood still, does not have.
LOOP_FIELDS = (
    "load_mean", "motion_mean", "energy_j", "secant_stiffness", "loading_stiffness", "unloading_stiffness",
    "loss_factor", "closure_error", "storage_stiffness", "loss_stiffness", "phase_deg", "backlash", "waveform_error",
)  # fmt: skip
# Load and motion at the extremes of both.
_LOADS = ("peak_load", "valley_load", "load_at_motion_max", "load_at_motion_min")
_MOTIONS = ("motion_at_peak", "motion_at_valley", "motion_max", "motion_min")
NEVER: int = np.iinfo(np.int64).max  # a time after all others
# What a loading ramp alone has of them.
RAMP_FIELDS = ("secant_stiffness", "loading_stiffness")
_NO_LOOP = CycleFlag.UNDER_SAMPLED | CycleFlag.GAP | CycleFlag.SATURATED | CycleFlag.STOOD_STILL | CycleFlag.UNCROSSED
LONGER = 1.5  # times the planned period: a closed cycle may hold two
_FLAGS = {"several": CycleFlag.SEVERAL_LOOPS, "part": CycleFlag.PART_OF_LOOP, "ramp": CycleFlag.RAMP_ALONE}
_ODD = np.array([int(_FLAGS.get(kind, 0)) for kind in RECORD_KINDS])  # flags of a record


@dataclass(frozen=True)
class CycleSettings:
    """What of plan and rig decides the cycles of a block."""

    block: str
    cut: Cut
    gap_s: float
    band: tuple[float, float]
    weights: Floats
    least_samples: int
    targets: tuple[float, float] | None
    target_tolerance: float
    load_ends: RangeEnds
    motion_ends: RangeEnds
    energy_factor: float
    still: tuple[StillRule, ...] = ()
    machine_stiffness: float | None = None


def cycle_settings(
    block: CyclicBlock,
    rig: RigConfig,
    learnt: Thresholds | None = None,
    inputs: Sequence[SampleInput] = (),
    digits: Digits | None = None,
) -> CycleSettings:
    """Settings of a cyclic block on a rig.

    Parameters
    ----------
    learnt : Thresholds, optional
        Where the plan has none.
    inputs : sequence of SampleInput, optional
        The block's samples: they say which zeros were taken off.
    digits : Digits, optional
        Steps of the channels' last digits.
    """
    low = {"load": rig.load.valley, "motion": rig.motion.valley} if block.boundary == "row" else {}
    targets = block.targets
    span = targets[1].value - targets[0].value if targets else 0.0
    return CycleSettings(
        block=block.name,
        cut=cycle_cut(block, rig, learnt),
        gap_s=rig.time.gap_s,
        band=block.stiffness_band,
        weights=gaussian_weights(block.lowpass, rig.time.sample_rate),
        least_samples=block.least_samples,
        targets=(targets[0].value, targets[1].value) if targets else None,
        target_tolerance=block.tolerance * span,
        load_ends=range_ends(rig, rig.load, inputs, low.get("load")),
        motion_ends=range_ends(rig, rig.motion, inputs, low.get("motion")),
        energy_factor=ENERGY_FACTOR[rig.load_quantity],
        still=(StillRule(rig.load, digits.load, True), StillRule(rig.motion, digits.motion, False)) if digits else (),
        machine_stiffness=rig.motion.machine_stiffness.value if rig.motion.machine_stiffness is not None else None,
    )


def cycle_cut(block: CyclicBlock, rig: RigConfig, learnt: Thresholds | None = None) -> Cut:
    """How a cyclic block is cut on a rig.

    Thresholds are as the plan says, else at 32 and 68 % of the target range: a cycle that
    fades to half its range about the same mean still crosses both, and noise of a third
    of the range from peak to peak cannot cross from one to the other. Without targets they
    are ``learnt``, at the same parts of the range that is there.
    """
    low, high = 0.0, 0.0  # only a block cut by record has neither
    if learnt is not None:
        low, high = learnt.low, learnt.high
    elif block.low is not None and block.high is not None:
        low, high = block.low.value, block.high.value
    elif block.targets is not None:
        bottom, top = (target.value for target in block.targets)
        low, high = bottom + LOW_PART * (top - bottom), bottom + HIGH_PART * (top - bottom)
    return cut_between(block, rig, low, high, by_record=block.boundary == "record")


@dataclass(frozen=True)
class CycleRows:
    """Cycles, and what lies between them, as the kernels measured them, not yet numbered.

    Attributes
    ----------
    measures : float64 array, shape (k, N_FIELDS), column after column in memory
    closed, between : bool arrays, shape (k,)
    segment, samples, first_us, last_us, after_us : int64 arrays, shape (k,)
        Times of the first and last sample inside and of the next one (:data:`NEVER` at the end of the log).
    broken : bool array, shape (k,)
        The cycle is incomplete because samples are missing before or after it.
    counter : float64 array, shape (k,)
    odd : int64 array, shape (k,)
        Flags of records that are not one loop.
    load_turns, motion_turns : int64 arrays, shape (k,)
        How often the signal went through its range, where that is to be looked at; else 0.
    """

    measures: Floats
    closed: NDArray[np.bool_]
    between: NDArray[np.bool_]
    segment: NDArray[np.int64]
    samples: NDArray[np.int64]
    first_us: NDArray[np.int64]
    last_us: NDArray[np.int64]
    after_us: NDArray[np.int64]
    broken: NDArray[np.bool_]
    counter: Floats
    odd: NDArray[np.int64]
    load_turns: NDArray[np.int64]
    motion_turns: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.closed)

    def only(self, which: NDArray[np.bool_]) -> CycleRows:
        """Some of the rows."""
        if which.all():
            return self
        return CycleRows(*(np.asfortranarray(getattr(self, one.name)[which]) for one in fields(self)))

    def part(self, first: int, last: int) -> CycleRows:
        """The rows from one place to before another."""
        if first == 0 and last == len(self):
            return self
        return CycleRows(*(np.asfortranarray(getattr(self, one.name)[first:last]) for one in fields(self)))

    def later(self, segments: int) -> CycleRows:
        """The same rows, their segments counted on by so many."""
        return replace(self, segment=self.segment + segments) if segments else self


def joined_rows(rows: list[CycleRows]) -> CycleRows:
    """Rows one after the other."""
    return CycleRows(*(np.concatenate([getattr(r, one.name) for r in rows]) for one in fields(CycleRows)))


def measure_pieces(pieces: Pieces, settings: CycleSettings, change_us: int = 0) -> CycleRows:
    """Measure cycles that were cut; ``change_us`` is that of a sample after the last one, which is not there yet."""
    signals, first = pieces.signals, pieces.first
    measures = measure_loops(
        signals.time_us, signals.load, signals.motion, signals.temperature,
        first, pieces.end, pieces.start_part, pieces.end_part, settings.band[0], settings.band[1], settings.weights,
    )  # fmt: skip
    if settings.machine_stiffness is not None:  # its part moves with the load: the channel itself may be stuck
        channel = (signals.motion + signals.load.astype(np.float64) / settings.machine_stiffness).astype(np.float32)
        measures[:, FIELD["motion_repeats"]] = most_repeats(channel, first, pieces.end)
    counter = signals.counter[first].astype(np.float64) if signals.counter.size else np.full(len(first), np.nan)
    time_us, end = signals.time_us, pieces.end
    first_us, last_us = time_us[first], time_us[end - 1]
    after_us = np.where(end < time_us.size, time_us[np.minimum(end, time_us.size - 1)], NEVER)
    before = time_us[first] - time_us[np.maximum(first - 1, 0)]
    behind = np.where(after_us < NEVER, after_us - last_us, 0)
    incomplete = ~pieces.closed & (pieces.odd == 0)
    if signals.change_us.size:  # where the mode changed, only what the log is silent for is missing
        at_start, at_end = (np.append(signals.change_us, change_us)[place] for place in (first, end))
        before, behind = (np.where(at > 0, at, step) for at, step in ((at_start, before), (at_end, behind)))
        silent = np.where(incomplete, 1e-6 * np.maximum(at_start, at_end), 0.0)
        step_s = measures[:, FIELD["longest_step_s"]]
        measures[:, FIELD["longest_step_s"]] = np.fmax(step_s, silent)
    broken = (np.maximum(before, behind) > settings.cut.break_us) & incomplete
    load_turns, motion_turns = _turns(pieces, last_us - first_us, settings.cut)
    return CycleRows(
        measures, pieces.closed, pieces.between, pieces.segment, pieces.samples, first_us, last_us, after_us, broken,
        counter, _ODD[pieces.odd], load_turns, motion_turns,
    )  # fmt: skip


def _turns(pieces: Pieces, length_us: NDArray[np.int64], cut: Cut) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Turns of load and motion in rows that did not close, or late: cycles may hide there."""
    found = np.zeros(pieces.count, np.int64), np.zeros(pieces.count, np.int64)
    which = np.flatnonzero(~pieces.closed | (length_us > LONGER * 1e6 * cut.period_s))
    if which.size and not cut.by_record:
        for turned, signal in zip(found, (pieces.signals.load, pieces.signals.motion), strict=True):
            turned[which] = turns(signal, pieces.first[which], pieces.end[which])
    return found


def cycles_table(
    rows: CycleRows,
    closed_before: int,
    settings: CycleSettings,
    table_schema: pa.Schema,
    lost: NDArray[np.int64] | None = None,
    uncrossed: NDArray[np.int64] | None = None,
) -> pa.Table:
    """Rows of the cycles table.

    Parameters
    ----------
    rows : CycleRows
    closed_before : int
        The closed ones are numbered on from there.
    settings : CycleSettings
    table_schema : Schema
    lost : int64 array, shape (k,), optional
        Rows of the log that were lost in each cycle; none where it is not given.
    uncrossed : int64 array, shape (k,), optional
        Cycles in each row that were not found; none where it is not given.
    """
    lost = np.zeros(len(rows), np.int64) if lost is None else lost
    uncrossed = np.zeros(len(rows), np.int64) if uncrossed is None else uncrossed
    closed, samples, measures = rows.closed, rows.samples, rows.measures
    get = {name: measures[:, i] for name, i in FIELD.items()}
    load_range = get["peak_load"] - get["valley_load"]
    motion_range = get["motion_max"] - get["motion_min"]
    energy = get["energy"] * settings.energy_factor
    stored = 0.5 * (0.5 * load_range) * (0.5 * motion_range) * settings.energy_factor
    flags = _flags(rows, get, settings) | np.where(lost > 0, int(CycleFlag.LOST_ROWS), 0)
    off_target = CycleFlag.OFF_TARGET if settings.targets is not None else CycleFlag(0)
    flags |= np.where(uncrossed > 0, int(CycleFlag.UNCROSSED | off_target), 0)
    start_us = rows.first_us + np.rint(get["start_offset_s"] * 1e6).astype(np.int64)
    n = len(rows)
    columns: dict[str, Any] = {
        "block": pa.repeat(settings.block, n),
        "cycle": pa.array(closed_before + np.cumsum(closed), mask=~closed),
        "segment": pa.array(rows.segment.astype(np.int32)),
        "start_us": pa.array(start_us),
        "period_s": get["period_s"],
        "samples": pa.array(samples.astype(np.int32)),
        "complete": pa.array(closed),
        "flags": pa.array(flags.astype(np.uint16)),
        "load_range": load_range,
        "motion_range": motion_range,
        "energy_j": energy,
        "secant_stiffness": _secant(get, load_range, motion_range, settings.cut.by_load),
        "loss_factor": np.divide(energy, 2 * np.pi * stored, out=np.full(n, np.nan), where=stored > 0),
        "counter": rows.counter,
        "lost_rows": pa.array(np.minimum(lost, np.iinfo(np.int32).max).astype(np.int32)),
        "uncrossed": pa.array(uncrossed.astype(np.int32)),
        "phase_deg": _phase_deg(get["storage_stiffness"], get["loss_stiffness"]),
        "load_repeats": _whole(get["load_repeats"]),
        "motion_repeats": _whole(get["motion_repeats"]),
    }
    no_loop = ~closed | ((flags & _NO_LOOP) != 0)
    without = dict.fromkeys(LOOP_FIELDS, no_loop) if no_loop.any() else {}
    ramp = (flags & ~int(CycleFlag.OFF_TARGET | CycleFlag.LOST_ROWS)) == int(CycleFlag.RAMP_ALONE)
    without |= dict.fromkeys(RAMP_FIELDS, no_loop & ~ramp) if ramp.any() else {}
    if not closed.all():
        without["period_s"] = ~closed
    arrays = []
    for field in table_schema:
        values = columns[field.name] if field.name in columns else get[field.name]
        if not isinstance(values, pa.Array):
            values = _column(values, field, without.get(field.name))
        arrays.append(values)
    return pa.Table.from_arrays(arrays, schema=table_schema)


def _column(values: Floats, field: pa.Field, without: NDArray[np.bool_] | None) -> pa.Array:
    """Values as a column: null where they are not finite or too large for it, and where a cycle does not have them."""
    with np.errstate(over="ignore"):
        typed = values.astype(field.type.to_pandas_dtype())
        if not field.nullable or (without is None and np.isfinite(typed.sum())):  # then so are all terms
            return pa.array(typed)
    empty = ~np.isfinite(typed)
    return pa.array(typed, mask=empty if without is None else empty | without)


def _whole(values: Floats) -> pa.Array:
    """Whole numbers as a column: null where they are not known."""
    unknown = np.isnan(values)
    return pa.array(np.where(unknown, 0.0, values).astype(np.int32), mask=unknown if unknown.any() else None)


def _secant(get: dict[str, Floats], load_range: Floats, motion_range: Floats, by_load: bool) -> Floats:
    """Slope between the extremes of the signal that bounds the cycle."""
    if by_load:
        rise, run = load_range, get["motion_at_peak"] - get["motion_at_valley"]
    else:
        rise, run = get["load_at_motion_max"] - get["load_at_motion_min"], motion_range
    slope: Floats = np.full(len(run), np.nan)
    np.divide(rise, run, out=slope, where=run != 0)
    return slope


def _phase_deg(storage: Floats, loss: Floats) -> Floats:
    """Phase by which load leads motion; NaN where one of them stands still."""
    return np.where((storage != 0.0) | (loss != 0.0), np.degrees(np.arctan2(loss, storage)), np.nan)


def _flags(rows: CycleRows, get: dict[str, Floats], settings: CycleSettings) -> NDArray[np.int64]:
    closed, samples = rows.closed, rows.samples
    load, motion, begun = settings.load_ends, settings.motion_ends, rows.first_us
    flags = np.where(closed | (rows.odd != 0), 0, int(CycleFlag.OPEN)) | rows.odd
    flags |= np.where(rows.broken, int(CycleFlag.BROKEN_OFF), 0)
    closed = closed | (rows.odd != 0)
    flags |= np.where(closed & (samples < settings.least_samples), int(CycleFlag.UNDER_SAMPLED), 0)
    flags |= np.where(closed & (get["longest_step_s"] > settings.gap_s), int(CycleFlag.GAP), 0)
    saturated = (get["peak_load"] >= load.high.at(begun)) | (get["valley_load"] <= load.low.at(begun))
    saturated |= (get["motion_max"] >= motion.high.at(begun)) | (get["motion_min"] <= motion.low.at(begun))
    flags |= np.where(saturated, int(CycleFlag.SATURATED), 0)
    still = (get["peak_load"] == get["valley_load"]) | (get["motion_max"] == get["motion_min"])
    for rule in settings.still:
        still |= rule.stood([get[name] for name in _LOADS], [get[name] for name in _MOTIONS])
    flags |= np.where(closed & still, int(CycleFlag.STOOD_STILL), 0)
    if settings.targets is not None:
        low, high = settings.targets
        names = ("valley_load", "peak_load") if settings.cut.by_load else ("motion_min", "motion_max")
        off = np.abs(get[names[0]] - low) > settings.target_tolerance
        off |= np.abs(get[names[1]] - high) > settings.target_tolerance
        flags |= np.where(off & rows.closed, int(CycleFlag.OFF_TARGET), 0)
    return flags
