"""Signals → rows of the holds and creep_points tables."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

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
from benchpipe.kernels.lines import straight_line
from benchpipe.process.signals import Signals, signal_units
from benchpipe.tables import schema

PATIENCE_S = 1.0  # a load outside its band for longer ends the hold
LEAST_POINTS = 4
Floats = NDArray[np.float64]


@dataclass
class HoldRows:
    """Rows of both tables, as they are found."""

    holds: list[dict[str, Any]] = field(default_factory=list)
    points: list[dict[str, Any]] = field(default_factory=list)


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
        row = self._hold_row(self._bins, duration, ramp_s, curve, complete=complete)
        self._rows.holds.append(row)
        self._rows.points += self._point_rows(curve, duration)

    def _hold_row(
        self, bins: Floats, duration: float, ramp_s: float, curve: CreepCurve, *, complete: bool
    ) -> dict[str, Any]:
        count = bins[:, COUNT].sum()
        load = bins[:, LOAD].sum() / count
        variance = max(bins[:, LOAD2].sum() / count - load * load, 0.0)
        temperature = _ratio(bins[:, TEMPERATURE], bins[:, N_TEMPERATURE])
        known = temperature[np.isfinite(temperature)]
        rate, rate_u = curve.rate_at_end()
        end, end_u = curve.at(duration)
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
            "elastic_motion": self._state.origin_motion - self._state.foot_motion,
            "creep_end": end,
            "creep_end_u": end_u,
            "rate_end_per_h": rate,
            "rate_end_u_per_h": rate_u,
        }

    def _point_rows(self, curve: CreepCurve, duration: float) -> list[dict[str, Any]]:
        base = {"block": self._block.name, "hold": self._count}
        motion = self._state.origin_motion + curve.motion
        rows = [
            {**base, "kind": "curve", "time_s": t, "samples": int(n), "motion": m, "creep": c, "creep_u": u}
            for t, n, m, c, u in zip(curve.time, curve.count, motion, curve.creep, curve.u, strict=True)
        ]
        for asked in self._block.report_at:
            if asked <= duration:
                creep, u = curve.at(asked)
                at = float(np.interp(asked, curve.time, motion)) if curve.time.size else np.nan
                row = {**base, "kind": "asked", "time_s": asked, "samples": 0, "motion": at, "creep": creep}
                rows.append({**row, "creep_u": u})
        return rows


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

    def at(self, time_s: float) -> tuple[float, float]:
        """Creep at a time, interpolated between averages, and its standard uncertainty; NaN where unknown."""
        usable = np.isfinite(self.creep)
        if usable.sum() < LEAST_POINTS or time_s < self.time[usable][0]:
            return float("nan"), float("nan")
        time = self.time[usable]
        return float(np.interp(time_s, time, self.creep[usable])), float(np.interp(time_s, time, self.u[usable]))

    def rate_at_end(self) -> tuple[float, float]:
        """Slope over the last half of the hold [motion/h], and its standard uncertainty."""
        usable = np.isfinite(self.creep)
        if not usable.any():
            return float("nan"), float("nan")
        late = usable & (self.time >= 0.5 * self.time[usable][-1])
        if late.sum() < LEAST_POINTS:
            return float("nan"), float("nan")
        line = straight_line(self.time[late], self.creep[late], self.count[late])
        return line.slope * 3600.0, float(np.sqrt(line.var_slope)) * 3600.0


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
    return np.divide(top, bottom, out=np.full(top.shape, np.nan), where=bottom > 0)


def rows_table(table: str, rows: list[dict[str, Any]], rig: RigConfig) -> pa.Table:
    """Rows → Arrow; NaN becomes null."""
    plain = [{k: None if isinstance(v, float) and not np.isfinite(v) else v for k, v in r.items()} for r in rows]
    return pa.Table.from_pylist(plain, schema=schema(table, signal_units(rig)))
