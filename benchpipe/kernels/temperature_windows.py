"""Two windows of a history beside its regression: their temperatures, and the noise inside bins."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.history_bins import HistoryBins, history_bins, like_windows, window_weights
from benchpipe.kernels.temperature_lag import LaggedTemperature, temperature_series
from benchpipe.kernels.temperature_regression import HistoryFit, HistoryRegression

Floats = NDArray[np.float64]
Readings = NDArray[np.floating]
Span = tuple[int, int]
Statistic = Literal["median", "mean"]

LAGS_S = (0.0, *np.geomspace(60.0, 7200.0, 14).tolist())
LONGER_LAGS_S = (14400.0, 28800.0, 57600.0)
"""Tried where 7,200 s is the likeliest, up to a tenth of the history: in a shorter one wear bends as they do."""
MOST_REFINEMENTS = 5
TOLD_APART = 1.0
"""Neighbouring lags whose likelihood differs by more (in its logarithm) leave room for others between them."""
RULED_OUT = 15.0
FEWEST_WINDOWS = 4
MOST_CYCLES = 20_000
LEAST_SWEEP_K = 0.1
"""Within less than this in a window its median is taken to hold at its mean temperature."""


@dataclass(frozen=True)
class WindowsResult:
    """Windows and history behind l lags.

    ``moved_k`` (l,): temperature of the window less that of the baseline. ``begin_k`` (l,): how uncertain
    that is because the specimen's temperature at the begin of the log is not known. ``local_variance`` and
    ``local_dof``: of the baseline's and the window's statistic about their bins. ``bin_c`` (k,) is the
    thermometer's mean in each bin, ``base_c`` and ``window_c`` that in the windows.
    """

    fit: HistoryFit
    lags_s: Floats
    moved_k: Floats
    begin_k: Floats
    local_variance: tuple[float, float]
    local_dof: tuple[float, float]
    bin_c: Floats
    base_c: float
    window_c: float


def window_statistic(value: Readings, span: Span, statistic: Statistic) -> float:
    """Median or mean of a window's finite values; NaN where there are none.

    Parameters
    ----------
    value : float array, shape (n,)
        One a cycle, in any unit.
    span : tuple of int
        First and last index; both belong to it.
    statistic : "median" or "mean"

    Returns
    -------
    float
        In the unit of the values.
    """
    part = value[span[0] : span[1] + 1].astype(np.float64)
    part = part[np.isfinite(part)]
    if not part.size:
        return float("nan")
    return float(np.median(part) if statistic == "median" else part.mean())


def compare_windows(
    time_s: Floats,
    value: Readings,
    temperature_c: Readings,
    base: Span,
    window: Span,
    ratio: float,
    statistic: Statistic,
    coefficient: float | None = None,
) -> WindowsResult:
    """Fit the history with every lag and place both windows in it.

    Parameters
    ----------
    time_s, value, temperature_c : ndarray, shape (n,)
        s, the figure over that of the baseline, °C.
    base, window : tuple of int
        First and last index.
    ratio : float
        Window over baseline: the noise of the baseline counts this many times in it.
    statistic : "median" or "mean"
    coefficient : float, optional
        The likeliest, relative per kelvin: without it the regression's own.

    Returns
    -------
    WindowsResult
        Temperatures in K and °C, variances relative to the baseline's figure squared.
    """
    bins = history_bins(time_s, value)
    finite = np.concatenate([[0], np.cumsum(np.isfinite(value))])
    spans = np.array([base, window])
    weights = window_weights(bins, finite, spans[:, 0], spans[:, 1])
    contrast = weights[1] - ratio * weights[0]
    lags, lagged, fit = _fit_lags(HistoryRegression(bins, time_s.size, contrast), bins, time_s, temperature_c)
    temperature = lagged.mean(bins.start_s, bins.end_s)
    step = float(np.median((bins.end_s - bins.start_s) / (bins.last - bins.first + 1)))
    ours = lagged.mean(time_s[spans[:, 0]] - step / 2, time_s[spans[:, 1]] + step / 2)
    best = int(np.argmax(fit.lag_weight))
    weight = fit.weight[:, :, best]
    slope = float((weight * fit.coefficient[:, :, best]).sum() / weight.sum())
    guess = slope if coefficient is None else coefficient
    moved = ours[:, 1] - ours[:, 0]
    if statistic == "median":
        moved += _median_shift(time_s, value, window, lagged, guess)
        moved -= _median_shift(time_s, value, base, lagged, guess)
    local = []
    for span in (base, window):
        ends, length = like_windows(bins, *span)
        starts = ends - length + 1
        there = lagged.mean(time_s[starts] - step / 2, time_s[ends] + step / 2)[best]
        shares = window_weights(bins, finite, starts, ends)
        expected = shares @ (bins.mean - slope * temperature[best]) + slope * there
        found = _statistics(value, starts, length, statistic)
        local.append(_local_variance(found - expected, length, span, value))
    return WindowsResult(
        fit,
        lags,
        moved,
        lagged.begin_u * _since_begin(bins, time_s, base, window, lags),
        (local[0][0] * ratio**2, local[1][0]),
        (local[0][1], local[1][1]),
        temperature[0],
        float(ours[0, 0]),
        float(ours[0, 1]),
    )


def _median_shift(time_s: Floats, value: Readings, span: Span, lagged: LaggedTemperature, slope: float) -> Floats:
    """Temperature at which the median of a window holds, less its mean temperature, shape (l,).

    Where the temperature sweeps, the median of values is not the value at the mean temperature: the median of
    values that are corrected cycle by cycle says by how much.
    """
    first, last = span
    step = max(1, (last - first + 1) // MOST_CYCLES)
    y, t = value[first : last + 1 : step].astype(np.float64), time_s[first : last + 1 : step]
    good = np.isfinite(y)
    y, t = y[good], t[good]
    shifts = np.zeros(lagged.lags_s.size)
    for k, row in enumerate(lagged.temperature):
        there = np.interp(t, lagged.grid_s, row)
        there -= there.mean()
        if np.ptp(there) * abs(slope) > 0 and np.ptp(there) > LEAST_SWEEP_K:
            shifts[k] = (np.median(y) - np.median(y - slope * there)) / slope
    return shifts


def _statistics(value: Readings, starts: NDArray[np.int64], length: int, statistic: Statistic) -> Floats:
    """Statistic of windows of one length; NaN where one has no value."""
    parts = value[starts[:, None] + np.arange(length)[None, :]].astype(np.float64)
    if np.isfinite(parts).all():
        return np.asarray(np.median(parts, axis=1) if statistic == "median" else parts.mean(axis=1))
    return np.array([window_statistic(row, (0, length - 1), statistic) for row in parts])


def _fit_lags(
    regression: HistoryRegression, bins: HistoryBins, time_s: Floats, temperature_c: Readings
) -> tuple[Floats, LaggedTemperature, HistoryFit]:
    """Fit the history with lags as close to one another as it tells them apart."""
    series = temperature_series(time_s, temperature_c)

    def means(lags: Floats) -> Floats:
        return series.behind(lags).mean(bins.start_s, bins.end_s)

    coarse = np.array(LAGS_S)
    temperature = means(coarse)
    episodes = regression.episodes(temperature)
    worth = regression.lag_likelihood(temperature, episodes)
    longer = np.array([lag for lag in LONGER_LAGS_S if lag <= (time_s[-1] - time_s[0]) / 10])
    if longer.size and int(np.argmax(worth)) == coarse.size - 1:
        worth = np.concatenate([worth, regression.lag_likelihood(means(longer), episodes)])
        coarse = np.concatenate([coarse, longer])
    lags = coarse
    for _ in range(MOST_REFINEMENTS):
        best = int(np.argmax(worth))
        near = slice(max(best - 1, 0), best + 2)
        if worth[best] - worth[near].min() < TOLD_APART:
            break
        between = np.linspace(lags[near][0], lags[near][-1], 9)
        between = np.setdiff1d(between, lags)
        order = np.argsort(np.concatenate([lags, between]), kind="stable")
        worth = np.concatenate([worth, regression.lag_likelihood(means(between), episodes)])[order]
        lags = np.concatenate([lags, between])[order]
    kept = worth > worth.max() - RULED_OUT
    kept[0] = True
    lags = lags[kept]
    # Each is as likely as the part of the first, even, grid that it stands for.
    place = np.interp(lags, coarse, np.arange(coarse.size))
    borders = np.concatenate([[place[0] - 0.5], (place[1:] + place[:-1]) / 2, [place[-1] + 0.5]])
    prior = np.minimum(np.diff(borders), 1.0)
    lagged = series.behind(lags)
    return lags, lagged, regression.fit(lagged.mean(bins.start_s, bins.end_s), episodes, prior)


def _local_variance(deviations: Floats, length: int, span: Span, value: Readings) -> tuple[float, float]:
    """Variance of a window's statistic about its bins from like windows, and its degrees of freedom.

    Windows shorter than ours scatter more, as one over their length: what a median differs from a mean by has
    a short memory (its correlation goes with the cube of that of the noise).
    """
    known = deviations[np.isfinite(deviations)]
    n = span[1] - span[0] + 1
    if known.size >= FEWEST_WINDOWS:
        return float(known.var(ddof=1)) * length / n, known.size - 1.0
    part = value[span[0] : span[1] + 1].astype(np.float64)
    part = part[np.isfinite(part)]
    return (float(part.var(ddof=1)) / part.size * np.pi / 2, 2.0) if part.size > 2 else (float("inf"), 1.0)


def _since_begin(bins: HistoryBins, time_s: Floats, base: Span, window: Span, lags: Floats) -> Floats:
    """How much of an unknown state at the begin of the log, or of its part after a gap, differs between windows."""
    left, parts = [], []
    for first, last in (base, window):
        at = (time_s[first] + time_s[last]) / 2
        home = max(int(np.searchsorted(bins.first, first, side="right")) - 1, 0)
        segment = bins.segment[home]
        begin = bins.start_s[np.searchsorted(bins.segment, segment)]
        left.append(np.exp(-max(at - begin, 0.0) / np.where(lags > 0, lags, 1e-9)))
        parts.append(segment)
    return np.asarray(np.abs(left[0] - left[1]) if parts[0] == parts[1] else np.hypot(left[0], left[1]))
