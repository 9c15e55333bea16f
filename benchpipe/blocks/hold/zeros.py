"""Compare the load's zero at rest before the ramp of a hold with that after release.

A load cell that creeps or warms up through a long hold comes back to another zero. Nothing is corrected: when in
the hold it moved is not known, so that half of it may be too much as well as too little.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.holds import COUNT, LOAD, LOAD2, HoldState
from benchpipe.kernels.robust import MAD_TO_SIGMA

Floats = NDArray[np.float64]
# Common practice, no source.
LEAST_REST_S = 2.0  # a shorter stay without load says nothing of the zero
LEAST_SAMPLES = 20
LEAST_SHIFT = 0.005  # of the load: a smaller shift is given, and not named; one not known so well is not given
UNLOADED_S = 60.0  # the load is off so soon after the hold


@dataclass(frozen=True)
class Rest:
    """A stay without load: what the load reads there, and its standard uncertainty.

    ``load_u`` holds how far the averages of the stay wander, besides the noise: a zero that creeps back
    after the release, or the foot of a slow ramp.
    """

    start_us: int
    end_us: int
    load: float
    load_u: float


@dataclass(frozen=True)
class ZeroShift:
    """What the load read without load before and after a hold; NaN where it was not seen on both sides."""

    before: float = math.nan
    after: float = math.nan
    u: float = math.nan

    @property
    def shift(self) -> float:
        """After less before."""
        return self.after - self.before

    @property
    def load_u(self) -> float:
        """Standard uncertainty that it adds to the load of the hold: the zero is anywhere between (rectangular)."""
        return math.hypot(self.shift, self.u) / math.sqrt(3.0)

    def named(self, load: float) -> bool:
        """Whether it exceeds noise (k = 2) and matters beside the load."""
        return abs(self.shift) > max(2.0 * self.u, LEAST_SHIFT * abs(load))


def rest_of(state: HoldState, bins: Floats) -> Rest | None:
    """A stay without load; None where it is too short.

    The middle of its averages counts, each with the weight of its samples: a ramp's foot and the fall of the load
    are few of them.

    Parameters
    ----------
    state : HoldState
        Of the scan for the stay.
    bins : float64 array, shape (N_BINS, 8)
        Its sums.
    """
    if (state.last_in_us - state.start_us) * 1e-6 < LEAST_REST_S:  # first: cycling has as many as cycles
        return None
    bins = bins[bins[:, COUNT] > 0]
    count = bins[:, COUNT]
    if count.sum() < LEAST_SAMPLES:
        return None
    mean = bins[:, LOAD] / count
    middle = _weighted_median(mean, count)
    wander = MAD_TO_SIGMA * _weighted_median(np.abs(mean - middle), count)
    inside = max(float(np.average(bins[:, LOAD2] / count - mean * mean, weights=count)), 0.0)
    u = math.hypot(wander, math.sqrt(inside / float(count.sum())))
    return Rest(state.start_us, state.last_in_us, state.origin_load + middle, u)


def zero_shift(rests: list[Rest], foot_us: int, end_us: int, load: float) -> ZeroShift:
    """The zero on both sides of a hold; nothing where a stay beside it is none at rest.

    Parameters
    ----------
    rests : list of Rest
        Of the block, in order.
    foot_us : int
        Where the ramp of the hold began; -1 where that is not known.
    end_us : int
        Last sample of the hold.
    load : float
        That was held.
    """
    before = next((r for r in rests if foot_us >= 0 and r.start_us <= foot_us <= r.end_us), None)
    after = next((r for r in rests if r.start_us >= end_us), None)
    if before is None or after is None or after.start_us - end_us > UNLOADED_S * 1e6:
        return ZeroShift()
    u = math.hypot(before.load_u, after.load_u)
    return ZeroShift(before.load, after.load, u) if u <= LEAST_SHIFT * abs(load) else ZeroShift()


def with_zero(row: dict[str, Any], zero: ZeroShift) -> dict[str, Any]:
    """Row of a hold with the zero on both sides of it, and what that adds to the uncertainty of other figures."""
    load_u = zero.load_u
    found = row | {"zero_shift": zero.shift, "zero_shift_u": zero.u, "load_mean_u": load_u}
    if math.isfinite(load_u) and math.isfinite(row["elastic_motion_u"]):
        by_zero = abs(row["elastic_motion"] / row["load_mean"]) * load_u
        found["elastic_motion_u"] = math.hypot(row["elastic_motion_u"], by_zero)
    return found


def zero_words(zero: ZeroShift, unit: str) -> str:
    """A zero that moved, in words."""
    return (
        f"without load it read {zero.before:.3g} {unit} before and {zero.after:.3g} {unit} after "
        f"({zero.shift:+.3g} +- {2.0 * zero.u:.2g} {unit}, k = 2): the load's zero moved, or something still loads it"
    )


def _weighted_median(values: Floats, weights: Floats) -> float:
    order = np.argsort(values, kind="stable")
    sums = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(sums, 0.5 * sums[-1])])
