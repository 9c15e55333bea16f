"""What a look sees: bins of up to 300 stretches, relative levels, lagged temperature, and which bins are separable."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

import numpy as np
from numpy.typing import NDArray

from benchpipe.drift.bins import RunBins
from benchpipe.drift.watched import DriftBlock
from benchpipe.kernels.swings import count_swings
from benchpipe.kernels.temperature_change import BEYOND, FEWEST_SWINGS, LEAST_SWING_K, SWING_PART
from benchpipe.kernels.temperature_lag import temperature_series

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]
Mask = NDArray[np.bool_]

MOST_BINS = 300
"""Bins of a look: neighbours are merged in pairs until so few are left. Slow noise, not their number, limits what is
seen, and the time of a look grows with their square."""
FEWEST_BINS = 40
"""Bins below which a look says nothing: noise, run-in and temperature need about ten of them."""
LAGS_S = (0.0, 900.0, 1800.0, 3600.0, 7200.0, 10800.0, 14400.0)
"""Lags of the specimen behind the thermometer that are tried; one between two leaves less than a tenth of a swing."""
LEAST_COUNT = 0.25
"""A bin with less than this part of a measure's usual count is left out of it."""
MOST_JUMPS = 5
"""A thermometer that jumped more often is not used: with a step for each jump nothing would be learnt, and without
one the specimen would seem to step."""
LEAST_TRUSTED = 0.5
"""Part of the bins that must have a temperature; below, the daily swing is fitted without one."""


@dataclass(frozen=True, eq=False)
class History:
    """k bins of q measures at a day's border.

    ``level`` (q, k): mean less that of the first day, over the scale; ``scatter`` (q, k): logarithm of the scatter
    over its middle one; NaN where missing. ``scale`` and ``reference`` (q,) in the unit of the measure.
    ``temperature`` (l, k): behind each lag, less its mean; l = 0 where none can be used. ``learnt``: lowest and
    highest temperature [°C] that the coefficient is known for (NaN: the temperature has not been there and back
    twice). ``separable`` (k,): inside that range and trusted. ``factor`` bins were merged into one.
    """

    day: int
    factor: int
    width_s: float
    start_s: Floats
    end_s: Floats
    first: Indices
    last: Indices
    weight: Floats
    frequency_hz: Floats
    level: Floats
    scatter: Floats
    scale: Floats
    reference: Floats
    temperature: Floats
    air_c: Floats
    learnt: tuple[float, float]
    swings: float
    separable: Mask
    jumps_s: Floats

    @property
    def middle_s(self) -> Floats:
        """Middle time of each bin [s]."""
        return (self.start_s + self.end_s) / 2

    @property
    def cycle(self) -> Floats:
        """Middle cycle of each bin."""
        return (self.first + self.last) / 2.0

    @property
    def hour_s(self) -> float:
        """An hour; a bin in short tests, whose bins count as hours."""
        return min(self.width_s, 3600.0)

    def time_of(self, cycle: float) -> float:
        """Time at which a cycle began [s], between the bins' own cycles and times."""
        at = np.column_stack([self.first - 0.5, self.last + 0.5]).ravel()
        return float(np.interp(cycle, at, np.column_stack([self.start_s, self.end_s]).ravel()))

    def cycle_at(self, time_s: float) -> float:
        """Cycle that began at a time."""
        times = np.column_stack([self.start_s, self.end_s]).ravel()
        return float(np.interp(time_s, times, np.column_stack([self.first - 0.5, self.last + 0.5]).ravel()))


def scales(block: DriftBlock, bins: RunBins) -> tuple[Floats, Floats]:
    """Scale and reference of each measure: from the first day that it has values, so that later nights do not move
    them."""
    day = 86400.0 / bins.width_s
    middle = np.full(bins.mean.shape[0], np.nan)
    for i, row in enumerate(bins.mean):
        known = np.flatnonzero(np.isfinite(row))
        if known.size:
            middle[i] = np.median(row[known[bins.index[known] < bins.index[known[0]] + day]])
    place = {name: i for i, name in enumerate(bins.measures)}
    whose = [place.get(w.scale_by or w.name, i) for i, w in enumerate(block.watched)]
    scale = np.abs(middle[whose])
    return np.where(scale > 0, scale, np.nan), middle


