"""Signals → rows of the holds and creep_points tables."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from benchpipe.config.plan import HoldBlock
from benchpipe.config.rig import RigConfig
from benchpipe.kernels.holds import (
    COUNT,
    FRESH_HOLD,
    LOAD,
    LOAD2,
    MOTION,
    MOTION2,
    N_TEMPERATURE,
    TEMPERATURE,
    TIME,
    HoldState,
    fresh_bins,
    scan_hold,
)
from benchpipe.process.found import Found
from benchpipe.process.signals import Signals, block_signals, signal_units
from benchpipe.store.run_store import RunStore
from benchpipe.store.samples import SampleInput
from benchpipe.tables import schema

if TYPE_CHECKING:
    from benchpipe.kernels.creep_choice import Estimate
    from benchpipe.kernels.creep_fit import CreepResult

PATIENCE_S = 1.0  # a load outside its band for longer ends the hold
HOUR_S = 3600.0
LEAST_LEAK = 0.05  # a leak that makes a smaller part of the creep is given, and not named
BACKWARDS = "moves against the load at the end: temperature or the channel, no leak"
Floats = NDArray[np.float64]


@dataclass
class HoldRows:
    """Rows of both tables, as they are found."""

    holds: list[dict[str, Any]] = field(default_factory=list)
    points: list[dict[str, Any]] = field(default_factory=list)


def hold_block(rig: RigConfig, store: RunStore, block: HoldBlock, inputs: list[SampleInput], key: str) -> Found:
    """Measure the holds of a block."""
    builder = HoldBuilder(block, rig)
    for signals in block_signals(store, inputs, rig, block):
        builder.feed(signals)
    rows = builder.finish()
    found = Found()
    for table, content in (("holds", rows.holds), ("creep_points", rows.points)):
        if content:
            found.parts.append(store.write(table, rows_table(table, content, rig), key))
    return found


class HoldBuilder:
    """Takes signals batch by batch and collects holds."""

    def __init__(self, block: HoldBlock, rig: RigConfig) -> None:
        self._block = block
        self._gap_us = round(1e6 * max(rig.time.gap_s, PATIENCE_S))
        self._tolerance = block.tolerance * abs(block.load.value)
        self._state: HoldState = FRESH_HOLD
        self._bins = fresh_bins()
        self._count = 0
        self._rows = HoldRows()

    def feed(self, new: Signals) -> None:
        """Take samples; holds that end in them are measured."""
        position = 0
        while position < len(new):
            position, self._state = scan_hold(
                new.time_us, new.load, new.motion, new.temperature, position, self._block.load.value,
                self._tolerance, round(1e6 * PATIENCE_S), self._gap_us, self._state, self._bins,
            )  # fmt: skip
            if not self._state.inside and self._state.start_us >= 0:
                self._measure(complete=True)
                self._state, self._bins = FRESH_HOLD, fresh_bins()

    def finish(self) -> HoldRows:
        """All rows, with that of a hold in which the log ends."""
        if self._state.inside:
            self._measure(complete=False)
        return self._rows

    def _measure(self, *, complete: bool) -> None:
        duration = (self._state.last_in_us - self._state.start_us) * 1e-6
        if duration < self._block.least_time:
            return
        self._count += 1
        ramp_s = (self._state.start_us - self._state.foot_us) * 1e-6 if self._state.foot_us >= 0 else np.nan
        skip = self._block.skip_ramps * ramp_s if np.isfinite(ramp_s) else 0.0
        curve = creep_curve(self._bins, min(skip, 0.1 * duration))
        fit = curve.fit(duration, self._block.report_at)
        self._rows.holds.append(self._hold_row(self._bins, duration, ramp_s, fit, complete=complete))
        self._rows.points += self._point_rows(curve, fit)

    def _hold_row(
        self, bins: Floats, duration: float, ramp_s: float, fit: CreepResult, *, complete: bool
    ) -> dict[str, Any]:
        count = bins[:, COUNT].sum()
        load = bins[:, LOAD].sum() / count
        variance = max(bins[:, LOAD2].sum() / count - load * load, 0.0)
        temperature = _ratio(bins[:, TEMPERATURE], bins[:, N_TEMPERATURE])
        known = temperature[np.isfinite(temperature)]
        kind, said = _kind(fit, duration, np.sign(self._block.load.value))
        return {
            "block": self._block.name,
            "hold": self._count,
            "start_us": self._state.start_us,
            "duration_s": duration,
            "complete": complete,
            "samples": int(count),
            "ramp_s": ramp_s,
            "load_mean": self._state.origin_load + load,
            "load_sd": float(np.sqrt(variance)),
            "temperature_c": _ratio(bins[:, TEMPERATURE].sum(), bins[:, N_TEMPERATURE].sum()).item(),
            "temperature_range_c": float(np.ptp(known)) if known.size else np.nan,
            "elastic_motion": self._elastic(self._state.origin_load + load),
            "kind": kind,
            "law": fit.law,
            "creep_end": fit.creep_end.value,
            "creep_end_u": _u(fit.creep_end),
            "creep_bound": fit.upper_bound,
            "rate_end_per_h": fit.end_rate.value * HOUR_S,
            "rate_end_u_per_h": _u(fit.end_rate) * HOUR_S,
            "leak_per_h": fit.leak.value * HOUR_S,
            "leak_u_per_h": _u(fit.leak) * HOUR_S,
            "remark": "; ".join([*fit.remarks, *said]) or None,
        }

    def _elastic(self, load: float) -> float:
        """Motion of the ramp from its foot into the band, in proportion to the whole load."""
        state = self._state
        part = state.origin_load - state.foot_load
        return (state.origin_motion - state.foot_motion) * load / part if part else np.nan

    def _point_rows(self, curve: CreepCurve, fit: CreepResult) -> list[dict[str, Any]]:
        base = {"block": self._block.name, "hold": self._count}
        origin = self._state.origin_motion
        rows = [
            {**base, "kind": "curve", "time_s": t, "samples": int(n), "motion": origin + m, "creep": c, "creep_u": u}
            for t, n, m, c, u in zip(curve.time, curve.count, curve.motion, curve.creep, curve.u, strict=True)
        ]
        for at in fit.creep_at:
            kind = "projected" if at.beyond else "asked"
            motion = origin + fit.elastic.value + at.creep.value
            row = {**base, "kind": kind, "time_s": at.time_s, "samples": 0, "motion": motion}
            rows.append({**row, "creep": at.creep.value, "creep_u": _u(at.creep)})
        return rows


def _kind(fit: CreepResult, duration_s: float, way: float) -> tuple[str, list[str]]:
    """The hold in plain words. A leak is named only where it is sure, goes the load's way, and matters."""
    if fit.kind != "both":
        return fit.kind, []
    if not fit.leak.told_from_zero:
        return "settling", []
    if fit.leak.value * way < 0:
        return "settling", [BACKWARDS]
    if abs(fit.leak.value) * duration_s < LEAST_LEAK * abs(fit.creep_end.value):
        return "settling", []
    return "both", []


