"""Temperature of a specimen that follows the thermometer with a lag of first order, at any stretch of time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.compiled import compiled

Floats = NDArray[np.float64]

CELLS = 4000
GRID = 8000
SPIKE_CELLS = 5


@dataclass(frozen=True)
class LaggedTemperature:
    """Temperatures behind l lags, on an even grid of g times.

    ``integral`` is that of the temperature over time up to each grid time, shape (l, g);
    ``begin_u`` the standard uncertainty [K] of each one's state at the first time, shape (l,): where
    the specimen comes from is not logged.
    """

    lags_s: Floats
    grid_s: Floats
    temperature: Floats
    integral: Floats
    begin_u: Floats

    def mean(self, start_s: Floats, end_s: Floats) -> Floats:
        """Mean temperature over stretches of time, shape (l, stretches)."""
        h = self.grid_s[1] - self.grid_s[0]
        middle, half = (start_s + end_s) / 2, np.maximum((end_s - start_s) / 2, h / 1000)
        a, b = self._integral_at(middle - half), self._integral_at(middle + half)
        return np.asarray((b - a) / (2 * half))

    def _integral_at(self, time_s: Floats) -> Floats:
        """Integral of the line between grid values; beyond the grid the temperature stays."""
        h = self.grid_s[1] - self.grid_s[0]
        inside = np.clip(time_s, self.grid_s[0], self.grid_s[-1])
        at = np.clip(((inside - self.grid_s[0]) / h).astype(np.int64), 0, self.grid_s.size - 2)
        part = inside - self.grid_s[at]
        low, high = self.temperature[:, at], self.temperature[:, at + 1]
        outside = np.where(time_s < inside, self.temperature[:, :1], self.temperature[:, -1:]) * (time_s - inside)
        return np.asarray(self.integral[:, at] + part * (low + (high - low) * part / (2 * h)) + outside)


def _follow(series: Floats, step_s: float, lag_s: float, state: float) -> Floats:
    """What a lag of first order makes of the straight lines between values ``step_s`` apart."""
    if lag_s <= 0:
        return series
    keep = np.exp(-step_s / lag_s)
    lead = (1 - keep) * lag_s / step_s
    return np.asarray(_filtered(np.ascontiguousarray(series), keep, 1 - lead, lead - keep, state))


@compiled
def _filtered(series: Floats, keep: float, own: float, before: float, state: float) -> Floats:
    """Filter of first order (that of SciPy takes most of a second to import).

    Parameters
    ----------
    series : float64 array, shape (n,)
    keep, own, before : float
        Weights of the last output, of the value and of the value before it.
    state : float
        The first output.

    Returns
    -------
    float64 array, shape (n,)
    """
    behind = np.empty(series.size)
    behind[:1] = state
    for i in range(1, series.size):
        behind[i] = keep * behind[i - 1] + own * series[i] + before * series[i - 1]
    return behind


@dataclass(frozen=True)
class TemperatureSeries:
    """Temperatures [°C] on an even grid of times, without noise and spikes, and its first value."""

    grid_s: Floats
    temperature: Floats
    begin: float

    def behind(self, lags_s: Floats) -> LaggedTemperature:
        """Follow the temperature with lags of shape (l,) [s]; 0 is the thermometer itself.

        Before the first cycle the temperature is taken to have run as its mirror image about the first reading
        (2T(0) − T(−t)), inside the range of the log. How well such a guess holds is measured at all other times
        of the log, where what came before is known: its root mean square error is ``begin_u``.
        """
        plain, step = self.temperature, float(self.grid_s[1] - self.grid_s[0])
        low, high = float(plain.min()), float(plain.max())
        rows, errors = [], []
        for lag in lags_s.tolist():
            if lag <= 0:
                rows.append(plain)
                errors.append(0.0)
                continue
            before = _follow(plain[::-1], step, lag, float(plain[-1]))[::-1]
            mirrored = np.clip(2 * plain - before, low, high)
            row = _follow(plain, step, lag, float(np.clip(2 * self.begin - before[0], low, high)))
            rows.append(row)
            # Where both sides of a time are known for three lags, else in the middle third.
            edge = min(int(3 * lag / step), plain.size // 3)
            inner = slice(edge, plain.size - edge)
            errors.append(float(np.sqrt(np.mean((mirrored - row)[inner] ** 2))))
        table = np.array(rows)
        integral = np.concatenate(
            [np.zeros((table.shape[0], 1)), np.cumsum((table[:, 1:] + table[:, :-1]) / 2, axis=1) * step], axis=1
        )
        return LaggedTemperature(lags_s, self.grid_s, table, integral, np.array(errors))


def temperature_series(time_s: Floats, temperature_c: NDArray[np.floating]) -> TemperatureSeries:
    """Take noise and spikes off a logged temperature.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Times that do not fall [s], n at least 2.
    temperature_c : ndarray, shape (n,)
        °C, NaN where it is missing: drawn over by a straight line.

    Returns
    -------
    TemperatureSeries
        Of the medians of up to 4,000 cells of neighbouring cycles.
    """
    from scipy.ndimage import median_filter

    good = np.isfinite(temperature_c)
    t, x = (time_s, temperature_c) if good.all() else (time_s[good], temperature_c[good])
    per = max(1, t.size // CELLS)
    whole = t.size // per * per
    cells_t = t[:whole].reshape(-1, per).mean(axis=1)
    cells_x = np.median(x[:whole].reshape(-1, per), axis=1).astype(np.float64)
    if per < SPIKE_CELLS:  # cells too small to outvote a spike on their own
        cells_x = median_filter(cells_x, SPIKE_CELLS, mode="nearest")
    grid = np.linspace(time_s[0], max(time_s[-1], time_s[0] + 1e-6), int(np.clip(2 * cells_t.size, 50, GRID)))
    plain = np.interp(grid, cells_t, cells_x)
    return TemperatureSeries(grid, plain, float(plain[: max(1, min(5, grid.size // 20))].mean()))
