"""Fit every creep law to a hold, choose one, and combine the figures of all laws that the data allow.

An interval from the chosen law alone is too narrow: other laws fit nearly as well and give other
figures. So a figure's interval is the profile over all laws together: each law that the data allow
contributes its own interval, shortened by the misfit it has already used up beyond what the best law's
further parameters may have taken up by chance.

References
----------
K. P. Burnham & D. R. Anderson, *Model Selection and Multimodel Inference* (Springer 2002): AICc §2.4,
inference from several models ch. 4. D. M. Bates & D. G. Watts, *Nonlinear Regression Analysis*
(Wiley 1988): profile intervals ch. 6, extra sum of squares §3.10. Chapter numbers written from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import inf, nan, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.kernels.creep_laws import LAWS, CreepLaw, law_named, start
from benchpipe.kernels.creep_noise import NoiseResult, averages_noise, white_noise
from benchpipe.kernels.lines import t_quantile
from benchpipe.kernels.nonlinear import CurveFitResult, aicc, fit_curve, standard_error, whitening
from benchpipe.kernels.robust import runs_test

Floats = NDArray[np.float64]
LawFigure = Callable[[CreepLaw, Floats], tuple[float, Floats]]
"""What is asked of a law: figure(law, parameters) → its value and its gradient by the parameters."""

BY_CHANCE = 1.5
"""Variances that each further parameter may take up by chance: one is the mean, with which the intervals
of a law often taken for a simpler one (Andrade's) covered 92 %; see tests/benchmarks/coverage.py."""
NOISE_PARAMETERS = 2
"""Share and correlation time of the noise, found from the same averages."""
PATTERN_LEVEL = 0.01
"""A law leaves a pattern whose residuals show so few runs, or so much misfit over a free curve, this rarely."""
FREE_KELVINS_PER_DECADE = 2
"""Of the free curve that a law is compared with: constant, leak and Kelvin bodies fitted by least squares."""
MOST_STEPS = 150
"""Evaluations for a law of two shapes, which the averages often do not tell apart."""


@dataclass(frozen=True)
class CreepEstimate:
    """A figure with its interval at ``coverage``.

    ``standard_error`` is that of the chosen law alone. ``low`` and ``high`` cover the figure over all
    laws the data allow; ``law_low`` and ``law_high`` are the least and greatest value among those laws.
    """

    value: float
    standard_error: float
    low: float
    high: float
    law_low: float
    law_high: float
    coverage: float

    @property
    def told_from_zero(self) -> bool:
        """Whether the interval leaves out zero; False where it is not known."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True, eq=False)
class LawFit:
    """One law fitted: parameters in the order of ``law_named(law).parameters``, with covariance.

    ``misfit`` is the sum of squares over that of the best law, in variances of a reading;
    ``runs_p`` the one-sided probability of so few runs, ``free_p`` that of so much misfit over a free
    curve (extra sum of squares); ``usable`` False where the fit did not converge or a shape ended on its
    bound.
    """

    law: str
    parameters: Floats
    covariance: Floats
    rss: float
    misfit: float
    delta_aicc: float
    runs_p: float
    free_p: float
    usable: bool

    @property
    def fits(self) -> bool:
        """Whether it leaves no pattern."""
        return self.usable and not (self.runs_p < PATTERN_LEVEL or self.free_p < PATTERN_LEVEL)

    @property
    def standard_errors(self) -> Floats:
        """Standard errors of the parameters."""
        return np.sqrt(np.diag(self.covariance))


@dataclass(frozen=True, eq=False)
class LawFits:
    """All laws fitted to one hold, in the order of the table.

    ``time_s``, ``motion`` are the averages fitted, shape (n,); ``covariance`` is theirs, shape (n, n),
    for readings of variance 1.
    ``chosen`` is the law of least AICc among those that leave no pattern (of all, where each leaves
    one: then ``pattern`` is True); None where none could be fitted. ``s`` is the standard deviation
    of a single reading about the best law and ``noise`` says how readings hang together. ``rho`` is
    the lag-1 autocorrelation of that law's whitened residuals, ``n_effective`` what it leaves of the
    ``n_used`` averages, ``dof`` that less the parameters of the law and of a noise that was measured.
    """

    time_s: Floats
    motion: Floats
    covariance: Floats
    fits: tuple[LawFit, ...]
    chosen: str | None
    pattern: bool
    s: float
    noise: NoiseResult
    rho: float
    n_used: int
    n_effective: float
    dof: float
    coverage: float

    def fit(self, name: str) -> LawFit:
        """Fit of one law by its name."""
        return next(fit for fit in self.fits if fit.law == name)

    def estimate(self, figure: LawFigure, *, reading: bool = False) -> CreepEstimate:
        """Estimate of a figure over all laws the data allow.

        Parameters
        ----------
        figure : callable
            figure(law, parameters) → (value, gradient of shape (parameters,)).
        reading : bool
            Whether the interval is to hold a new single reading: √(gᵀCg + s²) in place of √(gᵀCg).
        """
        if self.chosen is None:
            return CreepEstimate(nan, nan, nan, nan, nan, nan, self.coverage)
        value = error = nan
        low, high, law_low, law_high = inf, -inf, inf, -inf
        reach = t_quantile(self.coverage, self.dof)
        most = min((f for f in self.fits if f.usable), key=lambda f: f.rss).parameters.size
        for fit in self.fits:
            left = reach**2 - max(fit.misfit - BY_CHANCE * (most - fit.parameters.size), 0.0)
            if not (fit.usable and (left >= 0 or fit.law == self.chosen)):
                continue
            here, gradient = figure(law_named(fit.law), fit.parameters)
            se = float(standard_error(gradient, fit.covariance))
            if fit.law == self.chosen:
                value, error = here, se
            half = sqrt(max(left, 0.0)) * se
            half = sqrt(half**2 + (reach * self.s) ** 2) if reading else half
            low, high = min(low, here - half), max(high, here + half)
            law_low, law_high = min(law_low, here), max(law_high, here)
        return CreepEstimate(value, error, low, high, law_low, law_high, self.coverage)

    def accepts(self, name: str) -> bool:
        """Whether a law fits no worse than the best one by more than chance (extra sum of squares, 5 %)."""
        from scipy.special import fdtri

        fit = self.fit(name)
        best = min((f for f in self.fits if f.usable), key=lambda f: f.rss, default=None)
        if best is None or not fit.usable or not self.dof > 0:
            return False
        extra = max(best.parameters.size - fit.parameters.size, 1)
        return fit.misfit <= extra * float(fdtri(extra, self.dof, 0.95))


def fit_laws(
    time_s: ArrayLike,
    motion: ArrayLike,
    count: ArrayLike | None = None,
    *,
    common: Sequence[ArrayLike] = (),
    laws: Sequence[CreepLaw] = LAWS,
    coverage: float = 0.95,
) -> LawFits:
    """Fit every law of a table to the averages of a hold and choose one by AICc.

    A first round takes the readings as independent; the noise found about its best law gives the
    second its covariance; where there are common errors, a third adds theirs.

    Parameters
    ----------
    time_s : array_like, shape (n,), s
        Rising, > 0, counted from the load's entry into its band.
    motion : array_like, shape (n,)
        Mean motion of each average [deg or mm].
    count : array_like, shape (n,), optional
        Readings in each average; 1 where not given.
    common : sequence of array_like, shape (n,), unit of motion
        Standard errors that all averages share, as of a correction's coefficient.
    laws : sequence of CreepLaw
    coverage : float
        Coverage of every interval.

    Returns
    -------
    LawFits
    """
    t, y = np.asarray(time_s, np.float64), np.asarray(motion, np.float64)
    n = np.ones_like(t) if count is None else np.asarray(count, np.float64)
    keep = np.isfinite(t) & np.isfinite(y) & (t > 0) & np.isfinite(n) & (n > 0)
    t, y, n = t[keep], y[keep], n[keep]
    shared = [e for e in (np.asarray(error, np.float64)[keep] for error in common) if e.any()]
    if not t.size:
        return LawFits(t, y, np.empty((0, 0)), (), None, False, nan, white_noise(t, n), nan, 0, nan, nan, coverage)
    noise, covariance = white_noise(t, n), np.diag(1 / n)
    rounding = (1e-13 * float(np.max(np.abs(y))) + 1e-150) ** 2 * float(n.sum())
    curves = _fit_all(t, y, covariance, laws, coverage)
    usable = [curve for curve in curves.values() if _usable(curve)]
    best = min(usable, key=lambda c: c.rss, default=None)
    if best is not None and best.rss > rounding:
        noise, covariance = averages_noise(t, y, n, best.gradient(t, best.parameters))
        curves = _fit_all(t, y, covariance, laws, coverage)
        best = min((curve for curve in curves.values() if _usable(curve)), key=lambda c: c.rss, default=None)
    if shared and best is not None:
        variance = max(best.rss, rounding) / max(best.n_effective - best.parameters.size, 1.0)
        covariance = covariance + sum(np.outer(e, e) for e in shared) / variance
        curves = _fit_all(t, y, covariance, laws, coverage)
    return _choose(t, y, covariance, curves, noise, rounding, coverage)


def _usable(curve: CurveFitResult) -> bool:
    return curve.converged and not curve.at_bound


def _fit_all(
    t: Floats, y: Floats, covariance: Floats, laws: Sequence[CreepLaw], coverage: float
) -> dict[str, CurveFitResult]:
    """Fit each law that the averages are enough for."""
    whiten = whitening(covariance)
    curves = {}
    for law in laws:
        if t.size > len(law.parameters) + 1:
            curves[law.name] = fit_curve(
                law.value,
                t,
                y,
                [start(law, t, y, whiten)],
                gradient=law.gradient,
                covariance=covariance,
                bounds=law.bounds(float(t[0]), float(t[-1])),
                coverage=coverage,
                most_steps=MOST_STEPS if len(law.shapes) > 1 else 3000,
            )
    return curves


def _free_curve(t: Floats, y: Floats, whiten: Callable[[Floats], Floats]) -> tuple[float, int]:
    """Sum of squares that a free curve leaves, and how many columns it has."""
    taus = np.geomspace(t[0], t[-1], 1 + round(FREE_KELVINS_PER_DECADE * np.log10(t[-1] / t[0])))
    columns = whiten(np.column_stack([np.ones_like(t), t / t[-1], -np.expm1(-t[:, None] / taus)]))
    aim = whiten(y)
    left, sizes, _ = np.linalg.svd(columns / np.sqrt(np.sum(columns**2, axis=0)), full_matrices=False)
    frame = left[:, sizes > 1e-8 * sizes[0]]
    rest = aim - frame @ (frame.T @ aim)
    return float(rest @ rest), frame.shape[1]


def _free_p(rss: float, parameters: int, free: tuple[float, int], size: float) -> float:
    """Probability that a true law leaves so much more than the free curve by chance."""
    from scipy.special import fdtrc

    left, columns = free
    extra, dof = columns - parameters, size - columns
    if extra < 1 or dof < 1 or not left > 0:
        return nan
    return float(fdtrc(extra, dof, max(rss - left, 0.0) / extra / (left / dof)))


def _choose(
    t: Floats,
    y: Floats,
    covariance: Floats,
    curves: dict[str, CurveFitResult],
    noise: NoiseResult,
    rounding: float,
    coverage: float,
) -> LawFits:
    """Compare the fits on one scale and choose the law."""
    usable = {name: c for name, c in curves.items() if _usable(c)}
    if not usable:
        return LawFits(t, y, covariance, (), None, False, nan, noise, nan, int(t.size), nan, nan, coverage)
    best = min(usable.values(), key=lambda c: c.rss)
    spent = best.parameters.size + (NOISE_PARAMETERS if noise.measured else 0)
    dof = max(best.n_effective - spent, 1.0)
    variance = max(best.rss, rounding) / dof
    size = max(best.n_effective, max(c.parameters.size for c in curves.values()) + 3.0)
    score = {name: aicc(max(c.rss, rounding) / c.n_used, c.parameters.size, size) for name, c in curves.items()}
    least = min(score[name] for name in usable)
    rest, columns = _free_curve(t, y, whitening(covariance))
    free = (max(rest, rounding), columns)
    fits = tuple(
        LawFit(
            law=name,
            parameters=c.parameters,
            covariance=c.covariance * (variance / c.s**2 if c.s > 0 else 1.0),
            rss=c.rss,
            misfit=(c.rss - best.rss) / variance,
            delta_aicc=score[name] - least,
            runs_p=runs_test(c.residuals).p_few,
            free_p=_free_p(max(c.rss, rounding), c.parameters.size, free, best.n_effective),
            usable=name in usable,
        )
        for name, c in curves.items()
    )
    clean = [fit for fit in fits if fit.fits]
    chosen = min(clean or [fit for fit in fits if fit.usable], key=lambda fit: fit.delta_aicc)
    return LawFits(
        time_s=t,
        motion=y,
        covariance=covariance,
        fits=fits,
        chosen=chosen.law,
        pattern=not clean,
        s=sqrt(variance),
        noise=noise,
        rho=best.rho,
        n_used=best.n_used,
        n_effective=best.n_effective,
        dof=dof,
        coverage=coverage,
    )
