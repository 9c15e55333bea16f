"""Is a rocker flat enough to stand on? Two tests: of its shape, and of its stiffness.

A body whose centre of mass is at the height h above the ankle, on a rigid rocker of radius R: leaning by dγ moves the
contact by R dγ and the mass by h dγ, so it rights itself only for R > h, a curvature below 1/h. Where the foot yields,
the moment about the ankle must grow by at least m g h for each radian of lean, shared by the legs.

References
----------
Elementary statics of an inverted pendulum; the numbers are repeated in the tests.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, nan, pi
from typing import Literal

from benchpipe.kernels.rocker_passes import PassesMean

SAME_LOAD = 0.1
"""Part by which the load of the passes may differ from what a leg carries."""

StandingAnswer = Literal["yes", "no", "undecided", "not known"]


@dataclass(frozen=True)
class RockerStanding:
    """Answers, and the figures they rest on.

    ``shape``: the curvature's interval lies below ``most_curvature`` [1/m]. ``stiff``: the interval of the stiffness
    lies above ``least_stiffness`` [N*m/deg], what each leg has to give.
    """

    shape: StandingAnswer
    stiff: StandingAnswer
    most_curvature: float
    least_stiffness: float
    stiffness: float
    stiffness_low: float
    stiffness_high: float


def standing(
    curvature: PassesMean,
    stiffness: PassesMean,
    force_n: float,
    height_m: float,
    weight_n: float | None,
    legs: int,
) -> RockerStanding:
    """Judge a rocker against a centre of mass.

    Parameters
    ----------
    curvature : PassesMean
        [1/m]
    stiffness : PassesMean
        Moment about the ankle per degree of tilt [N*m/deg], under the load of the passes.
    force_n : float
        That load [N]. The moment of a rigid rocker grows with it, that of a spring does not: it is not scaled to
        another load, and not judged where a leg carries another one.
    height_m, weight_n, legs
        Height of the centre of mass above the ankle, m g, and the legs it is on.

    Returns
    -------
    RockerStanding
        ``stiff`` is "not known", and ``least_stiffness`` NaN, where the weight is not given or the load is another one.
    """
    most = 1.0 / height_m
    shape = _below(curvature.low, curvature.high, most)
    share = weight_n / legs if weight_n is not None else nan
    if weight_n is None or not abs(force_n / share - 1.0) <= SAME_LOAD:
        return RockerStanding(shape, "not known", most, nan, stiffness.value, stiffness.low, stiffness.high)
    least = weight_n * height_m / legs * pi / 180.0
    stiff = _below(-stiffness.high, -stiffness.low, -least)
    return RockerStanding(shape, stiff, most, least, stiffness.value, stiffness.low, stiffness.high)


def _below(low: float, high: float, limit: float) -> StandingAnswer:
    if not (isfinite(low) and isfinite(high)):
        return "not known"
    if high < limit:
        return "yes"
    return "no" if low > limit else "undecided"
