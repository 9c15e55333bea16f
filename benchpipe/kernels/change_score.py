"""Score of an added step or hinge at every time of a binned history, under noise that is fitted with it.

For each time j of change the regression (what is no event, then the change) is solved under each noise model; the
models are averaged by their likelihood, half with that change and half without it (`TRUST`).

References
----------
JCGM 100:2008 §5.2 for the sums; D. L. Wallace, Ann. Math. Statist. 30 (1959) 1124, Student's t as a normal score.
Both written from memory; not checked against the documents.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.binned_noise import BinnedNoiseModels, whitened

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

SHARES = (1.0, 0.75, 0.45, 0.15)
"""Shares of the slow process; four, since a score is no more than its noise's square root off between two."""
RATIO = 2.0
LONGEST = 0.25
"""Longest correlation time tried, as a part of the history: slower noise is taken for wear, or wear for noise."""
TRUST = 0.5
"""Noise is weighted by its likelihood with the change to this power, and by that without it to the rest. With 1 slow
noise is taken for a change: the 95th percentile of the largest scores of runs of 1/f noise is 5.3, with 0.5 it is 4.4.
With 0 a change is taken for slow noise: steps of 0.5 % in noise of 0.1 % score 6.6, not 6.8, slopes 3.8, not 4.9."""
TOGETHER = 8
"""Models whose columns are made white at a time: all of a long history would fill some 100 MB, again and again."""
LEAST_SCALE = 1e-100
"""Of a column: one of noughts, such as a temperature that did not move, has no part in a fit and does not spoil it."""
LEAST_SEEN = 1e-3
"""A change of which the other columns leave less than this part has no score: it is not separable."""


@dataclass(frozen=True, eq=False)
class ScoresResult:
    """Of J changes: height, its standard uncertainty, normal score and log-likelihood, each (J,).

    NaN (likelihood: −inf) where the change is not separable from the other columns.
    """

    height: Floats
    u: Floats
    z: Floats
    likelihood: Floats
    dof: int


def coarse_models(spacing_s: float, span_s: float) -> BinnedNoiseModels:
    """White noise, and shares of slow noise from half a bin's spacing to a quarter of the history.

    Parameters
    ----------
    spacing_s : float
        From one bin to the next [s], > 0.
    span_s : float
        Length of the history [s].

    Returns
    -------
    BinnedNoiseModels
        The first is white.
    """
    top = max(LONGEST * span_s, spacing_s)
    taus = np.geomspace(0.5 * spacing_s, top, max(2, int(np.ceil(np.log(2 * top / spacing_s) / np.log(RATIO))) + 1))
    return BinnedNoiseModels(
        np.concatenate([[1.0], np.repeat(taus, len(SHARES))]),
        np.concatenate([[0.0], np.tile(SHARES, taus.size)]),
    )


