"""Falls of the load in a proof: sudden drops, slow collapses, and distinguished from unloading.

A fall is unloading where the motion comes back by at least half of what loading between the same
loads took. It is no unloading where the motion goes ahead. In between, the whole of the fall decides:
friction holds the motion back when the load is first taken off. A motion that shows nothing decides
nothing. Definitions are this project's own, common practice, no source.

A break and a rig that retracts at once look much like unloading. :meth:`Falls.loss` therefore compares the load lost
with the load that the returned motion explains at the stiffness of loading.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import inf, nan, sqrt

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.proofs import ProofTargets, first_fall
from benchpipe.kernels.robust import mad_sigma

BACK, AHEAD = 0.5, -0.1  # of the motion of unloading: it came back; it went on
NOISES = 6.0  # motion of unloading must be so many times its noise to be seen
MOST_LOST = 0.5  # of the load above the settling load: a fall by so much is a loss of the load
EXPLAINED = 0.75  # of a sudden loss: unloading may be stiffer than loading by a third
LOOKED_AT = 0.8  # of the fall: later the motion goes on without load, and explains nothing
FASTER = 3.0  # times the loading rate, over the whole fall: a planned release is slower
COLLAPSE = (0.9, 0.8)  # of the peak load: between them a slow collapse is looked at
CURVE_BINS = 24
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class FallsResult:
    """What falls there were. Samples; ``drop`` is the first sudden one (top, bottom), ``failed_at`` -1 for none.

    ``known``: the motion could tell. Where it could not, there is neither drop nor failure.
    """

    drop: tuple[int, int] | None = None
    failed_at: int = -1
    known: bool = False


@dataclass(frozen=True)
class LossResult:
    """A sudden loss of the load that did not come back.

    Attributes
    ----------
    top, bottom : int
        Samples where the load began and ended to fall.
    explained : float
        Part of the loss that unloading by the returned motion explains; NaN where the motion cannot tell.
    faster : float
        Mean rate of the fall over the loading rate; NaN where that is not known.
    """

    top: int
    bottom: int
    explained: float
    faster: float

    @property
    def failed(self) -> bool:
        """Whether the load fell faster than the stiffness explains."""
        return self.explained < (BACK if self.faster < FASTER else EXPLAINED)

    @property
    def undecided(self) -> bool:
        """Whether failure and a quick release cannot be separated."""
        return not self.failed and (bool(np.isnan(self.explained)) or not self.faster < FASTER)


@dataclass(frozen=True)
class Falls:
    """Samples of one proof, as :func:`benchpipe.kernels.proof_measure.measure_proof` has them.

    Attributes
    ----------
    t, load, motion : float64 arrays, shape (n,)
        Load turned so that the proof load is positive.
    first, top, end : int
        Last sample before the rise; the end of loading; first sample back at the settling load.
    """

    t: Floats
    load: Floats
    motion: Floats
    asked: ProofTargets
    first: int
    top: int
    end: int

    @cached_property
    def peak(self) -> int:
        """Sample of the largest load."""
        return self.first + int(np.argmax(self.load[self.first : self.end]))

    @cached_property
    def noise(self) -> float:
        """Standard deviation of the motion from sample to sample."""
        noise = mad_sigma(np.diff(self.motion[self.first : self.end])) / sqrt(2.0)
        return noise if np.isfinite(noise) else 0.0

    def find(self, *, follows: bool) -> FallsResult:
        """Find the first sudden drop, and the failure.

        ``follows``: the motion followed the load on the way up.
        """
        asked, at = self.asked, self.first
        found: tuple[int, int] | None = None
        unloading: bool | None = True if follows and not np.isnan(self._back(self.top, self.first)) else None
        while unloading is True:
            top, bottom = first_fall(self.t, self.load, at, min(self.end + 1, self.t.size), asked.drop, asked.drop_s)
            if top < 0:
                break
            unloading = self._is_unloading(top, bottom)
            found = (top, self._bottom(top, bottom)) if unloading is False else None
            at = bottom
        if found is not None:
            again = np.max(self.load[found[1] : self.end], initial=-inf)
            if again < self.load[found[0]] - asked.band:
                return FallsResult(found, found[0], known=True)
        failed_at, told = self._collapse()
        if unloading is None or not (told or found):
            return FallsResult()
        return FallsResult(found, failed_at, known=True)

    def loss(self, stiffness: float, rate: float) -> LossResult | None:
        """Find a sudden loss of most of the load.

        Parameters
        ----------
        stiffness : float
            Of loading, load per motion; NaN: unknown.
        rate : float
            Loading rate [load/s]; NaN: unknown.
        """
        asked, at, stop = self.asked, self.first, min(self.end + 1, self.t.size)
        within_s = max(asked.drop_s, 1.5 * float(np.median(np.diff(self.t[self.first : stop]))))
        while True:
            top, bottom = first_fall(self.t, self.load, at, stop, asked.drop, within_s)
            if top < 0:
                return None
            until = self._lowest(bottom, within_s, stop - 1)
            lost = float(self.load[top] - self.load[until])
            again = float(np.max(self.load[until:stop]))
            if lost >= MOST_LOST * (self.load[top] - asked.settling) and again < self.load[top] - asked.band:
                fall = float(lost / (self.t[until] - self.t[top]))
                return LossResult(top, until, self._explained(top, until, stiffness), fall / rate)
            at = max(bottom, at + 1)

    def _lowest(self, bottom: int, within_s: float, last: int) -> int:
        """Sample where a fall ends: while the load falls on."""
        until = bottom
        while True:
            ahead = min(int(np.searchsorted(self.t, self.t[until] + within_s, "right")) - 1, last)
            if ahead <= until or self.load[until] - self.load[ahead] < 0.5 * self.asked.drop:
                return until
            until = ahead

    def _explained(self, top: int, bottom: int, stiffness: float) -> float:
        """Part of a fall that the returned motion explains, by the curve or the line of loading, the larger."""
        motion = self.motion[max(top - 1, self.first) : bottom + 1]
        if np.ptp(motion) == 0.0 or not np.isfinite(stiffness):
            return nan
        low = float(self.load[top]) - LOOKED_AT * float(self.load[top] - self.load[bottom])
        here = top + int(np.argmax(self.load[top : bottom + 1] <= low))
        whole = float(self.load[top] - self.load[here]) / stiffness
        if abs(whole) <= NOISES * self.noise:
            return nan
        by_line = float(self.motion[top] - self.motion[here]) / whole
        by_curve = self._back(top, here)
        return by_line if np.isnan(by_curve) else max(by_line, by_curve)

    def _bottom(self, top: int, bottom: int) -> int:
        """Sample where a sudden drop ends: the least load within its time."""
        until = int(np.searchsorted(self.t, self.t[top] + self.asked.drop_s, "right"))
        return bottom + int(np.argmin(self.load[bottom : max(until, bottom + 1)]))

    def _collapse(self) -> tuple[int, bool]:
        """Sample after which the load falls slowly and the motion does not come back (-1: none); can it be known?"""
        peak = float(self.load[self.peak])
        after = np.flatnonzero(self.load[self.peak : self.end] < COLLAPSE[1] * peak)
        if not after.size:
            return -1, True
        bottom = self.peak + int(after[0])
        top = self.peak + int(np.flatnonzero(self.load[self.peak : bottom] >= COLLAPSE[0] * peak)[-1])
        unloading = self._is_unloading(top, bottom)
        return self.peak if unloading is False else -1, unloading is not None

    def _is_unloading(self, top: int, bottom: int) -> bool | None:
        """Whether a fall is the load being taken off; None where the motion cannot tell.

        A motion that shows exactly one value before, in and after the fall is stuck, or too coarse.
        """
        when = np.searchsorted(self.t, (self.t[top] - self.asked.drop_s, self.t[bottom] + self.asked.drop_s))
        if np.ptp(self.motion[max(int(when[0]), self.first) : min(int(when[1]), self.t.size)]) == 0.0:
            return None
        first = self._back(top, bottom)
        if first >= BACK:
            return True
        if first < AHEAD:
            return False
        until, last = bottom, min(self.end, self.load.size - 1)  # the whole fall: while the load falls on
        while True:
            ahead = min(int(np.searchsorted(self.t, self.t[until] + self.asked.drop_s)), last)
            if ahead <= until or self.load[until] - self.load[ahead] < 0.5 * self.asked.drop:
                break
            until = ahead
        whole = self._back(top, until)
        return None if np.isnan(whole) else whole >= BACK

    def _back(self, top: int, bottom: int) -> float:
        """Part of the motion of loading that came back between two samples of a fall; NaN where it is not known."""
        x, y = self.curve
        high, low = float(self.load[top]), float(self.load[bottom])
        up = float(np.interp(high, x, y) - np.interp(low, x, y))
        if high > x[-1] and x.size > 1:  # beyond the curve: as steep as its last step
            up += (high - max(low, x[-1])) * float(y[-1] - y[-2]) / float(x[-1] - x[-2])
        if abs(up) <= NOISES * self.noise or up == 0.0:
            return nan
        return float((self.motion[top] - self.motion[bottom]) / up)

    @cached_property
    def curve(self) -> tuple[Floats, Floats]:
        """Load and motion on the way up, averaged over steps of the load."""
        where = slice(self.first, self.top + 1)
        load, motion = self.load[where], self.motion[where]
        edges = np.linspace(self.asked.settling, max(load.max(), self.asked.settling + 1e-9), CURVE_BINS + 1)
        bins = np.clip(np.searchsorted(edges, load, "right") - 1, 0, CURVE_BINS - 1)
        count = np.bincount(bins, minlength=CURVE_BINS)
        full = count > 0
        sums = (np.bincount(bins, weights=v, minlength=CURVE_BINS)[full] / count[full] for v in (load, motion))
        x, y = sums
        return x, y
