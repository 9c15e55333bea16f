"""Gauge study: how much of what is seen comes from mounting and rig, and how much from the specimens.

Parts are specimens, appraisers are rigs (or operators), trials are mounts.

References
----------
AIAG, *Measurement Systems Analysis*: analysis of variance (from memory; numbers verified against the manual's data
set in the tests).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import floor, hypot, inf, nan, sqrt

import numpy as np
from numpy.typing import ArrayLike

from benchpipe.kernels.anova import AnovaRow, anova_row

POOLED_FROM = 0.25  # p of the interaction from which it counts as error


@dataclass(frozen=True)
class GaugeResult:
    """Standard deviations of a gauge study, in the unit of the values.

    Attributes
    ----------
    repeatability : float
        Same specimen, same rig, mounted again.
    repeatability_interval : tuple of float
        95 %, by χ².
    reproducibility : float
        Between rigs, their interaction with specimens in it where it was kept.
    gauge : float
        Both together.
    parts : float
        Between specimens.
    total : float
    share : float
        gauge / total.
    categories : int
        Classes of specimens that can be told apart: 1.41 parts / gauge, rounded down.
    part_row, appraiser_row, interaction_row : AnovaRow
    error_squares : float
        Without a pooled interaction.
    pooled : bool
        The interaction was counted as error.
    """

    repeatability: float
    repeatability_interval: tuple[float, float]
    reproducibility: float
    gauge: float
    parts: float
    total: float
    share: float
    categories: int
    part_row: AnovaRow
    appraiser_row: AnovaRow
    interaction_row: AnovaRow
    error_squares: float
    pooled: bool


def gauge_study(values: ArrayLike) -> GaugeResult:
    """Analysis of variance of a crossed, balanced gauge study.

    Parameters
    ----------
    values : array_like, shape (parts, appraisers, trials), float64
        At least two of each, all finite. A negative variance counts as 0.

    Returns
    -------
    GaugeResult
        Standard deviations in the unit of the values.

    Raises
    ------
    ValueError
        Another shape, or a value is missing.
    """
    from scipy.special import chdtri

    x = np.asarray(values, np.float64)
    if x.ndim != 3 or min(x.shape) < 2 or not np.isfinite(x).all():
        raise ValueError(f"a gauge study needs two parts, appraisers and trials at least, all measured; got {x.shape}")
    p, a, t = x.shape
    x = x - x[0, 0, 0]
    cells, parts, rigs, grand = x.mean(axis=2), x.mean(axis=(1, 2)), x.mean(axis=(0, 2)), float(x.mean())
    ss_parts = a * t * float(((parts - grand) ** 2).sum())
    ss_rigs = p * t * float(((rigs - grand) ** 2).sum())
    ss_both = t * float(((cells - parts[:, None] - rigs + grand) ** 2).sum())
    ss_error = float(((x - cells[:, :, None]) ** 2).sum())
    dof_both, dof_error = (p - 1) * (a - 1), p * a * (t - 1)
    both = anova_row(ss_both, dof_both, ss_error, dof_error)
    pooled = not both.p < POOLED_FROM
    squares, dof = (ss_error + ss_both, dof_error + dof_both) if pooled else (ss_error, dof_error)
    within = squares / dof
    against = within if pooled else both.mean_square
    interaction = 0.0 if pooled else max((both.mean_square - within) / t, 0.0)
    of_rigs = max((ss_rigs / (a - 1) - against) / (p * t), 0.0)
    of_parts = max((ss_parts / (p - 1) - against) / (a * t), 0.0)
    repeat, repro = sqrt(within), sqrt(of_rigs + interaction)
    interval = (sqrt(squares / float(chdtri(dof, 0.025))), sqrt(squares / float(chdtri(dof, 0.975))))
    against_squares, against_dof = (squares, dof) if pooled else (ss_both, dof_both)
    return _result(
        repeat, interval, repro, sqrt(of_parts), anova_row(ss_parts, p - 1, against_squares, against_dof),
        anova_row(ss_rigs, a - 1, against_squares, against_dof), both, ss_error, pooled,
    )  # fmt: skip


def _result(
    repeat: float, interval: tuple[float, float], repro: float, parts: float, part_row: AnovaRow,
    appraiser_row: AnovaRow, interaction_row: AnovaRow, error_squares: float, pooled: bool,
) -> GaugeResult:  # fmt: skip
    gauge = hypot(repeat, repro)
    total = hypot(gauge, parts)
    ratio = sqrt(2.0) * parts / gauge if gauge > 0.0 else inf
    return GaugeResult(
        repeat, interval, repro, gauge, parts, total, gauge / total if total > 0.0 else nan,
        floor(ratio) if ratio < 1e9 else 10**9, part_row, appraiser_row, interaction_row, error_squares, pooled,
    )  # fmt: skip
