"""Signals → rows of the tables of sweeps, from where the last night ended.

A sweep that does not come back, or has a gap, is not measured. What is left of it may still show a resistance that is
too high, and what is missing may have: it has a row of its own, in the table of incomplete sweeps.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.blocks.block import BlockTask, Found
from benchpipe.blocks.cutting import Pieces, anchor_of, beginning, cut_batch, cut_between, end_of_log, resumed
from benchpipe.blocks.losses import with_losses
from benchpipe.blocks.rows import rows_table
from benchpipe.blocks.state import Anchor
from benchpipe.blocks.stuck_samples import stuck_rows
from benchpipe.blocks.sweep.plan import SweepBlock
from benchpipe.blocks.sweep.resistance import Points, block_rows, resistance_rows
from benchpipe.blocks.sweep.state import SweepState
from benchpipe.config.rig import RigConfig
from benchpipe.kernels.breakpoints import BreakpointResult, SpanResult, range_of_motion
from benchpipe.kernels.filters import gaussian_weights
from benchpipe.kernels.loops import FIELD, measure_loops
from benchpipe.kernels.sweeps import (
    SIGN,
    Direction,
    Estimate,
    SweepResult,
    SweepSettings,
    measure_sweep,
    surviving_peaks,
)
from benchpipe.samples.signals import ENERGY_FACTOR, Signals, block_signals, signal_units

TABLES = ("sweeps", "incomplete_sweeps", "resistance", "resistance_points")
LOST_FROM = ("sweeps", "incomplete_sweeps")
UNSMOOTHED = gaussian_weights(None, 1.0)
NOT_MEASURED = "a gap, or a load that never changes: not measured"
SweepRows = dict[str, list[dict[str, Any]]]


def sweep_block(task: BlockTask[SweepBlock, SweepState]) -> Found:
    """Measure the sweeps of a block. Sweeps that were closed another night stay as they are."""
    rig, store, block, past, key = task.rig, task.store, task.block, task.past, task.key
    anchor = past.anchor if past is not None else None
    builder = SweepBuilder(block, rig, anchor, task.clock.ends_us)
    rows: SweepRows = {name: [] for name in TABLES}
    from_us = anchor.time_us if anchor else None
    for signals in block_signals(store, task.inputs, rig, block, from_us, silences=True):
        for name, new in builder.feed(signals).items():
            rows[name] += new
    for name in LOST_FROM:
        rows[name] = with_losses(task, rows[name])
    settled = [task.old[path] for path in past.settled] if past is not None else []
    settled += [store.write(name, rows_table(name, new, rig), key) for name, new in rows.items() if new]
    found = Found(list(settled))
    last = with_losses(task, builder.unfinished(), beyond=False)
    found.parts += [store.write(LOST_FROM[1], rows_table(LOST_FROM[1], last, rig), key)] if last else []
    single = store.read_parts([p for p in settled if p.table == "resistance"], "resistance")
    if single.num_rows:
        points = store.read_parts([p for p in settled if p.table == "resistance_points"], "resistance_points")
        together = block_rows(block, signal_units(rig)["motion"], points, single)
        found.parts.append(store.write("resistance", rows_table("resistance", together, rig), key))
    found.state = SweepState(anchor=builder.anchor or anchor, settled=tuple(p.path for p in settled))
    return found


def sweep_settings(block: SweepBlock, rig: RigConfig) -> SweepSettings:
    """How the sweeps of a block are measured on a rig."""
    low, high = (end.value for end in block.resistance_between)
    middle = 0.5 * (low + high)
    beyond = tuple(end.value for end in block.stops_beyond) if block.stops_beyond else (middle, middle)
    return SweepSettings(
        inner=(low, high),
        usable_load=block.usable_load.value,
        stops_beyond=(beyond[0], beyond[1]),
        dead_band=block.speed_dead_band_per_s,
        breakaway_within=block.breakaway_within.value if block.breakaway_within else 0.1 * (high - low),
        weights=gaussian_weights(block.lowpass, rig.time.sample_rate),
    )


class SweepBuilder:
    """Takes signals batch by batch and gives rows of the tables.

    Parameters
    ----------
    ends_us : sequence of int
        Times before which a log ended, and its clock with it: what ends there lacks nothing.
    """

    def __init__(
        self, block: SweepBlock, rig: RigConfig, anchor: Anchor | None = None, ends_us: Sequence[int] = ()
    ) -> None:
        self._ends_us = np.asarray(sorted(ends_us), np.int64)
        self._block = block
        self._rig = rig
        self._settings = sweep_settings(block, rig)
        self._cut = cut_between(block, rig, block.low.value, block.high.value)
        self._standing = resumed(anchor, self._cut) if anchor else beginning(self._cut)
        self._count = anchor.closed if anchor else 0

    @property
    def anchor(self) -> Anchor | None:
        """Where to go on another night."""
        return anchor_of(self._standing, self._count)

    def feed(self, new: Signals) -> SweepRows:
        """Rows of the sweeps that end in these samples."""
        pieces, self._standing = cut_batch(new, self._cut, self._standing)
        rows: SweepRows = {name: [] for name in TABLES}
        for piece in pieces:
            for found in self._rows(piece):
                for name, more in found.items():
                    rows[name] += more
        return rows

    def unfinished(self) -> list[dict[str, Any]]:
        """What there is of the sweep in which the samples end; it may go on."""
        pieces = end_of_log(self._cut, self._standing)
        return list(self._incomplete(pieces, np.full(pieces.count, self._count))) if pieces is not None else []

    def _rows(self, pieces: Pieces) -> Iterator[SweepRows]:
        number = self._count + np.cumsum(pieces.closed)
        yield {"incomplete_sweeps": list(self._incomplete(pieces, number))}
        self._count += int(pieces.closed.sum())
        keep = np.flatnonzero(pieces.closed & (pieces.samples >= self._block.least_samples))
        if not keep.size:
            return
        signals, first, end = pieces.signals, pieces.first[keep], pieces.end[keep]
        loops = measure_loops(
            signals.time_us, signals.load, signals.motion, signals.temperature,
            first, end, pieces.start_part[keep], pieces.end_part[keep], 0.2, 0.8, UNSMOOTHED,
        )  # fmt: skip
        for k, at in enumerate(keep):
            loop = {name: float(loops[k, place]) for name, place in FIELD.items()}
            yield self._sweep(int(number[at]), int(pieces.samples[at]), signals.part(int(first[k]), int(end[k])), loop)

    def _incomplete(self, pieces: Pieces, number: NDArray[np.int64]) -> Iterator[dict[str, Any]]:
        """Rows of what begins and does not come back, and of what has a gap."""
        for at in np.flatnonzero(~pieces.between).tolist():
            first, end = int(pieces.first[at]), int(pieces.end[at])
            own = pieces.signals.part(first, end)
            time_s = (own.time_us - own.time_us[0]) * 1e-6
            longest_s = 1e-6 * int(own.silence_us[1:].max(initial=0))  # in another mode nothing is missing
            gap = longest_s > self._rig.time.gap_s
            if pieces.closed[at] and not gap:
                continue
            load, motion = own.load.astype(np.float64), own.motion.astype(np.float64)
            left = surviving_peaks(time_s, load, motion, self._settings, self._rig.time.gap_s)
            yield {
                "block": self._block.name, "after_sweep": int(number[at]), "start_us": int(own.time_us[0]),
                "duration_s": float(time_s[-1]), "samples": len(own),
                "broken_off": gap or (not pieces.closed[at] and self._breaks_off(pieces.signals, end)),
                "longest_step_s": longest_s, "stuck_rows": stuck_rows(own, still=False),
                **{f"resistance_{way}": one.value for way, one in left.items()},
                **{f"resistance_{way}_u": one.u for way, one in left.items()},
            }  # fmt: skip

    def _breaks_off(self, signals: Signals, end: int) -> bool:
        """Whether samples are missing before the one at ``end``: neither the log's end, a restart nor a stop."""
        if end >= len(signals) or not signals.silence_us[end] > self._cut.break_us:
            return False
        ended = np.searchsorted(self._ends_us, signals.time_us[end - 1 : end + 1], "right")
        return bool(ended[0] == ended[1])

    def _sweep(self, number: int, samples: int, own: Signals, loop: dict[str, float]) -> SweepRows:
        row = {
            "block": self._block.name, "sweep": number,
            "start_us": int(own.time_us[0]) + round(loop["start_offset_s"] * 1e6),
            "period_s": loop["period_s"], "samples": samples,
            "motion_min": loop["motion_min"], "motion_max": loop["motion_max"], "temperature_c": loop["temperature_c"],
            "stuck_rows": stuck_rows(own, still=False),
        }  # fmt: skip
        gapped = loop["longest_step_s"] > self._rig.time.gap_s
        if gapped or loop["peak_load"] == loop["valley_load"]:  # a load cell that shows nothing
            return {"sweeps": [{**row, "remark": NOT_MEASURED}]}
        temperature = own.temperature.astype(np.float64) if own.temperature.size else np.full(len(own), np.nan)
        time_s = (own.time_us - own.time_us[0]) * 1e-6
        load, motion = own.load.astype(np.float64), own.motion.astype(np.float64)
        result = measure_sweep(time_s, load, motion, temperature, self._settings)
        energy = loop["energy"] * ENERGY_FACTOR[self._rig.load_quantity]
        unit = signal_units(self._rig)["motion"]
        points = [p for way in SIGN for p in self._points(number, way, result)]
        return {
            "sweeps": [{**row, "energy_j": energy, **_measures(result)}],
            "resistance": resistance_rows(self._block, number, unit, _points_of(result), _breaking(result)),
            "resistance_points": points,
        }

    def _points(self, number: int, way: Direction, result: SweepResult) -> Iterator[dict[str, Any]]:
        found = result.directions[way]
        columns = (found.motion, found.speed, found.load, found.temperature, found.count)
        for motion, speed, load, warm, count in zip(*(c.tolist() for c in columns), strict=True):
            yield {
                "block": self._block.name, "sweep": number, "direction": way, "motion": motion, "speed": speed,
                "load": load, "temperature_c": warm, "samples": count,
            }  # fmt: skip


