"""Figures over passes of a rocker: their mean with an interval that the scatter between passes makes, and ratios.

The fit of one pass states how well that pass is known; the next pass differs by more. So the interval of a mean is that
of the passes, by Student, whatever the fits claim. Passes of several plates are blocked: each plate has its own level,
which is no scatter, and counts once in the mean.

References
----------
E. C. Fieller, J. R. Statist. Soc. B 16 (1954) 175 (interval of a ratio); written from memory, not checked. Degrees of
freedom of a difference: B. L. Welch, Biometrika 34 (1947) 28 and JCGM 100:2008, G.4.1.
Simulated coverage: ``tests/benchmarks/rocker_coverage.py``.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, isfinite, nan, sqrt

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.lines import t_quantile

Floats = NDArray[np.float64]

SURE = 4.0
"""Standard uncertainties that a curvature is from zero for a radius to be stated."""
DIFFER = 0.05
"""Probability below which plates differ."""
COVERAGE = 0.95


@dataclass(frozen=True)
class PassesMean:
    """A figure over passes; NaN where it is not known.

    ``u`` times Student's factor of ``dof`` is the half-width of its 95 % interval. ``sd``: standard deviation between
    passes of one plate. ``plates_p``: probability of plates as different as these where all are alike.
    """

    value: float
    u: float
    dof: float
    sd: float
    passes: int
    plates: int
    plates_p: float = nan

    @property
    def half(self) -> float:
        """Half-width of the 95 % interval."""
        return t_quantile(COVERAGE, self.dof) * self.u

    @property
    def low(self) -> float:
        """Lower end of the interval."""
        return self.value - self.half

    @property
    def high(self) -> float:
        """Upper end of the interval."""
        return self.value + self.half


def mean_of_passes(values: Floats, plates: Floats | None = None) -> PassesMean:
    """Mean over passes and plates.

    Parameters
    ----------
    values : float64 array, shape (n,)
        One a pass; those that are not finite are left out.
    plates : float64 array, shape (n,), optional
        Number of the plate or rig of each.

    Returns
    -------
    PassesMean
        Without an uncertainty where no plate has two passes.
    """
    from scipy.special import fdtrc

    v = np.asarray(values, np.float64)
    known = np.isfinite(v)
    on = np.zeros(v.size) if plates is None else np.nan_to_num(np.asarray(plates, np.float64), nan=-1.0)
    v, on = v[known], on[known]
    if not v.size:
        return PassesMean(nan, nan, nan, nan, 0, 0)
    _, which, count = np.unique(on, return_inverse=True, return_counts=True)
    means = np.bincount(which, v) / count
    value, p = float(means.mean()), int(means.size)
    dof = v.size - p
    if dof < 1:
        return PassesMean(value, nan, nan, nan, int(v.size), p)
    within = float(np.sum((v - means[which]) ** 2)) / dof
    u = sqrt(within * float(np.sum(1.0 / count))) / p
    apart = nan
    if p > 1:
        between = float(count @ (means - v.mean()) ** 2) / (p - 1)
        apart = float(fdtrc(p - 1, dof, between / within)) if within > 0 else 0.0
    return PassesMean(value, u, float(dof), sqrt(within), int(v.size), p, apart)


@dataclass(frozen=True)
class RatioInterval:
    """A ratio and its 95 % interval; NaN, and ``why``, where the divisor is not separable from zero."""

    value: float
    low: float
    high: float
    why: str = ""

    @property
    def known(self) -> bool:
        """Whether it has an interval."""
        return isfinite(self.low) and isfinite(self.high)


def ratio_of(top: PassesMean, bottom: PassesMean) -> RatioInterval:
    """Ratio of two independent figures over passes, with Fieller's interval.

    The interval holds each ratio r that the data do not refuse: ``|a - r b| <= t(r) sqrt(u_a² + r² u_b²)``, Student's
    factor t for Welch's degrees of freedom of that difference.

    Parameters
    ----------
    top, bottom : PassesMean
        a and b, each in its own unit.

    Returns
    -------
    RatioInterval
        In the unit of a over that of b; NaN, with ``why``, where it or its interval is not known. An end may
        be infinite.
    """
    if not (isfinite(top.value) and isfinite(bottom.value)):
        return RatioInterval(nan, nan, nan, "one of the two was not measured")
    value = top.value / bottom.value if bottom.value else nan
    if not (isfinite(top.u) and isfinite(bottom.u)):
        return RatioInterval(value, nan, nan, "fewer than two passes: the scatter between passes is not known")
    if not abs(bottom.value) > t_quantile(COVERAGE, bottom.dof) * bottom.u:
        return RatioInterval(nan, nan, nan, "the divisor is not separable from zero")
    if top.u == 0.0 and bottom.u == 0.0:
        return RatioInterval(value, value, value)
    return RatioInterval(value, _end(top, bottom, value, -1.0), _end(top, bottom, value, 1.0))


def _end(top: PassesMean, bottom: PassesMean, value: float, side: float) -> float:
    """End of the interval on one side of the ratio."""
    from scipy.optimize import brentq

    def beyond(ratio: float) -> float:
        u = sqrt(top.u**2 + (ratio * bottom.u) ** 2)
        parts = ((top.u, top.dof), (abs(ratio) * bottom.u, bottom.dof))
        inverse = sum((one / u) ** 4 / dof for one, dof in parts if one > 0 and dof > 0)
        return abs(top.value - ratio * bottom.value) - t_quantile(COVERAGE, 1.0 / inverse if inverse else inf) * u

    step = 4.0 * (top.u + abs(value) * bottom.u) / abs(bottom.value)
    far = value + side * step
    for _ in range(60):
        if beyond(far) > 0:
            return float(brentq(beyond, value, far, xtol=1e-12 * max(1.0, abs(far))))
        step *= 2.0
        far = value + side * step
    return side * inf


def radius_words(mean: PassesMean, unit: str = "m") -> str:
    """Radius of a curvature [1/m] in words: with its ± where it is separable from zero, else a bound.

    Parameters
    ----------
    mean : PassesMean
        Curvature [1/unit].
    unit : str
        Of the radius.

    Returns
    -------
    str
        Empty where nothing is known of the radius.
    """
    if not (isfinite(mean.value) and isfinite(mean.u)):
        return f"R about {1.0 / mean.value:.3g} {unit}" if isfinite(mean.value) and mean.value > 0 else ""
    if mean.low > 0 and mean.value > SURE * mean.u:
        return f"R {1.0 / mean.value:.3g} {unit} ({1.0 / mean.high:.3g} to {1.0 / mean.low:.3g})"
    if mean.high < 0:
        return "hollow: the centre of its arc lies below"
    return f"R > {_down(1.0 / mean.high):g} {unit}" if mean.high > 0 else ""


def _down(value: float) -> float:
    """Two significant digits, rounded down: a bound stays one."""
    if not (isfinite(value) and value > 0):
        return value
    step = 10.0 ** (np.floor(np.log10(value)) - 1)
    return float(f"{np.floor(value / step * (1 + 1e-12)) * step:.2g}")
