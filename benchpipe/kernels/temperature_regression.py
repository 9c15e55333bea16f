"""Regression of a binned history on wear and lagged temperature, averaged over noise models and lags."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.binned_noise import BinnedNoiseModels, noise_models, whitened
from benchpipe.kernels.history_bins import HistoryBins
from benchpipe.kernels.wear_episodes import EpisodesResult, choose_episodes, move_columns, step_columns

Floats = NDArray[np.float64]

WEAR_KNOTS = (0.0, 0.15, 0.4, 0.7, 1.0)
"""Ends of the pieces of the cubic spline that stands for wear, as parts of the history's cycles: closer where
wear settles. Straight pieces leave a tenth of settling wear, cubic ones a thousandth."""
LOG_FROM = 0.02
"""Settling wear goes with log(1 + x/LOG_FROM), x the part of the history's cycles."""
STEEPEST_PER_K = 0.046
"""Largest coefficient an unknown one is taken to have, relative per kelvin: the viscosity of a damper's oil doubles
about every 15 °C (Walther form of ISO VG 32), ln 2/15 K, and nothing on an ankle follows more steeply."""
PRIOR_PER_K = STEEPEST_PER_K / 3**0.5
"""Standard deviation of coefficients in the likelihood of lags: without it a lag that leaves nothing of the
temperature would be the likeliest, since any coefficient, however large, would be as good as another."""
EPISODE_SD = 0.03
"""Standard deviation of the height of an episode of wear, relative."""
SCAN = 10
"""Each so manieth noise model is used to see which episodes are likely."""
LIKELY = 0.147
"""exp(−χ²(0.95, 1)/2)."""
LEAST_SPREAD_K = 1e-4
"""A temperature that moves less than this beside wear has no coefficient (it is drawn to 0)."""


@dataclass(frozen=True)
class HistoryFit:
    """Fits of m noise models, c courses of wear and l lags to a history; figures have shape (m, c, l).

    The first course is smooth, the others have one episode each. ``weight``: likelihood of each fit times ``prior``
    (c, l), sum 1. ``coefficient`` and ``coefficient_variance``: of temperature, per kelvin. ``contrast_variance``: of
    the contrast of the windows' bins; ``covariance``: of that contrast and the coefficient. ``bins`` is how many
    readings there were; with ``prompt`` the first lag is never ruled out.
    """

    weight: Floats
    coefficient: Floats
    coefficient_variance: Floats
    contrast_variance: Floats
    covariance: Floats
    prior: Floats
    bins: int
    prompt: bool = False

    @property
    def lag_weight(self) -> Floats:
        """Likelihood of each lag, shape (l,), sum 1."""
        return np.asarray(self.weight.sum(axis=(0, 1)))

    @property
    def likely(self) -> NDArray[np.bool_]:
        """Courses and lags that the history does not rule out (likelihood ratio, 5 %), shape (c, l)."""
        w = self.weight.sum(axis=0) / self.prior
        likely = w >= LIKELY * w.max()
        if self.prompt:
            likely[int(np.argmax(w[:, 0])), 0] = True
        return np.asarray(likely)

    def by_course(self, figure: Floats) -> Floats:
        """Mean over noise models of a figure for each likely course and lag, shape (likely,)."""
        w = np.maximum(self.weight[:, self.likely], 1e-300)
        return np.asarray((w * np.broadcast_to(figure, self.weight.shape)[:, self.likely]).sum(axis=0) / w.sum(axis=0))

    def averaged(self, estimate: Floats, variance: Floats) -> tuple[float, float, float]:
        """Mean of estimates, their variance and its degrees of freedom.

        The variance is the mean one within fits and that between them, or a quarter of the square of the
        farthest likely course's or lag's distance where that is more: what is true may be one of many as likely.
        The degrees are those of a mean of scaled χ² of unlike scales: 2V²/(⟨v²(1 + 2/k)⟩ − ⟨v⟩²).
        """
        w = self.weight
        mean = float((w * estimate).sum())
        within = float((w * variance).sum())
        farthest = float(np.abs(self.by_course(estimate) - mean).max())
        total = within + max(float((w * (estimate - mean) ** 2).sum()), farthest**2 / 4)
        spread = float((w * variance**2).sum()) * (1 + 2 / self.bins) - within**2
        dof = 2 * total**2 / spread if spread > 0 else float(self.bins)
        return mean, total, float(np.clip(dof, 2.0, self.bins))