def _row_medians(table: Floats) -> Floats:
    """Median of the finite values of each row; NaN where there are none."""
    made = np.full(table.shape[0], np.nan)
    for i, row in enumerate(table):
        good = row[np.isfinite(row)]
        if good.size:
            made[i] = np.median(good)
    return made


def history_of(block: DriftBlock, bins: RunBins, most: int = MOST_BINS) -> History:
    """Merge bins and prepare what is fitted to them."""
    factor = 1
    while np.unique(bins.index // factor).size > most:
        factor *= 2
    edges = np.flatnonzero(np.diff(bins.index // factor, prepend=-1))
    ends = np.append(edges[1:], bins.index.size) - 1
    scale, reference = scales(block, bins)
    count = np.add.reduceat(bins.count, edges, axis=1)
    known = np.where(np.isfinite(bins.mean), bins.count, 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.add.reduceat(known * np.nan_to_num(bins.mean), edges, axis=1) / np.add.reduceat(known, edges, axis=1)
        level = (mean - reference[:, None]) / scale[:, None]
        log = np.log(bins.scatter)
    log[~np.isfinite(log)] = np.nan
    log = log - _row_medians(log)[:, None]
    held = np.isfinite(log)
    with np.errstate(invalid="ignore", divide="ignore"):
        scatter = np.add.reduceat(np.where(held, log, 0.0), edges, axis=1) / np.add.reduceat(
            held.astype(float), edges, axis=1
        )
    usual = _row_medians(np.where(count > 0, count, np.nan))
    few = ~(count >= LEAST_COUNT * usual[:, None])
    level[few], scatter[few] = np.nan, np.nan
    start, end = bins.start_s[edges], bins.end_s[ends]
    cycles = np.add.reduceat(bins.cycles, edges).astype(np.float64)
    trusted = np.add.reduceat(bins.trusted.astype(int), edges) == ends - edges + 1
    air, temperature, learnt, swings = _temperature(bins, start, end, trusted)
    separable = np.ones(edges.size, bool)
    if temperature.shape[0]:
        separable = trusted & ~((air < learnt[0]) | (air > learnt[1]))
    return History(
        bins.day, factor, bins.width_s * factor, start, end, bins.first[edges], bins.last[ends],
        cycles / cycles.mean(), bins.frequency_hz[edges], level, scatter, scale, reference, temperature, air,
        learnt, swings, separable, bins.jumps_s,
    )  # fmt: skip


def _temperature(
    bins: RunBins, start_s: Floats, end_s: Floats, trusted: Mask
) -> tuple[Floats, Floats, tuple[float, float], float]:
    """Thermometer's mean in each bin, behind each lag, the range a coefficient is learnt in, and swings."""
    nothing = (np.full(start_s.size, np.nan), np.zeros((0, start_s.size)), (np.nan, np.nan), 0.0)
    if bins.cell_s.size < 10 or trusted.mean() < LEAST_TRUSTED or bins.jumps_s.size > MOST_JUMPS:
        return nothing
    lags = np.array(LAGS_S)
    lags = lags[lags <= (end_s[-1] - start_s[0]) / 10]
    found = temperature_series(bins.cell_s, bins.cell_c).behind(lags)
    made = found.mean(start_s, end_s)
    air = made[0]
    known = air[trusted]
    span = float(np.ptp(known))
    counted = count_swings(known, max(SWING_PART * span, LEAST_SWING_K), LEAST_SWING_K)
    low, high = counted.low, counted.high
    if counted.swings >= FEWEST_SWINGS and isfinite(low) and isfinite(high):
        beyond = BEYOND * (high - low)
        learnt = (low - beyond, high + beyond)
    else:
        learnt = (np.nan, np.nan)
    return air, made - made.mean(axis=1, keepdims=True), learnt, counted.swings