def _points_of(result: SweepResult) -> Points:
    ways = [result.directions[way] for way in SIGN]
    columns = ([getattr(w, name) for w in ways] for name in ("speed", "load", "temperature", "count"))
    return Points(*(np.concatenate(c).astype(np.float64) for c in columns))


def _breaking(result: SweepResult) -> dict[Direction, Estimate]:
    return {way: Estimate(found.breakaway, found.breakaway_u) for way, found in result.directions.items()}


def _measures(result: SweepResult) -> dict[str, Any]:
    """Columns of the sweeps table; NaN becomes null."""
    span = range_of_motion(result.lower, result.upper)
    there, back = result.directions["forward"], result.directions["back"]
    return {
        **_stop("lower", result.lower), **_stop("upper", result.upper),
        "range_of_motion": span.value, "range_of_motion_u": _half(span, span.value), "range_of_motion_dof": span.dof,
        "usable_range": result.usable.value, "usable_range_u": result.usable.u,
        "backlash": result.backlash.value, "backlash_u": _half(result.backlash, result.backlash.value),
        "resistance_forward": there.peak, "resistance_forward_u": there.peak_u,
        "resistance_back": back.peak, "resistance_back_u": back.peak_u,
        "asymmetry": result.asymmetry.value, "asymmetry_u": result.asymmetry.u,
        "remark": "; ".join(result.remarks) or None,
    }  # fmt: skip


def _stop(side: str, found: BreakpointResult) -> dict[str, float]:
    known = found.converged
    return {
        f"{side}_stop": found.position if known else np.nan,
        f"{side}_stop_u": _half(found),
        f"{side}_stop_dof": found.dof if known else np.nan,
    }


def _half(found: BreakpointResult | SpanResult, value: float = np.nan) -> float:
    """Standard uncertainty: half of the wider side of the 95 % interval."""
    if not found.converged:
        return np.nan
    value = found.position if isinstance(found, BreakpointResult) else value
    return 0.5 * max(found.high - value, value - found.low)
