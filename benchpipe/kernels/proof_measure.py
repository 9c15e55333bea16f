"""Measure one proof from its samples: loading, hold, falls, set and stiffness.

Loads are turned so that the proof load is positive; the motion keeps its sign. A figure that a
gap, a saturated load cell or a stuck motion may hide is not given as a number.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import hypot, nan, sqrt

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.lines import LineResult, straight_line
from benchpipe.kernels.proof_falls import COLLAPSE, Falls, FallsResult, LossResult
from benchpipe.kernels.proof_recovery import NOT_KNOWN, ProofRecoveryResult, recovery
from benchpipe.kernels.proofs import OUTER, ProofTargets, longest_still
from benchpipe.kernels.robust import effective_size, lag1_autocorrelation
from benchpipe.kernels.time_means import means_over, time_mean

READ_S = 1.0  # a reading of load or motion is a mean over so long
RATE_PART, STIFFNESS_PART = (0.1, 0.9), (0.2, 0.8)  # of the way from the settling load
LOST = 0.9  # of the load: a hold below this is over
STILL_PART = 0.25  # a motion that does not change in so much of a branch stands still
UNFINISHED = ("not reached", "cut short", "log ends")  # outcomes of which a sudden loss of the load may be the reason
NOT_TOLD = "a failure of the specimen and a quick release by the rig look alike here"
NOISES = 6.0  # a slope must be so many times its uncertainty to be one
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Reading:
    """A value and its standard uncertainty; NaN where there is none."""

    value: float = nan
    u: float = nan


@dataclass(frozen=True)
class ProofResult:
    """One proof. Loads are turned like the proof load; NaN is "not measured".

    ``outcome``: held, cut short, not reached, failed, inconclusive, gap, saturated or log ends. ``reached_s``,
    ``end_s`` and ``drop_s`` are on the time axis given. ``load_low`` and ``load_high`` are the smallest
    and largest mean over a second of the hold. ``carried`` is the largest load before the first sudden drop or
    failure. ``recovery``: what the motion still did where the set was read. ``drops_known``: the motion could tell a
    fall of the load from unloading. ``n_used``: samples used.
    """

    outcome: str
    rate: Reading = Reading()
    peak: float = nan
    reached_s: float = nan
    end_s: float = nan
    hold_s: float = nan
    load: Reading = Reading()
    load_low: float = nan
    load_high: float = nan
    drop_in_hold: Reading = Reading()
    motion: float = nan
    set: Reading = Reading()
    recovery: ProofRecoveryResult = NOT_KNOWN
    stay_after_s: float = nan
    stiffness_before: Reading = Reading()
    stiffness_after: Reading = Reading()
    drop_load: float = nan
    drop_size: float = nan
    drop_s: float = nan
    failure_load: float = nan
    carried: float = nan
    drops_known: bool = False
    n_used: int = 0
    remarks: tuple[str, ...] = ()


def measure_proof(
    time_s: Floats,
    load: Floats,
    motion: Floats,
    targets: ProofTargets,
    start_s: float,
    return_s: float | None,
) -> ProofResult:
    """Measure a proof.

    Parameters
    ----------
    time_s : float64 array, shape (n,)
        Rising; it begins at the stay before and goes on through the stay after [s].
    load : float64 array, shape (n,)
        Turned so that the proof load is positive.
    motion : float64 array, shape (n,)
        Angle [deg] or displacement [mm].
    targets : ProofTargets
    start_s, return_s : float
        Last sample before the rise, and first one back at the settling load; None: the log ends before.

    Returns
    -------
    ProofResult

    Notes
    -----
    Loading rate: least squares line of load over time between a tenth and nine tenths of the way. Stiffness:
    inverse slope of motion over load between a fifth and four fifths of it, loading (before) and unloading (after).
    Set: mean motion in the last second of the settling time after, less that in the second before the rise,
    less what the difference of the two loads makes at the stiffness after; its uncertainty covers what a motion that
    still recovers would do in another stay as long (:mod:`benchpipe.kernels.proof_recovery`). Means are over time.
    A fall of the load is unloading where
    the motion comes back by at least half of what loading between the same loads took. Definitions are this
    project's own, common practice, no source.
    """
    first = int(np.searchsorted(time_s, start_s))
    end = time_s.size if return_s is None else int(np.searchsorted(time_s, return_s))  # first sample back
    if end - first < 3:
        return ProofResult("gap", n_used=max(end - first, 0))
    if _gaps(time_s[first : min(end + 1, time_s.size)], targets.gap_s):
        return ProofResult("gap", n_used=end - first, remarks=("samples are missing inside: not measured",))
    if np.max(load[first:end]) >= targets.end:
        text = "the load cell reached the end of its range: not measured"
        return ProofResult("saturated", n_used=end - first, remarks=(text,))
    proof = _Proof(time_s, load, motion, targets, first, end)
    return proof.measured(open_end=return_s is None)


def _gaps(time_s: Floats, gap_s: float) -> bool:
    return bool(time_s.size > 1 and np.max(np.diff(time_s)) > gap_s)


def reading(time_s: Floats, values: Floats) -> Reading:
    """Mean over time and its standard uncertainty, neighbours' correlation counted.

    Parameters
    ----------
    time_s : float64 array, shape (n,)
        Times of the samples [s], rising.
    values : float64 array, shape (n,)
        Load or motion, in its own unit.

    Returns
    -------
    Reading
        In the unit of the values; both figures NaN with fewer than three samples.

    Notes
    -----
    u = s/√n_eff with n_eff = n(1 − ρ)/(1 + ρ), see :func:`~benchpipe.kernels.robust.effective_size`.
    """
    n = values.size
    if n < 3:
        return Reading()
    size = max(effective_size(n, lag1_autocorrelation(values)), 1.0)
    return Reading(time_mean(time_s, values), float(values.std(ddof=1)) / sqrt(size))


def slope_u(x: Floats, y: Floats) -> float:
    """Standard uncertainty of a line's slope from the noise of y: what a cubic leaves, its correlation counted.

    The bend of a branch is no noise: the slope of the same branch comes out the same again.

    Parameters
    ----------
    x, y : float64 arrays, shape (n,)
        Motion and load of one branch, in their own units.

    Returns
    -------
    float
        Unit of y over unit of x; NaN with fewer than eight samples.
    """
    if x.size < 8:
        return nan
    scaled = (x - x.mean()) / np.ptp(x)
    rest = y - np.polynomial.polynomial.polyval(scaled, np.polynomial.polynomial.polyfit(scaled, y, 3))
    size = max(effective_size(x.size, lag1_autocorrelation(rest)), 1.0)
    variance = float(rest @ rest) / (x.size - 4)
    return sqrt(variance * x.size / size / float((x - x.mean()) @ (x - x.mean())))


class _Proof:
    """The samples of one proof, and where its steps lie in them."""

    def __init__(
        self, time_s: Floats, load: Floats, motion: Floats, targets: ProofTargets, first: int, end: int
    ) -> None:
        self.t, self.load, self.motion, self.asked, self.first, self.end = time_s, load, motion, targets, first, end
        inside = load[first:end]
        self.peak = first + int(np.argmax(inside))
        at = np.flatnonzero(inside >= targets.load - targets.band)
        self.reached = first + int(at[0]) if at.size else -1
        self.top = self.reached if at.size else self.peak
        self.remarks: list[str] = []
        self.stuck = False

    def measured(self, *, open_end: bool) -> ProofResult:
        """All of it."""
        asked, t = self.asked, self.t
        top_load = asked.load if self.reached >= 0 else float(self.load[self.peak])
        loading = slice(self.first, self.top + 1)
        self.climb = self._climb(loading, top_load)
        rate = Reading(self.climb.slope, sqrt(self.climb.var_slope)) if self.climb.converged else Reading()
        before = self._stiffness(loading, top_load, "loading")
        falls = Falls(t, self.load, self.motion, asked, self.first, self.top, self.end)
        found = falls.find(follows=bool(np.isfinite(before.value)))
        begun = ProofResult(
            "not reached", rate=rate, peak=float(self.load[self.peak]), stiffness_before=before,
            end_s=float(t[min(self.end, t.size - 1)]), n_used=self.end - self.first,
        )  # fmt: skip
        remarks = list(self.remarks)
        result = self._judged(begun, found, open_end=open_end)
        loss = falls.loss(before.value, rate.value) if result.outcome in UNFINISHED else None
        if loss is not None and loss.failed:
            self.remarks = remarks
            result = self._judged(begun, FallsResult((loss.top, loss.bottom), loss.top, known=True), open_end=open_end)
        elif why := self._undecided(loss, result.outcome):
            self.remarks.append(f"{why}: {NOT_TOLD}")
            dropped = found.drop is not None
            result = replace(
                result, outcome="inconclusive", drops_known=dropped, carried=result.carried if dropped else nan
            )
        if not open_end and result.outcome in ("held", "cut short"):
            result = self._unloaded(result, top_load)
        return replace(result, remarks=tuple(self.remarks))

    def _undecided(self, loss: LossResult | None, outcome: str) -> str:
        """What became of a load of which the reason is not known; empty where nothing did.

        Where the log ends in a fall, what comes next decides. A load that has stayed down needs no more to be said.
        """
        t, stays = self.t, outcome != "log ends" or self._is_down()
        if loss is not None and loss.undecided and stays:
            return f"the load was lost within {t[loss.bottom] - t[loss.top]:.2g} s"
        if outcome == "log ends" and stays:
            high, low = float(self.load[self.peak]), float(self.load[self.end - 1])
            return f"the load fell from {high:.4g} to {low:.4g} and stayed down until the log ends"
        return ""

    def _is_down(self) -> bool:
        """Whether the last second of the log lies below a part of the largest load."""
        last = int(np.searchsorted(self.t[: self.end], self.t[self.end - 1] - READ_S))
        return last > self.peak and bool(np.max(self.load[last : self.end]) < COLLAPSE[1] * self.load[self.peak])

    def _judged(self, result: ProofResult, falls: FallsResult, *, open_end: bool) -> ProofResult:
        """Outcome and hold, with the falls that were found."""
        result, failed_at = self._fallen(replace(result, drops_known=falls.known), falls), falls.failed_at
        if self.reached >= 0:
            return self._held(result, failed_at, open_end=open_end)
        if failed_at >= 0:
            return replace(result, outcome="failed")
        return replace(result, outcome="log ends") if open_end else result

    def _fallen(self, result: ProofResult, falls: FallsResult) -> ProofResult:
        """First sudden drop, peak load at failure, and what was carried before."""
        if not falls.known:
            self.remarks.append("the motion cannot tell a fall of the load from unloading")
            return result
        until = self.end - 1
        if falls.failed_at >= 0:
            until = falls.failed_at
            result = replace(result, failure_load=float(np.max(self.load[self.first : until + 1])))
        if falls.drop is not None:
            until, bottom = falls.drop
            size = float(self.load[until] - np.min(self.load[until : bottom + 1]))
            result = replace(result, drop_load=float(self.load[until]), drop_size=size, drop_s=float(self.t[until]))
        return replace(result, carried=float(np.max(self.load[self.first : until + 1])))

    def _climb(self, where: slice, top: float) -> LineResult:
        """Line of the load over time on the way up."""
        low, span = self.asked.settling, top - self.asked.settling
        load = self.load[where]
        use = (load >= low + RATE_PART[0] * span) & (load <= low + RATE_PART[1] * span)
        line = straight_line(self.t[where][use], load[use], correlated=True)
        if not line.converged:
            self.remarks.append("too few samples on the way up: no loading rate")
        return line

    def _stiffness(self, where: slice, top: float, branch: str) -> Reading:
        """Inverse slope of motion over load in the middle of a branch."""
        low, span = self.asked.settling, top - self.asked.settling
        load, motion = self.load[where], self.motion[where]
        use = (load >= low + STIFFNESS_PART[0] * span) & (load <= low + STIFFNESS_PART[1] * span)
        load, motion = load[use], motion[use]
        if load.size >= 4 and longest_still(motion, 0, motion.size) > max(STILL_PART * motion.size, 3):
            self.stuck = True
            self.remarks.append(f"the motion stands still while {branch}: stuck, or too coarse to tell")
            return Reading()
        line = straight_line(load, motion)
        u = slope_u(load, motion) if line.converged else nan
        if not line.converged or abs(line.slope) <= NOISES * u:
            self.remarks.append(f"the motion does not follow the load while {branch}: no stiffness")
            return Reading()
        return Reading(1.0 / line.slope, u / line.slope**2)

    def _held(self, result: ProofResult, failed_at: int, *, open_end: bool) -> ProofResult:
        """The hold: from the first sample in the band to the corner of the unloading."""
        asked, t = self.asked, self.t
        corner = failed_at if failed_at >= self.reached else self._corner()
        length = float(t[corner] - t[self.reached])
        step = float(np.median(np.diff(t[self.first : self.end])))
        begin = self._climbed(corner)
        held = self.load[begin : corner + 1]
        when = t[begin : corner + 1]
        part = min(READ_S, length / 3.0)
        begins, finishes = when <= when[0] + part, when >= when[-1] - part
        ends = reading(when[begins], held[begins]), reading(when[finishes], held[finishes])
        means = means_over(when, held, READ_S) if held.size > 1 else held
        long_enough = length >= asked.hold_s - 2.0 * step
        outcome = "held" if long_enough else "failed" if failed_at >= 0 else "log ends" if open_end else "cut short"
        return replace(
            result, outcome=outcome, reached_s=float(t[self.reached]), hold_s=length, load=reading(when, held),
            load_low=float(means.min()), load_high=float(means.max()),
            drop_in_hold=Reading(ends[0].value - ends[1].value, hypot(ends[0].u, ends[1].u)),
            motion=float(self.motion[max(begin, corner - 2) : corner + 1].mean()),
        )  # fmt: skip

    def _climbed(self, corner: int) -> int:
        """First sample after the way up: where its line, drawn on, leaves the load."""
        if not self.climb.converged:
            return self.reached
        over = self.climb.predict(self.t[self.reached : corner]) - self.load[self.reached : corner]
        flat = np.flatnonzero(over >= 0.5 * self.asked.band)
        return self.reached + int(flat[0]) if flat.size else self.reached

    def _corner(self) -> int:
        """Last sample of the hold: where the line of the unloading, drawn back, leaves the load."""
        asked = self.asked
        over = np.flatnonzero(self.load[self.reached : self.end] >= LOST * asked.load)
        last = self.reached + (int(over[-1]) if over.size else 0)
        below = np.flatnonzero(self.load[last : self.end] <= 0.5 * asked.load)
        bottom = last + int(below[0]) + 1 if below.size else self.end
        line = straight_line(self.t[last:bottom], self.load[last:bottom])
        if not (line.converged and line.slope < 0.0):
            return last
        above = line.predict(self.t[self.reached : last + 1]) - self.load[self.reached : last + 1]
        flat = np.flatnonzero(above >= 0.5 * asked.band)
        return self.reached + int(flat[-1]) if flat.size else last

    def _unloaded(self, result: ProofResult, top: float) -> ProofResult:
        """Stiffness on the way down, and the set that stays."""
        corner = int(np.searchsorted(self.t, result.reached_s + result.hold_s))
        after = self._stiffness(slice(corner, self.end + 1), top, "unloading")
        result = replace(result, stiffness_after=after)
        asked, t = self.asked, self.t
        read_s = min(READ_S, asked.settling_s)
        near = np.abs(self.load - asked.settling) <= OUTER * asked.band
        steps = np.diff(t, prepend=t[0]) <= asked.gap_s
        away = np.flatnonzero(~(near & steps)[self.end + 1 :])
        last = self.end + (int(away[0]) if away.size else t.size - 1 - self.end)
        stay = float(t[last] - t[self.end])
        until = min(t[self.end] + asked.settling_s, t[last])
        then = (t >= max(until - read_s, t[self.end])) & (t <= until)
        back = np.flatnonzero(~(near & steps)[: self.first])
        since = t[back[-1] + 1] if back.size else t[0]
        leaves = t[self.first] - min(OUTER * asked.band / result.rate.value, read_s)  # the way up begins
        before = (t >= max(leaves - read_s, since)) & (t <= leaves)
        result = replace(result, stay_after_s=stay)
        short = 0.5 * read_s
        if not leaves - since >= short or stay < short:  # no rate, no reading before
            step = "after" if leaves - since >= short else "before"
            self.remarks.append(f"no stay at the settling load {step} the proof: no permanent set")
            return result
        stiffness = after if np.isfinite(after.value) else result.stiffness_before
        still = np.ptp(self.motion[then]) == 0.0 < np.ptp(self.motion[before])
        if still or self.stuck or not np.isfinite(stiffness.value):
            self.remarks.append("the motion stands still: no permanent set")
            return result
        a, b = reading(t[before], self.motion[before]), reading(t[then], self.motion[then])
        by_load = (time_mean(t[then], self.load[then]) - time_mean(t[before], self.load[before])) / stiffness.value
        settled = slice(self.end, int(np.searchsorted(t, until, "right")))
        found = recovery(t[settled], self.motion[settled], self.load[settled], stiffness.value)
        u = hypot(a.u, b.u, abs(by_load) / sqrt(3.0), found.to_come_u)
        return replace(result, set=Reading(b.value - by_load - a.value, u), recovery=found)