def wear_columns(place: Floats) -> Floats:
    """Cubic B-splines over ``WEAR_KNOTS`` (constant and line among them), and log(1 + x/LOG_FROM), x in 0 to 1.

    Parameters
    ----------
    place : float64 array, shape (k,)
        Place of each bin in the history, from 0 to 1.

    Returns
    -------
    float64 array, shape (k, c)
        Without unit: seven splines and the logarithm less a line.

    Notes
    -----
    Plain arithmetic; that wear has such shapes is common practice, no source.
    """
    x = np.clip(place, 0.0, 1.0)
    knots = np.concatenate([[0.0] * 3, WEAR_KNOTS, [1.0] * 3])
    return np.column_stack([_cubic_splines(x, knots), np.log1p(x / LOG_FROM) / np.log1p(1 / LOG_FROM) - x])


def _cubic_splines(x: Floats, knots: Floats) -> Floats:
    """Cubic B-splines by the recursion of de Boor and Cox, shape (k, knots - 4); the ends stand four times each.

    Checked in the tests with SciPy's, which take a third of a second to import.
    """
    of = np.searchsorted(knots, x, "right") - 1  # the interval of each place; that of the last knot is the one before
    basis = np.equal.outer(np.minimum(of, knots.size - 5), np.arange(knots.size - 1)).astype(np.float64)
    for degree in (1, 2, 3):
        width = knots[degree:] - knots[:-degree]
        part = np.where(width > 0, np.subtract.outer(x, knots[:-degree]) / np.where(width > 0, width, 1.0), 0.0)
        basis = part[:, :-1] * basis[:, :-1] + np.where(width > 0, 1 - part, 0.0)[:, 1:] * basis[:, 1:]
    return basis


class HistoryRegression:
    """Regression of the means of k bins on wear and temperature.

    Notes
    -----
    Wear is taken out of all columns at once (Schur complement of its Gram matrix), so that a fit with one lag
    is a division. With V = C⁻¹ in the metric of one noise model, b = (T'MT)⁻¹T'My, M what wear leaves of V, and
    cov(a'y, b) = s²(a'T − a'X(X'VX)⁻¹X'VT)/(T'MT). The likelihood is restricted to what wear leaves, its
    coefficient free within ``PRIOR_PER_K`` also where the plan's is used: a crack that came with warmth is then no
    noise.
    """

    def __init__(self, bins: HistoryBins, cycles: int, contrast: Floats, wear: Floats | None = None) -> None:
        """Of a history of so many cycles, ``contrast`` (k,) the weights of the bins in the change of the windows.

        ``wear`` (k, p): columns of wear whose course is known better than `wear_columns` can guess.
        """
        width = bins.end_s - bins.start_s
        self._models = noise_models(float(np.median(width)), float(bins.end_s[-1] - bins.start_s[0]))
        self._few = BinnedNoiseModels(self._models.tau_s[::SCAN], self._models.share[::SCAN])
        self._time = bins.middle_s
        self._width = np.minimum(width, 6 * self._models.tau_s[1])  # longer bins are rests of unlike cutting
        self._count = bins.count / bins.count.mean()
        self._wear = wear_columns((bins.first + bins.last) / 2 / cycles) if wear is None else wear
        self._value = bins.mean - bins.mean.mean()
        self._contrast = contrast

    def episodes(self, temperature: Floats) -> EpisodesResult:
        """Episodes of wear that are likely with any of the temperatures (l, k), the first being the thermometer's."""
        moves, steps = move_columns(temperature[0]), step_columns(self._value.size)
        single = np.arange(moves.shape[1] + steps.shape[1])
        all_of_them = EpisodesResult(np.column_stack([moves, steps]), np.column_stack([single, 0 * single - 1]))
        gain = self._fits(self._few, temperature, all_of_them)[0].max(axis=(0, 2))[1:]
        return choose_episodes(moves, steps, gain[: moves.shape[1]], gain[moves.shape[1] :])

    def lag_likelihood(self, temperature: Floats, episodes: EpisodesResult) -> Floats:
        """Logarithm of the likelihood of each temperature (l, k) under a few noise models, shape (l,)."""
        return np.asarray(self._fits(self._few, temperature, episodes)[0].max(axis=(0, 1)))

    def fit(self, temperature: Floats, episodes: EpisodesResult, lag_prior: Floats) -> HistoryFit:
        """Fit temperatures (l, k), each of them beforehand as likely as ``lag_prior`` (l,) says.

        All episodes together are beforehand as likely as smooth wear.
        """
        likelihood, b, s2, tt, moved, contrast = self._fits(self._models, temperature, episodes)
        courses = likelihood.shape[1]
        of_course = np.full(courses, 1 / max(courses - 1, 1))
        of_course[0] = 1.0
        prior = of_course[:, None] * lag_prior[None, :]
        weight = np.exp(likelihood - likelihood.max()) * prior[None]
        weight /= weight.sum()
        return HistoryFit(weight, b, s2 / tt, s2 * contrast, s2 * moved / tt, prior, self._value.size)

    def _fits(
        self, models: BinnedNoiseModels, temperature: Floats, episodes: EpisodesResult
    ) -> tuple[Floats, Floats, Floats, Floats, Floats, Floats]:
        t = (temperature - temperature.mean(axis=1, keepdims=True)).T
        columns = np.column_stack([self._wear, self._value, t, episodes.columns])
        white, log_det, quadratic = whitened(models, self._time, self._width, self._count, columns, self._contrast)
        left = _without_wear(white, log_det, self._contrast @ columns, self._wear.shape[1])
        return *_fits(left, t.shape[1], episodes.pairs), quadratic[:, None, None]