def _u(estimate: Estimate) -> float:
    """Standard uncertainty: half of the wider side of the 95 % interval."""
    return 0.5 * max(estimate.high - estimate.value, estimate.value - estimate.low)


@dataclass(frozen=True)
class CreepCurve:
    """Log-spaced averages of a hold. Motion is from the motion at time zero.

    Attributes
    ----------
    time : float64 array, shape (n,)
        Mean time of each average [s].
    motion, creep, u : float64 arrays, shape (n,)
        Mean motion; motion since the first average after the ramp part; its standard uncertainty.
    count : float64 array, shape (n,)
    """

    time: Floats
    motion: Floats
    creep: Floats
    u: Floats
    count: Floats

    def fit(self, end_s: float, asked_s: tuple[float, ...]) -> CreepResult:
        """Creep laws fitted to the averages after the ramp part."""
        from benchpipe.kernels.creep_fit import fit_creep

        after = np.isfinite(self.creep)
        return fit_creep(self.time[after], self.motion[after], self.count[after], end_s=end_s, asked_s=asked_s)


def creep_curve(bins: Floats, skip_s: float) -> CreepCurve:
    """Averages of the filled bins; creep counts from the first one after ``skip_s``."""
    bins = bins[bins[:, COUNT] > 0]
    n = bins[:, COUNT]
    time, motion = bins[:, TIME] / n, bins[:, MOTION] / n
    spread = np.maximum(bins[:, MOTION2] / n - motion * motion, 0.0)
    within = np.sqrt(np.median(spread[n > 1])) if (n > 1).any() else 0.0
    after = time >= max(skip_s, np.finfo(float).tiny)
    creep, u = np.full(len(n), np.nan), np.full(len(n), np.nan)
    if after.any():
        first = int(np.flatnonzero(after)[0])
        creep[after] = motion[after] - motion[first]
        u[after] = within * np.sqrt(1.0 / n[after] + 1.0 / n[first])
    return CreepCurve(time, motion, creep, u, n)


def _ratio(top: Any, bottom: Any) -> Floats:
    top, bottom = np.asarray(top, float), np.asarray(bottom, float)
    out: Floats = np.full(top.shape, np.nan)
    np.divide(top, bottom, out=out, where=bottom > 0)
    return out


def rows_table(table: str, rows: list[dict[str, Any]], rig: RigConfig) -> pa.Table:
    """Rows → Arrow; NaN becomes null."""
    plain = [{k: None if isinstance(v, float) and not np.isfinite(v) else v for k, v in r.items()} for r in rows]
    return pa.Table.from_pylist(plain, schema=schema(table, signal_units(rig)))
