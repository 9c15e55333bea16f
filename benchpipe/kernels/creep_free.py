"""Figures of a hold's creep that depend on no law: creep, rate and leak of the smooth curve (`creep_curve`).

Half of an interval is the root sum of squares of the curve's own uncertainty (Student's t, widened by the deficit
that simulation showed), the rest of the channel's step, the channel's drift, and errors that all averages share.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, nan, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.kernels.creep_curve import CurveFigure, CurveLayout, curve_layout, step_left
from benchpipe.kernels.lines import t_quantile

Floats = NDArray[np.float64]

WIDER, WIDER_IN_SLOW_NOISE = 1.05, 0.25
"""Factor on a creep's interval, and what is added to it by the weight of 1/f noise: the prediction leans towards no
creep, and slow noise hides small creep. Without them 400 holds of each of ten kinds covered 86 to 100 % in 1/f noise
and passed up to 13 % falsely; with them 96 to 100 % and up to 3.5 % (tests/benchmarks/free_coverage.py)."""
WIDER_RATE = 1.25
"""The same for the rate at the end, which only the averages on one side of it tell."""
RATE_SPAN = 0.3
"""Part of the hold over which two averages that are off by a part of the step tilt the rate."""


@dataclass(frozen=True)
class FreeFigure:
    """A figure with its interval; NaN where there is no curve.

    ``standard_error`` is that of the curve alone, with ``dof`` degrees of freedom; ``step_u`` and ``drift_u`` are
    the standard uncertainties by the channel's step and drift, which the interval holds too.
    """

    value: float
    standard_error: float
    low: float
    high: float
    dof: float
    step_u: float
    drift_u: float

    @property
    def known(self) -> bool:
        """Whether there is a figure."""
        return self.value == self.value


NO_FIGURE = FreeFigure(nan, nan, nan, nan, nan, nan, nan)


@dataclass(frozen=True)
class FreeCreep:
    """Figures of one hold. Creep counts from ``since_s``; rates are per s.

    ``reading_s`` is the standard deviation of a single reading about the curve.
    """

    since_s: float
    end_s: float
    motion: FreeFigure
    creep_end: FreeFigure
    creep_at: tuple[FreeFigure, ...]
    end_rate: FreeFigure
    leak: FreeFigure
    reading_s: float
    converged: bool


def free_creep(
    time_s: ArrayLike,
    motion: ArrayLike,
    count: ArrayLike,
    *,
    since_s: float,
    end_s: float,
    asked_s: Sequence[float] = (),
    errors: Sequence[Floats] = (),
    resolution: float = 0.0,
    spread: float = 0.0,
    drift_per_s: float = 0.0,
    layout: CurveLayout | None = None,
    coverage: float = 0.95,
) -> FreeCreep:
    """Estimate creep, rate at the end and leak without a law.

    Parameters
    ----------
    time_s, motion, count : array_like, shape (n,), s, unit of motion, readings
        Averages, finite; times rise from ``since_s`` or later.
    since_s, end_s : float, s
        Where creep counts from, and the end of the hold.
    asked_s : sequence of float, s
        Times at which creep is asked; there is none before ``since_s`` or after ``end_s``.
    errors : sequence of ndarray, shape (n,)
        Standard uncertainties that all averages share, as of a correction's coefficient.
    resolution, spread : float, unit of motion
        Step of the channel, and standard deviation of single readings inside the averages.
    drift_per_s : float, unit of motion/s
        Standard uncertainty of the channel's drift: steady over the hold, of unknown size.
    layout : CurveLayout, optional
        Of these times and counts, where many holds have the same.
    coverage : float
        Of every interval, between 0 and 1.

    Returns
    -------
    FreeCreep
        Not ``converged``, the figures NaN, where there are fewer than six averages.
    """
    y = np.asarray(motion, np.float64)
    if layout is None and np.isfinite(y).all():
        layout = curve_layout(time_s, count, end_s)
    if layout is None or not np.isfinite(y).all():
        none = (NO_FIGURE,) * len(asked_s)
        return FreeCreep(since_s, end_s, NO_FIGURE, NO_FIGURE, none, NO_FIGURE, NO_FIGURE, nan, False)
    ladder = layout.ladder
    inside = [since_s <= at <= end_s for at in asked_s]
    times = [end_s, *(at for at, known in zip(asked_s, inside, strict=True) if known)]
    asked: list[CurveFigure] = [ladder.motion(since_s), ladder.rate(end_s), ladder.leak()]
    asked += [ladder.between(since_s, at) for at in times]
    found = layout.predict(y, asked, errors)
    step = float(step_left(resolution, spread))
    tilt = sqrt(2) * step / (RATE_SPAN * end_s)
    wider = WIDER + WIDER_IN_SLOW_NOISE * float(found.slow[0])
    widths = [wider, WIDER_RATE, WIDER_RATE, *(wider for _ in times)]
    steps = [step, tilt, tilt, *(sqrt(2) * step for _ in times)]
    drifts = [0.0, drift_per_s, drift_per_s, *(drift_per_s * (at - since_s) for at in times)]
    figures = []
    for k, (width, step_u, drift_u) in enumerate(zip(widths, steps, drifts, strict=True)):
        value, error, dof = (float(of[k, 0]) for of in (found.value, found.standard_error, found.dof))
        half = hypot(width * t_quantile(coverage, dof) * error, 2 * step_u, 2 * drift_u, *(2 * found.shared[:, k, 0]))
        figures.append(FreeFigure(value, error, value - half, value + half, dof, step_u, drift_u))
    at_times = iter(figures[4:])
    return FreeCreep(
        since_s=since_s,
        end_s=end_s,
        motion=figures[0],
        creep_end=figures[3],
        creep_at=tuple(next(at_times) if known else NO_FIGURE for known in inside),
        end_rate=figures[1],
        leak=figures[2],
        reading_s=float(found.s[0]),
        converged=True,
    )
