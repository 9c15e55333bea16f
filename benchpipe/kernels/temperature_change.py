"""Change of a figure since baseline, corrected to the baseline's temperature.

The whole history is averaged into bins and fitted by generalised least squares: wear as a cubic spline, the
logarithm of cycles and at most one episode (a crack), temperature through a lag of first order, noise by
restricted likelihood; all are averaged by likelihood. The windows' own statistics make the change; what they
scatter about their bins is measured on like windows all over the history.

References
----------
JCGM 100:2008 (GUM) §5.2 (correlated inputs), §G.4 (effective degrees of freedom, Welch-Satterthwaite).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import hypot, inf, isfinite, nan, sqrt
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.kernels.swings import SwingsResult, count_swings
from benchpipe.kernels.temperature_regression import PRIOR_PER_K
from benchpipe.kernels.temperature_windows import WindowsResult, compare_windows, window_statistic
from benchpipe.kernels.thermometer import ThermometerResult, thermometer_faults

Floats = NDArray[np.float64]
Readings = NDArray[np.floating]
Span = tuple[int, int]

FEWEST_CYCLES = 100
"""Below this the noise of a history is not known."""
FEWEST_SWINGS = 2.0
LAG_SWINGS = 1.5
"""With fewer, wear can take the shape of a lag: that the figure follows at once is then never ruled out."""
LAW_PART = 0.007
"""Standard uncertainty of the law itself, a lag of first order, in parts of what the temperature did over its range: no
fit of small white noise knows it. Chosen so that long windows cover (no source)."""
LEAST_SWING_K = 0.5
"""A smaller move is never a swing: thermometers beside a specimen are seldom better."""
SWING_PART = 0.5
"""A swing must be this part of the range of the history."""
BEYOND = 0.1
"""How far outside the learnt range a window may lie, as a part of that range."""
SAME_K = 0.3
"""Windows closer than this behind every lag are compared without a correction."""
FOLLOW_CYCLES = (20, 100, 500)
"""Cycles on either side of a jump that are compared: as few as tell whether the figure followed."""
FOLLOWS = 0.5
"""Least part of the expected step by which the figure must follow a jump of the thermometer."""


@dataclass(frozen=True)
class TemperatureChange:
    """A relative change, corrected to the baseline's temperature.

    ``change`` is window/baseline − 1 less ``correction``, ``u`` its standard uncertainty with ``dof`` degrees
    of freedom, the covariance of coefficient and windows contained. They are NaN where not ``decided``;
    ``raw_change`` is given where it can be. ``correction`` (relative) was taken off, ``correction_u`` is its
    share of ``u``; ``coefficient`` (relative per kelvin) comes from ``source``, was learnt between
    ``temperature_low`` and ``temperature_high`` [°C] and acts with a lag of ``lag_s`` [s], the mean over lags
    by likelihood. ``swings``: how often the temperature went there and back. ``why`` says what decided.
    """

    change: float
    u: float
    dof: float
    raw_change: float
    correction: float
    correction_u: float
    coefficient: float
    coefficient_u: float
    temperature_low: float
    temperature_high: float
    swings: float
    lag_s: float
    source: Literal["run", "plan", "none"]
    decided: bool
    why: str


def change_at_temperature(
    time_s: ArrayLike,
    value: ArrayLike,
    temperature_c: ArrayLike,
    base: Span,
    window: Span,
    *,
    statistic: Literal["median", "mean"] = "median",
    plan_coefficient: float | None = None,
    plan_coefficient_u: float | None = None,
    plan_range: tuple[float, float] | None = None,
) -> TemperatureChange:
    """Change of a figure between two windows, corrected to the baseline's temperature.

    Parameters
    ----------
    time_s : array_like, shape (n,)
        Time of each cycle [s], not falling: the block's history up to the window's end.
    value, temperature_c : array_like, shape (n,)
        Figure of each cycle (any unit) and temperature [°C]; NaN is missing.
    base, window : tuple of int
        First and last index of both windows.
    statistic : "median" or "mean"
    plan_coefficient, plan_coefficient_u : float, optional
        The plan's coefficient, relative per kelvin, and its standard uncertainty.
    plan_range : tuple of float, optional
        Temperatures [°C] between which the plan's coefficient is known; without it, everywhere.

    Returns
    -------
    TemperatureChange
        Not ``decided`` means inconclusive, with the reason in ``why``.

    Raises
    ------
    ValueError
        Arrays of different lengths, or a window outside them.
    """
    t = np.asarray(time_s, np.float64)
    y, x = _readings(value), _readings(temperature_c)
    if not (t.ndim == 1 and t.shape == y.shape == x.shape):
        raise ValueError("time, value and temperature must have the same length")
    for first, last in (base, window):
        if not 0 <= first <= last < t.size:
            raise ValueError(f"window {first}-{last} lies outside the history of {t.size} cycles")
    at_base, at_window = window_statistic(y, base, statistic), window_statistic(y, window, statistic)
    raw = at_window / at_base - 1 if isfinite(at_base) and at_base != 0 else nan
    if not isfinite(raw):
        return _undecided("a window holds no value, or the baseline is zero", raw)
    if int(np.isfinite(y).sum()) < FEWEST_CYCLES:
        return _undecided(f"fewer than {FEWEST_CYCLES} cycles with a value: the noise is not known", raw)
    if not np.isfinite(t).all() or (np.diff(t) < 0).any() or not t[-1] > t[0]:
        return _undecided("times of cycles are missing or go back", raw)
    thermometer = thermometer_faults(t, x, base, window)
    if thermometer.fault:
        return _undecided(thermometer.fault, raw)
    y = y / y.dtype.type(at_base)
    found = compare_windows(t, y, x, base, window, 1 + raw, statistic, plan_coefficient)
    swings = _swings(found, thermometer, x.size)
    found = replace(found, fit=replace(found.fit, prompt=swings.swings < LAG_SWINGS))
    budget = _Budget(found, raw, _moved_u(thermometer, x, base, window))
    inside = _inside(swings.low, swings.high, found, BEYOND)
    if swings.swings >= FEWEST_SWINGS and inside:
        result = budget.run(swings)
    elif plan_coefficient is not None and plan_coefficient_u is not None:
        result = budget.plan(swings, plan_coefficient, plan_coefficient_u, plan_range)
    elif np.abs(found.moved_k).max() <= SAME_K:
        return budget.none(swings)
    else:
        return _undecided(_why_no_coefficient(swings, found, inside), raw, swings.swings)
    return _followed(result, thermometer, y, x)


def _readings(values: ArrayLike) -> Readings:
    """As floats; single precision stays what it is: a copy of two million would cost more than the fit."""
    v = np.asarray(values)
    return v if v.dtype in (np.float32, np.float64) else v.astype(np.float64)


def _undecided(why: str, raw: float, swings: float = nan) -> TemperatureChange:
    return TemperatureChange(nan, nan, nan, raw, nan, nan, nan, nan, nan, nan, swings, nan, "none", False, why)


def _moved_u(thermometer: ThermometerResult, x: Readings, base: Span, window: Span) -> float:
    """Standard uncertainty of the difference of the windows' temperatures from noise and digit [K]."""
    parts = [thermometer.mean_u(int(np.isfinite(x[a : b + 1]).sum())) for a, b in (base, window)]
    return hypot(*parts)


