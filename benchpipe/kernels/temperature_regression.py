"""Regression of a binned history on wear and lagged temperature, averaged over noise models and lags."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.binned_noise import noise_models, whiten
from benchpipe.kernels.history_bins import HistoryBins

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
LIKELY = 0.147
"""exp(−χ²(0.95, 1)/2)."""
LEAST_SPREAD_K = 1e-4
"""A temperature that moves less than this beside wear has no coefficient (it is drawn to 0)."""


@dataclass(frozen=True)
class HistoryFit:
    """Fits of m noise models (rows) and l lags (columns) to a history.

    ``weight`` (m, l): likelihood of each, sum 1. ``coefficient`` and ``coefficient_variance`` (m, l): of
    temperature, per kelvin. ``contrast_variance`` (m, l): of the contrast of the windows' bins;
    ``covariance`` (m, l): of that contrast and the coefficient. ``bins`` is how many readings there were; with
    ``prompt`` the first lag is never ruled out.
    """

    weight: Floats
    coefficient: Floats
    coefficient_variance: Floats
    contrast_variance: Floats
    covariance: Floats
    bins: int
    prompt: bool = False

    @property
    def lag_weight(self) -> Floats:
        """Likelihood of each lag, shape (l,), sum 1."""
        return np.asarray(self.weight.sum(axis=0))

    @property
    def likely(self) -> NDArray[np.bool_]:
        """Lags that the history does not rule out (likelihood ratio, 5 %), shape (l,)."""
        likely = self.lag_weight >= LIKELY * self.lag_weight.max()
        likely[0] |= self.prompt
        return np.asarray(likely)

    def by_lag(self, figure: Floats) -> Floats:
        """Mean over noise models of a figure (m, l) for each likely lag."""
        w = np.maximum(self.weight[:, self.likely], 1e-300)
        return np.asarray((w * np.broadcast_to(figure, self.weight.shape)[:, self.likely]).sum(axis=0) / w.sum(axis=0))

    def averaged(self, estimate: Floats, variance: Floats) -> tuple[float, float, float]:
        """Mean of estimates (m, l), their variance and its degrees of freedom.

        The variance is the mean one within models and that between them, or a quarter of the square of the
        farthest likely lag's distance where that is more: a lag that is true may be one of many as likely.
        The degrees are those of a mean of scaled χ² of unlike scales: 2V²/(⟨v²(1 + 2/k)⟩ − ⟨v⟩²).
        """
        w = self.weight
        mean = float((w * estimate).sum())
        within = float((w * variance).sum())
        farthest = float(np.abs(self.by_lag(estimate) - mean).max())
        total = within + max(float((w * (estimate - mean) ** 2).sum()), farthest**2 / 4)
        spread = float((w * variance**2).sum()) * (1 + 2 / self.bins) - within**2
        dof = 2 * total**2 / spread if spread > 0 else float(self.bins)
        return mean, total, float(np.clip(dof, 2.0, self.bins))


def wear_columns(place: Floats) -> Floats:
    """Cubic B-splines over ``WEAR_KNOTS`` (constant and line among them), and log(1 + x/LOG_FROM), x in 0 to 1."""
    from scipy.interpolate import BSpline

    x = np.clip(place, 0.0, 1.0)
    knots = np.concatenate([[0.0] * 3, WEAR_KNOTS, [1.0] * 3])
    splines = BSpline.design_matrix(x, knots, 3).toarray()
    return np.column_stack([splines, np.log1p(x / LOG_FROM) / np.log1p(1 / LOG_FROM) - x])


def fit_history(bins: HistoryBins, cycles: int, temperature: Floats, contrast: Floats) -> HistoryFit:
    """Fit the means of bins by wear and temperature.

    Parameters
    ----------
    bins : HistoryBins
        k of them.
    cycles : int
        Of the whole history.
    temperature : ndarray, shape (l, k)
        Mean temperature of each bin behind each lag [°C].
    contrast : ndarray, shape (k,)
        Weights of the bins in the change of the windows.

    Notes
    -----
    Wear is taken out of all columns at once (Schur complement of its Gram matrix), so that a fit with one lag
    is a division. With V = C⁻¹ in the metric of one noise model, b = (T'MT)⁻¹T'My, M what wear leaves of V, and
    cov(a'y, b) = s²(a'T − a'X(X'VX)⁻¹X'VT)/(T'MT). The likelihood is restricted to what wear leaves, its
    coefficient free within ``PRIOR_PER_K`` also where the plan's is used: a crack that came with warmth is then no
    noise.
    """
    span = float(bins.end_s[-1] - bins.start_s[0])
    width = bins.end_s - bins.start_s
    models = noise_models(float(np.median(width)), span)
    wear = wear_columns((bins.first + bins.last) / 2 / cycles)
    y = bins.mean - bins.mean.mean()
    t = (temperature - temperature.mean(axis=1, keepdims=True)).T
    columns = np.column_stack([wear, y, t])
    short = np.minimum(width, 6 * models.tau_s[1])  # longer bins than that are rests of unlike cutting
    white = whiten(models, bins.middle_s, short, bins.count / bins.count.mean(), columns, contrast)
    p, dof = wear.shape[1], y.size - wear.shape[1] - 1
    gram = white.gram[:, :p, :p] + 1e-10 * np.eye(p) * np.trace(white.gram[:, :p, :p], axis1=1, axis2=2)[:, None, None]
    solved = np.linalg.solve(gram, white.gram[:, :p, p:])
    left = white.gram[:, p:, p:] - white.gram[:, p:, :p] @ solved
    yy, ty = left[:, :1, 0], left[:, 0, 1:]
    tt = np.diagonal(left, axis1=1, axis2=2)[:, 1:] + LEAST_SPREAD_K**2 * y.size
    b = ty / tt
    s2 = np.maximum(yy - b * ty, 1e-300) / dof
    log_wear = np.linalg.slogdet(gram)[1]
    prior = s2 / PRIOR_PER_K**2
    left_s2 = np.maximum(yy - ty**2 / (tt + prior), 1e-300) / dof
    likelihood = -0.5 * ((white.log_det + log_wear)[:, None] + np.log1p(tt / prior) + dof * np.log(left_s2))
    weight = np.exp(likelihood - likelihood.max())
    weight /= weight.sum()
    moved = (contrast @ t)[None, :] - np.einsum("p,mpl->ml", contrast @ wear, solved[:, :, 1:])
    return HistoryFit(weight, b, s2 / tt, s2 * white.contrast[:, None], s2 * moved / tt, y.size)
