"""Bins of a run, made a day at a time: what all trends, events and forecasts are computed from.

A day enters as a whole, when the log has gone past its end, or when the block is complete. So a run that is
processed night by night has the same bins, to the last bit, as one processed at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.drift.watched import DAY_US, CycleColumns, DriftBlock
from benchpipe.kernels.day_bins import bin_figures, time_bins
from benchpipe.kernels.thermometer import AROUND, LEAST_BESIDE, thermometer_faults

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]
State = dict[str, Any]

TAIL = ("tail_s", "tail_c")
TEMPERATURE_CELLS = 6
"""Cells of temperature in a bin: a lag of 10 min still shows in hourly bins."""


def _none() -> Indices:
    return np.zeros(0, np.int64)


def _empty() -> Floats:
    return np.zeros(0)


@dataclass(frozen=True, eq=False)
class RunBins:
    """Bins of k stretches of time, of q measures in the order of ``measures``.

    ``index``: time // width. ``first``, ``last``: cycles. ``start_s``, ``end_s``: from the first cycle's start to
    the last one's end. ``cycles``: how many there are in the bin. ``frequency_hz``: of the median period. ``count``,
    ``mean``, ``median``, ``scatter``: (q, k). ``trusted``: (k,) the thermometer can be believed there.
    ``cell_s``, ``cell_c``: temperature in finer cells. ``jumps_s``: where the thermometer jumped. ``day`` is the
    last that is in (days since the epoch). ``tail_s``, ``tail_c``: its last readings, with which the next day compares.
    """

    measures: tuple[str, ...]
    width_s: float
    index: Indices = field(default_factory=_none)
    first: Indices = field(default_factory=_none)
    last: Indices = field(default_factory=_none)
    start_s: Floats = field(default_factory=_empty)
    end_s: Floats = field(default_factory=_empty)
    cycles: Indices = field(default_factory=_none)
    frequency_hz: Floats = field(default_factory=_empty)
    count: NDArray[np.float64] = field(default_factory=_empty)
    mean: Floats = field(default_factory=_empty)
    median: Floats = field(default_factory=_empty)
    scatter: Floats = field(default_factory=_empty)
    trusted: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, bool))
    cell_s: Floats = field(default_factory=_empty)
    cell_c: Floats = field(default_factory=_empty)
    jumps_s: Floats = field(default_factory=_empty)
    faults: tuple[str, ...] = ()
    day: int = -1
    tail_s: Floats = field(default_factory=_empty)
    tail_c: Floats = field(default_factory=_empty)

    def joined(self, other: RunBins) -> RunBins:
        """These bins and those of a later day."""
        made = {}
        for part in fields(self):
            old, new = getattr(self, part.name), getattr(other, part.name)
            if part.name in TAIL:
                made[part.name] = new
            elif isinstance(old, np.ndarray):
                made[part.name] = new if not old.size else np.concatenate([old, new], axis=-1)
        return RunBins(self.measures, self.width_s, **made, faults=self.faults + other.faults, day=other.day)

    def to_json(self) -> State:
        """As lists; floats come back to the last bit."""
        return {
            part.name: v.tolist() if isinstance(v := getattr(self, part.name), np.ndarray) else v
            for part in fields(self)
        }

    @classmethod
    def from_json(cls, state: Mapping[str, Any]) -> RunBins:
        """What `to_json` gave."""
        empty = cls((), 1.0)
        made: dict[str, Any] = {}
        for part in fields(cls):
            v = state[part.name]
            kind = getattr(empty, part.name)
            made[part.name] = np.array(v, kind.dtype) if isinstance(kind, np.ndarray) else v
        return cls(**made | {"measures": tuple(made["measures"]), "faults": tuple(made["faults"])})


def first_wanted_us(bins: RunBins) -> int:
    """Start of the first day that is not in the bins: earlier cycles are not needed any more."""
    return (bins.day + 1) * DAY_US


def whole_days(bins: RunBins, new: CycleColumns, complete: bool) -> list[tuple[int, CycleColumns]]:
    """Days of new cycles that the log has gone past, the last one too where the block is complete."""
    begin = int(np.searchsorted(new.start_us, first_wanted_us(bins)))
    days = new.start_us[begin:] // DAY_US
    if not days.size:
        return []
    edges = [*np.flatnonzero(np.diff(days, prepend=days[0] - 1)).tolist(), days.size]
    found = [
        (int(days[a]), new.rows(begin + a, begin + b)) for a, b in pairwise(edges)
    ]  # fmt: skip
    return found if complete else found[:-1]


def day_bins(block: DriftBlock, day: int, cycles: CycleColumns, before: RunBins) -> RunBins:
    """Bins of one whole day, which follows what is in the bins ``before``."""
    bins = time_bins(cycles.start_us, block.width_us)
    period = cycles.period_s.astype(np.float64)
    figures = [bin_figures(bins, cycles.values[w.name]) for w in block.watched]
    usual = np.array([_median(period[a : b + 1]) for a, b in zip(bins.first, bins.last, strict=True)])
    last_period = np.where(np.isfinite(period[bins.last]), period[bins.last], np.nan_to_num(usual))
    cell_s, cell_c, trusted, jumps, faults = _temperature(block, cycles, bins.index)
    overnight, *tail = _overnight(cycles, before)
    return RunBins(
        tuple(w.name for w in block.watched),
        block.width_us / 1e6,
        bins.index,
        cycles.cycle[bins.first],
        cycles.cycle[bins.last],
        cycles.start_us[bins.first] / 1e6,
        cycles.start_us[bins.last] / 1e6 + last_period,
        bins.last - bins.first + 1,
        1 / usual,
        np.array([f.count for f in figures], np.float64),
        np.array([f.mean for f in figures]),
        np.array([f.median for f in figures]),
        np.array([f.scatter for f in figures]),
        trusted,
        cell_s,
        cell_c,
        np.concatenate([overnight, jumps]),
        faults,
        day,
        *tail,
    )


def _overnight(cycles: CycleColumns, before: RunBins) -> tuple[Floats, Floats, Floats]:
    """Where the thermometer jumped too near to the day's border for one day to see it, and the last readings."""
    if cycles.temperature_c is None:
        return _empty(), _empty(), _empty()
    t, x = cycles.start_us / 1e6, cycles.temperature_c.astype(np.float64)
    near_s, near_c = np.concatenate([before.tail_s, t[:AROUND]]), np.concatenate([before.tail_c, x[:AROUND]])
    k = before.tail_s.size
    jumps = thermometer_faults(near_s, near_c, (0, near_s.size - 1), (0, near_s.size - 1)).jumps if k else ()
    seen = [i for i in jumps if k - LEAST_BESIDE < i < k + LEAST_BESIDE]
    return near_s[seen], t[-AROUND:], x[-AROUND:]