def _swings(found: WindowsResult, thermometer: ThermometerResult, cycles: int) -> SwingsResult:
    """Swings as large as the difference that is corrected for, and as half the range of the history."""
    span = float(np.ptp(found.bin_c))
    swing = max(abs(float(found.moved_k[0])), SWING_PART * span, LEAST_SWING_K)
    floor = max(LEAST_SWING_K, 6 * thermometer.mean_u(max(cycles // found.bin_c.size, 1)))
    return count_swings(found.bin_c, swing, floor)


def _inside(low: float, high: float, found: WindowsResult, part: float = 0.0) -> bool:
    """Do both windows lie in a range of temperature, or no further outside than a part of it?"""
    if not (isfinite(low) and isfinite(high)):
        return False
    beyond = part * (high - low)
    return all(low - beyond <= c <= high + beyond for c in (found.base_c, found.window_c))


def _why_no_coefficient(swings: SwingsResult, found: WindowsResult, inside: bool) -> str:
    lies = f"baseline at {found.base_c:.1f} degC, window at {found.window_c:.1f} degC"
    if swings.swings >= FEWEST_SWINGS and not inside:
        return (
            f"{lies}: outside {swings.low:.1f} to {swings.high:.1f} degC, where the coefficient was learnt, "
            "and the plan states none"
        )
    return (
        f"{lies}: the temperature went there and back {swings.swings:.1f} times, {FEWEST_SWINGS:.0f} are needed "
        "to learn a coefficient, and the plan states none"
    )


@dataclass(frozen=True)
class _Budget:
    """What makes the uncertainty of a change; each way to correct adds its own."""

    found: WindowsResult
    raw: float
    moved_u: float

    def run(self, swings: SwingsResult) -> TemperatureChange:
        """Corrected by the run's own coefficient."""
        f, dt = self.found.fit, self.found.moved_k[None, None, :]
        coefficient, b_variance, _ = f.averaged(f.coefficient, f.coefficient_variance)
        own = f.averaged(f.coefficient * dt, dt**2 * f.coefficient_variance)[1]
        variance = f.contrast_variance - 2 * dt * f.covariance + dt**2 * f.coefficient_variance
        added = self._added(np.abs(f.coefficient)) + (LAW_PART * coefficient * (swings.high - swings.low)) ** 2
        change, taken, u, dof = self._sum(f.coefficient * dt, variance, added)
        why = f"corrected with the run's own coefficient, from {swings.swings:.1f} swings there and back"
        return TemperatureChange(
            change,
            u,
            dof,
            self.raw,
            taken,
            sqrt(own + added + _level(taken, change)),
            coefficient,
            sqrt(b_variance),
            swings.low,
            swings.high,
            swings.swings,
            self._lag(),
            "run",
            True,
            why,
        )

    def plan(
        self, swings: SwingsResult, coefficient: float, u: float, learnt: tuple[float, float] | None
    ) -> TemperatureChange:
        """Corrected by the plan's coefficient."""
        low, high = learnt or (nan, nan)
        if learnt is not None and not _inside(low, high, self.found):
            why = (
                f"baseline at {self.found.base_c:.1f} degC, window at {self.found.window_c:.1f} degC: outside "
                f"{low:.1f} to {high:.1f} degC, where the plan's coefficient is known"
            )
            return _undecided(why, self.raw, swings.swings)
        f, dt = self.found.fit, self.found.moved_k[None, None, :]
        correction = np.broadcast_to(coefficient * dt, f.weight.shape)
        added = self._added(np.full(f.weight.shape, abs(coefficient))) + float(f.by_course((u * dt) ** 2).max())
        own = f.averaged(correction, np.zeros_like(f.weight))[1]
        change, taken, change_u, dof = self._sum(correction, f.contrast_variance, added)
        why = f"corrected with the plan's coefficient: the temperature went there and back {swings.swings:.1f} times"
        return TemperatureChange(
            change,
            change_u,
            dof,
            self.raw,
            taken,
            sqrt(own + added + _level(taken, change)),
            coefficient,
            u,
            low,
            high,
            swings.swings,
            self._lag(),
            "plan",
            True,
            why,
        )

    def none(self, swings: SwingsResult) -> TemperatureChange:
        """Not corrected: as wide as what the run's regression and the steepest coefficient allow for the difference."""
        f, dt = self.found.fit, self.found.moved_k[None, None, :]
        known = PRIOR_PER_K**2 / (PRIOR_PER_K**2 + f.coefficient_variance)
        might = (f.coefficient * known) ** 2 + f.coefficient_variance * known
        added = float(f.by_course(might * (dt**2 + self.moved_u**2)).max())
        change, _, u, dof = self._sum(np.zeros_like(f.weight), f.contrast_variance, added)
        why = (
            f"not corrected: the windows lie {float(self.found.moved_k[0]):+.2f} K apart and no coefficient is known; "
            "the uncertainty allows for it"
        )
        return TemperatureChange(
            change,
            u,
            dof,
            self.raw,
            0.0,
            sqrt(added),
            nan,
            nan,
            nan,
            nan,
            swings.swings,
            self._lag(),
            "none",
            True,
            why,
        )

    def _lag(self) -> float:
        return float(self.found.fit.lag_weight @ self.found.lags_s)

    def _added(self, slope: Floats) -> float:
        """Variance from the specimen's unknown state when the log begins, and from the thermometer's noise."""
        f = self.found.fit
        return float((f.weight * slope**2 * (self.found.begin_k[None, None, :] ** 2 + self.moved_u**2)).sum())

    def _sum(self, correction: Floats, variance: Floats, added: float) -> tuple[float, float, float, float]:
        """Change, what was taken off, standard uncertainty and degrees of freedom (Welch-Satterthwaite)."""
        taken, total, dof = self.found.fit.averaged(correction, variance)
        change = self.raw - taken
        parts = [(total, dof), *zip(self.found.local_variance, self.found.local_dof, strict=True)]
        v = sum(p for p, _ in parts) + added + _level(taken, change)
        spread = sum(p**2 / n for p, n in parts)
        return change, taken, sqrt(v), v**2 / spread if spread > 0 else inf


def _level(taken: float, change: float) -> float:
    """Variance for not knowing whether a coefficient acts on the present level or on the baseline's."""
    return (taken * change) ** 2 / 3


def _followed(result: TemperatureChange, thermometer: ThermometerResult, y: Readings, x: Readings) -> TemperatureChange:
    """Undecided where the thermometer jumped and the figure did not follow: then the sensor moved."""
    if not result.decided:
        return result
    for i in thermometer.jumps:
        for cycles in FOLLOW_CYCLES:
            part, part_u = _followed_part(y, x, i, cycles, result.coefficient)
            if part_u <= 0.1:
                break
        if part < FOLLOWS - 3 * part_u:
            why = (
                f"the thermometer jumped at cycle {i} of the history and the figure did not follow "
                f"({100 * part:.0f} % of the step that {result.coefficient:.2%}/K makes)"
            )
            return _undecided(why, result.raw_change, result.swings)
    return result


def _followed_part(y: Readings, x: Readings, i: int, cycles: int, coefficient: float) -> tuple[float, float]:
    """Step of the figure at cycle i over the step that the thermometer's makes, and its standard uncertainty."""
    sides = [slice(max(0, i - cycles), i), slice(i, i + cycles)]
    values = [v[np.isfinite(v)] for v in (y[side].astype(np.float64) for side in sides)]
    expected = coefficient * float(np.nanmedian(x[sides[1]]) - np.nanmedian(x[sides[0]]))
    if min(v.size for v in values) < 5 or not expected:
        return 1.0, inf
    step = float(np.median(values[1]) - np.median(values[0]))
    noise = 1.2533 * hypot(*(float(np.std(np.diff(v))) / sqrt(2 * v.size) for v in values))
    return step / expected, noise / abs(expected)
