"""Creep of a hold free of any law: a smooth curve of random Kelvin bodies, averaged over what is not known.

    y(t) = constant + leak t + sum of b_k (1 - exp(-t/tau_k)) + noise

The time constants tau_k are fixed, three to a decade from a third of the first time to three times the end;
the b_k are independent with variance r s^2, s^2 that of a single reading. For each r and each noise (white;
white with a share of first-order autocorrelated noise; white with a share of 1/f noise) a figure of the curve
is its best linear unbiased prediction, and its mean square error the variance. All are averaged by their
restricted likelihood, and the variance between them is added: neither the smoothness of the creep nor the
noise counts as known. Each of the three kinds of noise counts a third beforehand: where every single noise
counted the same, 1/f noise lost to the many autocorrelated ones (false passes up to 8 %, now 7).
r = 0 is a bare leak, so that a joint that does not move keeps a narrow interval.

All weights depend on the averages' times and counts alone.

References
----------
G. K. Robinson, "That BLUP is a good thing", Statistical Science 6 (1991) 15: best linear unbiased prediction
and its mean square error. H. D. Patterson & R. Thompson, Biometrika 58 (1971) 545: restricted likelihood.
J. A. Hoeting et al., Statistical Science 14 (1999) 382: averages over models, variance between them.
All three written from memory; not checked against the papers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.kernels.creep_noise import NoiseResult, averages_covariance, white_noise

Floats = NDArray[np.float64]

FEWEST = 6
"""Averages below which there is no curve: two are spent on constant and leak, and dof must be left."""
KELVINS_PER_DECADE = 3
REACH = 3.0
"""Time constants go from the first time over this to the end times this."""
SPREADS = (0.0, *(10.0**k for k in range(-1, 10)))
"""Variance of a Kelvin body's amplitude, in variances of a reading: r."""
AR_SHARES = (1.0, 0.6, 0.3, 0.1)
AR_TIMES = 16
LONGEST_AR = 20.0
"""Autocorrelation times go from 0.3 reading intervals to the end over this."""
FLICKER_SHARES = (1.0, 0.8, 0.6, 0.4, 0.2, 0.1, 0.03)
FLICKER_PARTS = 12
"""First-order parts of equal variance, their times even in log, that make 1/f noise."""
LEAST_DOF = 4.0
AT_ONCE = 2_000_000
"""Numbers worked on at once: 16 MB."""


@dataclass(frozen=True, eq=False)
class CurveFigure:
    """A figure that is linear in the curve: weights of (constant, leak by the end) and of each Kelvin body."""

    fixed: Floats
    bodies: Floats


@dataclass(frozen=True, eq=False)
class Ladder:
    """The columns of the curve: times in s, ``taus`` of shape (bodies,)."""

    first_s: float
    end_s: float
    taus: Floats

    def fixed(self, time_s: Floats) -> Floats:
        """Columns of constant and leak, shape (n, 2)."""
        return np.column_stack([np.ones_like(time_s), time_s / self.end_s])

    def bodies(self, time_s: Floats) -> Floats:
        """Columns of the Kelvin bodies, shape (n, bodies)."""
        return np.asarray(-np.expm1(-time_s[:, None] / self.taus))

    def between(self, since_s: float, at_s: float) -> CurveFigure:
        """Motion from one time to another."""
        t = np.array([since_s, at_s])
        return CurveFigure(np.diff(self.fixed(t), axis=0)[0], np.diff(self.bodies(t), axis=0)[0])

    def motion(self, at_s: float) -> CurveFigure:
        """Motion at one time."""
        t = np.array([at_s])
        return CurveFigure(self.fixed(t)[0], self.bodies(t)[0])

    def rate(self, at_s: float) -> CurveFigure:
        """Rate at one time [1/s]."""
        return CurveFigure(np.array([0.0, 1 / self.end_s]), np.exp(-at_s / self.taus) / self.taus)

    def leak(self) -> CurveFigure:
        """Rate that goes on for ever [1/s]."""
        return CurveFigure(np.array([0.0, 1 / self.end_s]), np.zeros(self.taus.size))


@dataclass(frozen=True, eq=False)
class CurveResult:
    """Figures of one or many holds with the same times, arrays of shape (figures, holds).

    ``value``, its ``standard_error`` (which holds the variance between models) and degrees of freedom ``dof``;
    ``s`` of shape (holds,), standard deviation of a single reading; ``slow`` of shape (holds,), weight of 1/f noise
    among the noises that the averages allow; ``shared`` of shape (errors, figures, holds),
    what each common error moves each figure by.
    """

    value: Floats
    standard_error: Floats
    dof: Floats
    s: Floats
    slow: Floats
    shared: Floats

    def half(self, coverage: float) -> Floats:
        """Half of each interval, by Student's t."""
        from scipy.special import stdtrit

        return np.asarray(stdtrit(self.dof, 0.5 + coverage / 2) * self.standard_error)