def _median(values: Floats) -> float:
    good = values[np.isfinite(values)]
    return float(np.median(good)) if good.size else float("nan")


def _temperature(
    block: DriftBlock, cycles: CycleColumns, index: Indices
) -> tuple[Floats, Floats, NDArray[np.bool_], Floats, tuple[str, ...]]:
    """Cells of temperature, which bins can trust it, where it jumped, what is wrong with it."""
    if cycles.temperature_c is None:
        return _empty(), _empty(), np.zeros(index.size, bool), _empty(), ()
    t, x = cycles.start_us / 1e6, cycles.temperature_c
    cells = time_bins(cycles.start_us, max(block.width_us // TEMPERATURE_CELLS, 1))
    middle = np.array([_median(x[a : b + 1].astype(np.float64)) for a, b in zip(cells.first, cells.last, strict=True)])
    at = (t[cells.first] + t[cells.last]) / 2
    known = np.isfinite(middle)
    span = (0, t.size - 1)
    found = thermometer_faults(t, x, span, span)
    if found.fault:
        # Not one of the day's readings is used: when it stuck is not known to the cycle.
        return _empty(), _empty(), np.zeros(index.size, bool), _empty(), (found.fault,)
    trusted = np.isin(index, cycles.start_us[cells.first[known]] // block.width_us)
    return at[known], middle[known], trusted, t[list(found.jumps)], ()