@dataclass(frozen=True)
class _Left:
    """Columns from the figure on, whitened, shape (m, k, c): as they are, and what wear leaves of them.

    ``contrast`` of what is left, shape (m, c); ``log_det``, shape (m,).
    """

    white: Floats
    left: Floats
    contrast: Floats
    log_det: Floats
    dof: int


def _without_wear(white: Floats, log_det: Floats, contrast: Floats, p: int) -> _Left:
    wear, rest = white[:, :, :p], white[:, :, p:]
    turned = wear.transpose(0, 2, 1)
    gram = turned @ wear
    gram = gram + 1e-10 * np.eye(p) * np.trace(gram, axis1=1, axis2=2)[:, None, None]
    solved = np.linalg.solve(gram, turned @ rest)
    moved = contrast[None, p:] - np.einsum("p,mpc->mc", contrast[:p], solved)
    return _Left(rest, rest - wear @ solved, moved, log_det + np.linalg.slogdet(gram)[1], white.shape[1] - p - 1)


def _fits(left: _Left, lags: int, pairs: NDArray[np.int64]) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Likelihood, coefficient, s², T'MT and moved contrast of each course of wear and lag, shapes (m, 1 + pairs, l).

    The columns of a pair are taken out of what is left one after the other, each held to heights of some EPISODE_SD;
    products are made of those columns alone that meet.
    """
    base = 1 + lags
    head = left.white[:, :, :base].transpose(0, 2, 1) @ left.left  # (m, base, c)
    own = np.einsum("mkc,mkc->mc", left.white, left.left)
    plain = (head[:, None, 0, 0], head[:, None, 0, 1:base], own[:, None, 1:base], left.contrast[:, None, 1:base])
    s2 = plain[0] / left.dof
    prior = np.maximum(s2, 1e-30) / EPISODE_SD**2
    first, second = base + pairs.T
    f, r, g = head[:, :, first].transpose(0, 2, 1), left.contrast[:, first], own[:, first]
    fits, log_det = _taken_out(plain, f, r, g + prior), np.log1p(g / prior)
    two = np.flatnonzero(pairs[:, 1] >= 0)
    if two.size:
        one, other = first[two], second[two]
        cross = np.einsum("mkp,mkp->mp", left.white[:, :, other], left.left[:, :, one]) / (g[:, two] + prior)
        h = head[:, :, other].transpose(0, 2, 1) - cross[:, :, None] * f[:, two]
        q = left.contrast[:, other] - cross * r[:, two]
        rest = np.maximum(own[:, other] - cross**2 * (g[:, two] + prior), 0.0)
        both = _taken_out(tuple(part[:, two] for part in fits), h, q, rest + prior)
        for part, found in zip(fits, both, strict=True):
            part[:, two] = found
        log_det[:, two] += np.log1p(rest / prior)
    yy, ty, tt, moved = (np.concatenate(parts, axis=1) for parts in zip(plain, fits, strict=True))
    log_det = np.concatenate([np.zeros_like(s2), log_det], axis=1)
    tt = tt + LEAST_SPREAD_K**2 * (left.dof + 1)
    yy = yy[:, :, None]
    b = ty / tt
    s2 = np.maximum(yy - b * ty, 1e-300) / left.dof
    prior = s2 / PRIOR_PER_K**2
    shrunk = np.maximum(yy - ty**2 / (tt + prior), 1e-300) / left.dof
    whole = (left.log_det[:, None] + log_det)[:, :, None]
    return -0.5 * (whole + np.log1p(tt / prior) + left.dof * np.log(shrunk)), b, s2, tt, moved


def _taken_out(have: tuple[Floats, ...], f: Floats, r: Floats, g: Floats) -> tuple[Floats, ...]:
    """What is left without a column each: its products with the others (m, p, base), its contrast and own product."""
    yy, ty, tt, moved = have
    part = f / g[:, :, None]
    return (
        yy - f[:, :, 0] * part[:, :, 0],
        ty - f[:, :, :1] * part[:, :, 1:],
        np.maximum(tt - f[:, :, 1:] * part[:, :, 1:], 0.0),
        moved - r[:, :, None] * part[:, :, 1:],
    )