@dataclass(frozen=True, eq=False)
class ChangeTable:
    """Products of whitened columns, m models: ``gram`` (m, c, c) of the columns, ``cross`` (m, J, c) with changes.

    ``own`` (m, J) is that of each change with itself, ``log_det`` (m,) of the noise, ``bins`` k.
    """

    gram: Floats
    cross: Floats
    own: Floats
    log_det: Floats
    bins: int

    @classmethod
    def made(
        cls,
        models: BinnedNoiseModels,
        time_s: Floats,
        width_s: Floats,
        weight: Floats,
        columns: Floats,
        changes: Floats,
    ) -> ChangeTable:
        """Of columns (k, c) and changes (k, J); the bins as in `binned_noise.whitened`."""
        c = columns.shape[1]
        both, nothing = np.column_stack([columns, changes]), np.zeros(time_s.size)
        made = []
        for first in range(0, models.tau_s.size, TOGETHER):
            some = slice(first, first + TOGETHER)
            few = BinnedNoiseModels(models.tau_s[some], models.share[some])
            white, log_det, _ = whitened(few, time_s, width_s, weight, both, nothing)
            left, right = np.ascontiguousarray(white[:, :, :c]), np.ascontiguousarray(white[:, :, c:])
            turned = left.transpose(0, 2, 1)
            made.append((turned @ left, turned @ right, np.einsum("mkj,mkj->mj", right, right), log_det))
        gram, cross, own, log_det = (np.concatenate(part) for part in zip(*made, strict=True))
        return cls(gram, cross.transpose(0, 2, 1), own, log_det, time_s.size)

    def null(self, y: int, x: Sequence[int], prior: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Fit column ``y`` by columns ``x``: inverse (m, p, p), coefficients (m, p), rest (m,), s² (m,), likelihood.

        ``prior`` (p,): standard deviation of each coefficient beforehand (inf where it is free).
        """
        index = np.asarray(x)
        gram = self.gram[:, index[:, None], index]
        b = self.gram[:, index, y]
        scale = np.maximum(np.sqrt(np.einsum("mii->mi", gram)), LEAST_SCALE)
        plain = gram / (scale[:, :, None] * scale[:, None, :]) + 1e-9 * np.eye(index.size)
        own = np.maximum(self.gram[:, y, y], 1e-300)
        dof = self.bins - index.size
        for _ in range(2):  # the second time with the prior in units of the noise that the first time left
            inverse = np.linalg.inv(plain) / (scale[:, :, None] * scale[:, None, :])
            solved = np.einsum("mij,mj->mi", inverse, b)
            rest = np.maximum(own - np.einsum("mi,mi->m", b, solved), 1e-12 * own)
            if not np.isfinite(prior).any():
                break
            held = (rest / dof)[:, None] / prior**2 / scale**2
            plain = gram / (scale[:, :, None] * scale[:, None, :]) + (1e-9 + held)[:, :, None] * np.eye(index.size)
        log_det = self.log_det + np.linalg.slogdet(plain)[1] + 2 * np.log(scale).sum(axis=1)
        return inverse, solved, rest, rest / dof, -0.5 * (log_det + dof * np.log(rest / dof))

    def likeliest(self, y: Sequence[int], x: Sequence[int], one_of: Sequence[int], prior: float) -> Indices:
        """For each column of ``y`` (q,) which of ``one_of`` (l,), beside all of ``x``, makes it the most likely.

        ``prior``: standard deviation of that one's coefficient beforehand.
        """
        index, both = np.asarray(x), np.asarray([*one_of, *y])
        n = len(one_of)
        gram = self.gram[:, index[:, None], index]
        scale = np.maximum(np.sqrt(np.einsum("mii->mi", gram)), LEAST_SCALE)
        plain = gram / (scale[:, :, None] * scale[:, None, :]) + 1e-9 * np.eye(index.size)
        met = self.gram[:, index[:, None], both] / scale[:, :, None]
        left = self.gram[:, both[:, None], both] - met.transpose(0, 2, 1) @ np.linalg.solve(plain, met)
        log_det = self.log_det + np.linalg.slogdet(plain)[1] + 2 * np.log(scale).sum(axis=1)
        dof = self.bins - index.size - 1
        own = np.maximum(np.einsum("mii->mi", left), 1e-300)
        rest, seen = own[:, None, n:], own[:, :n, None]
        held = seen + rest / dof / prior**2
        after = np.maximum(rest - left[:, :n, n:] ** 2 / held, 1e-12 * rest)
        log = -0.5 * (log_det[:, None, None] + np.log(held / (rest / dof)) + dof * np.log(after / dof))
        return np.asarray(np.argmax(log.max(axis=0), axis=0), np.int64)

    def scores(self, y: int, x: Sequence[int], prior: Floats) -> ScoresResult:
        """Score each change beside columns ``x`` in column ``y``; ``prior`` as in `null`."""
        index = np.asarray(x)
        inverse, solved, rest, _, base = self.null(y, x, prior)
        dof = self.bins - index.size - 1
        met = self.cross[:, :, index]
        num = self.cross[:, :, y] - np.einsum("mjp,mp->mj", met, solved)
        seen = self.own - np.einsum("mjp,mjp->mj", met @ inverse, met)
        good = seen > LEAST_SEEN * self.own
        seen = np.where(good, seen, 1.0)
        left = np.maximum(rest[:, None] - num**2 / seen, 1e-9 * rest[:, None])
        s2 = left / dof
        log = base[:, None] + 0.5 * (dof + 1) * np.log(rest / (dof + 1))[:, None] - 0.5 * dof * np.log(s2)
        log = np.where(good, log, -np.inf)
        top = log.max(axis=0)
        found = np.isfinite(top)
        likelihood = np.where(
            found, top + np.log(np.maximum(np.exp(log - np.where(found, top, 0.0)).sum(axis=0), 1e-300)), -np.inf
        )
        log = np.where(good, TRUST * log + (1 - TRUST) * base[:, None], -np.inf)
        weight = np.where(found, np.exp(log - np.where(found, log.max(axis=0), 0.0)), 1.0)
        weight = weight / weight.sum(axis=0)
        each = num / seen
        height = (weight * each).sum(axis=0)
        u = np.sqrt((weight * (s2 / seen + (each - height) ** 2)).sum(axis=0))
        z = normal_score(height / u, dof)
        nan = np.where(found, 0.0, np.nan)
        return ScoresResult(height + nan, u + nan, z + nan, likelihood, dof)


def normal_score(t: Floats, dof: float) -> Floats:
    """Normal deviate that is as improbable as Student's t with ``dof`` degrees of freedom (Wallace 1959).

    Parameters
    ----------
    t : float64 array, any shape
        Student's t, without unit.
    dof : float
        Degrees of freedom, > 0.

    Returns
    -------
    float64 array, same shape
        With the sign of t; NaN where t is NaN.
    """
    part = (8 * dof + 1) / (8 * dof + 3)
    return np.asarray(np.sign(t) * part * np.sqrt(dof * np.log1p(t**2 / dof)))