@dataclass(frozen=True, eq=False)
class CurveLayout:
    """Weights for one layout of times: whitened by each of the noises (first axis of all arrays).

    ``whiten`` (noises, n, n), ``log_prior`` (noises,) with the determinants of the noise in it; the Kelvin
    bodies' columns as ``left`` (noises, n, k), ``sizes`` (noises, k), ``right`` (noises, k, bodies); ``along``
    (noises, k, 2) and ``across`` (noises, n, 2): constant and leak inside and outside them.
    """

    ladder: Ladder
    whiten: Floats
    log_prior: Floats
    left: Floats
    sizes: Floats
    right: Floats
    along: Floats
    across: Floats

    def predict(self, motion: ArrayLike, figures: Sequence[CurveFigure], errors: Sequence[Floats] = ()) -> CurveResult:
        """Estimate figures of the curve.

        Parameters
        ----------
        motion : array_like, shape (n,) or (holds, n)
            Averages at the layout's times, in any unit.
        figures : sequence of CurveFigure
        errors : sequence of ndarray, shape (n,)
            Errors that the averages have in common, one standard uncertainty each.

        Returns
        -------
        CurveResult
            Axis ``holds`` of length 1 for one hold.
        """
        y = np.atleast_2d(np.asarray(motion, np.float64))
        each = len(self.log_prior) * len(SPREADS) * (self.sizes.shape[1] + y.shape[1])
        step = max(1, AT_ONCE // each)
        parts = [self._predict(y[k : k + step], figures, errors) for k in range(0, len(y), step)]
        joined = [np.concatenate([part[i] for part in parts], axis=-1) for i in range(6)]
        return CurveResult(*joined)

    def _predict(
        self, y: Floats, figures: Sequence[CurveFigure], errors: Sequence[Floats]
    ) -> tuple[Floats, Floats, Floats, Floats, Floats, Floats]:
        """Axes: j noise, k spread r, b along the Kelvin bodies, n averages, x constant and leak, d hold, f figure."""
        r = np.array(SPREADS)
        kept = 1 / (1 + r[:, None] * self.sizes[:, None, :] ** 2)  # j k b
        normal = np.einsum("jkb,jbx,jby->jkxy", kept, self.along, self.along)
        normal += np.einsum("jnx,jny->jxy", self.across, self.across)[:, None]
        inverse = np.linalg.inv(normal)
        fixed, bodies = (np.array([getattr(f, part) for f in figures]) for part in ("fixed", "bodies"))
        onto = np.einsum("fm,jbm->jfb", bodies, self.right)
        gain = np.einsum("k,jfb,jb,jkb->jkfb", r, onto, self.sizes, kept)
        left = fixed - np.einsum("jkfb,jbx->jkfx", gain, self.along)
        free = np.sum(bodies**2, axis=1) - np.sum(onto**2, axis=2)  # of bodies that no average shows
        error = np.einsum("k,jfb,jkb->jkf", r, onto**2, kept) + r[:, None] * np.maximum(free, 0.0)[:, None]
        error += np.einsum("jkfx,jkxy,jkfy->jkf", left, inverse, left)

        def solve(v: Floats) -> tuple[Floats, Floats, Floats]:
            """Figures, and what is left along and across the Kelvin bodies."""
            white = self.whiten @ v.T  # j n d
            inside = np.swapaxes(self.left, 1, 2) @ white  # j b d
            outside = white - self.left @ inside
            aim = np.einsum("jkb,jbx,jbd->jkxd", kept, self.along, inside)
            aim += (np.swapaxes(self.across, 1, 2) @ outside)[:, None]
            beta = inverse @ aim  # j k x d
            rest = inside[:, None] - self.along[:, None] @ beta  # j k b d
            return gain @ rest + fixed @ beta, rest, outside[:, None] - self.across[:, None] @ beta

        base = y.mean(axis=1)
        value, rest, across = solve(y - base[:, None])
        value += np.multiply.outer(fixed[:, 0], base)
        square = np.einsum("jkb,jkbd->jkd", kept, rest**2) + np.sum(across**2, axis=2)
        dof = y.shape[1] - 2
        variance = np.maximum(square, 1e-26 * np.sum((y - base[:, None]) ** 2, axis=1) + 1e-300) / dof
        worth = 0.5 * np.sum(np.log(kept), axis=2) + self.log_prior[:, None] - 0.5 * np.log(np.linalg.det(normal))
        likelihood = worth[..., None] - 0.5 * dof * np.log(variance)
        weight = np.exp(likelihood - likelihood.max(axis=(0, 1)))
        weight /= weight.sum(axis=(0, 1))
        mean = np.einsum("jkd,jkfd->fd", weight, value)
        each = error[..., None] * variance[:, :, None]
        within = np.einsum("jkd,jkfd->fd", weight, each)
        total = within + np.einsum("jkd,jkfd->fd", weight, (value - mean) ** 2)
        fourth = np.einsum("jkd,jkfd->fd", weight, each**2) * (1 + 2 / dof)
        spare = 2 * total**2 / np.maximum(fourth - within**2, 1e-300)
        freedom = np.clip(spare, min(LEAST_DOF, dof), dof)
        shared = np.empty((len(errors), len(figures), len(y)))
        for at, one in enumerate(errors):
            shared[at] = np.einsum("jkd,jkf->fd", weight, solve(one[None, :])[0][..., 0])
        s = np.sqrt(np.einsum("jkd,jkd->d", weight, variance))
        slow = weight[-len(FLICKER_SHARES) :].sum(axis=(0, 1))
        return mean, np.sqrt(total), freedom, s, slow, shared


def curve_layout(time_s: ArrayLike, count: ArrayLike, end_s: float) -> CurveLayout | None:
    """Work out the weights of a layout of averages.

    Parameters
    ----------
    time_s : array_like, shape (n,), s
        Never falling, >= 0.
    count : array_like, shape (n,)
        Readings in each average.
    end_s : float
        End of the hold.

    Returns
    -------
    CurveLayout or None
        None for fewer than six averages, or where their times fall.
    """
    t, n = np.asarray(time_s, np.float64), np.asarray(count, np.float64)
    if t.size < FEWEST or not np.all(np.diff(t) >= 0) or not t[-1] > 0 or not end_s > 0:
        return None
    first = float(t[t > 0][0])
    low, high = first / REACH, end_s * REACH
    taus = np.geomspace(low, high, 1 + round(KELVINS_PER_DECADE * np.log10(high / low)))
    ladder = Ladder(first, end_s, taus)
    covariances, prior = _covariances(t, n, end_s)
    factor = np.linalg.cholesky(covariances)
    whiten = np.linalg.inv(factor)
    left, sizes, right = np.linalg.svd(whiten @ ladder.bodies(t), full_matrices=False)
    columns = whiten @ ladder.fixed(t)
    along = np.swapaxes(left, 1, 2) @ columns
    log_prior = np.log(prior) - np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
    return CurveLayout(ladder, whiten, log_prior, left, sizes, right, along, columns - left @ along)


def _covariances(t: Floats, count: Floats, end_s: float) -> tuple[Floats, Floats]:
    """Covariance of the averages under each noise, for readings of variance 1, and each one's prior."""
    interval = white_noise(t, count).interval_s
    white = np.diag(1 / count)

    def slow(tau: float) -> Floats:
        return averages_covariance(t, count, NoiseResult(1.0, tau, 1.0, interval, True))

    autocorrelated = [slow(float(tau)) for tau in np.geomspace(0.3 * interval, end_s / LONGEST_AR, AR_TIMES)]
    flicker = np.mean([slow(float(tau)) for tau in np.geomspace(0.4 * interval, REACH * end_s, FLICKER_PARTS)], axis=0)
    mixed = [(c, share) for c in autocorrelated for share in AR_SHARES] + [(flicker, s) for s in FLICKER_SHARES]
    many = np.array([1, len(mixed) - len(FLICKER_SHARES), len(FLICKER_SHARES)])
    prior = np.repeat(1 / (3 * many), many)
    return np.array([white, *(share * c + (1 - share + 1e-9) * white for c, share in mixed)]), prior


def step_left(step: ArrayLike, spread: ArrayLike) -> Floats:
    """Standard uncertainty that averaging leaves of a channel's step.

    Readings q apart stick where nothing moves, and show in no residual. With noise of standard deviation s the
    mean of rounded readings, over all places of the truth between two steps, is off by a periodic function of
    mean square sum over k of q^2/(2 pi^2 k^2) exp(-4 pi^2 k^2 s^2/q^2) (Fourier series of rounding; B. Widrow
    & I. Kollar, *Quantization Noise*, Cambridge 2008; from memory).

    Readings that flicker between two neighbours have a spread of up to q/2 however small the noise is, where the
    truth lies between them: s^2 = spread^2 - q^2/4 is the least noise that the spread shows. The usual
    spread^2 - q^2/12 holds for the mean over all places, and covered 87 % of holds with creep below a step.

    Parameters
    ----------
    step : array_like, any shape
        q, >= 0, in the unit of the motion.
    spread : array_like, any shape that fits
        Standard deviation of single readings about the truth, their rounding included, in the same unit.

    Returns
    -------
    float64 array, shape of both broadcast
        In the unit of the step; 0 where there is no step, at most 0.289 q.
    """
    q, size = np.broadcast_arrays(np.asarray(step, np.float64), np.asarray(spread, np.float64))
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.where(q > 0, np.maximum(size**2 - q**2 / 4, 0.0) / q**2, inf)
    k = np.arange(1, 200).reshape(-1, *([1] * q.ndim))
    return np.asarray(q * np.sqrt(np.sum(np.exp(-4 * np.pi**2 * k**2 * part) / (2 * np.pi**2 * k**2), axis=0)))
