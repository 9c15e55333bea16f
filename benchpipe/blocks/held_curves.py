"""Averages of a hold, the influences other than creep, and the reasons to doubt them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.holds import COUNT, LOAD, LOAD2, MOTION, MOTION2, N_TEMPERATURE, TEMPERATURE, TIME

if TYPE_CHECKING:
    from benchpipe.kernels.creep_fit import CreepResult
    from benchpipe.kernels.creep_free import FreeCreep
    from benchpipe.kernels.creep_noise import ChannelCoefficient, Correction

Floats = NDArray[np.float64]
# Common practice, no source: what makes a hold doubtful.
STEP_K = 1.0  # from one average to the next: a step, and no slow drift of the room
WARMTH_K = 5.0  # a temperature that ranges further moves a joint by more than a good lock creeps
DRIFT_PART = 0.5  # of the tolerance: a load that drifts further is no held load
STUCK_PART = 0.1  # of the readings: a channel that stands still for so many, and moves else, sticks
STILL_PART = 0.5  # of the averages: a channel that stands still in so many, and jumps, sticks
FULL = 5  # readings in an average whose spread says something
CERTAIN = 1e-3  # by chance so rarely does noise alone look like a wobble


@dataclass(frozen=True)
class HoldCurve:
    """Log-spaced averages of a hold. Load and motion are from those at time zero.

    Attributes
    ----------
    time : float64 array, shape (n,)
        Mean time of each average [s].
    count : float64 array, shape (n,)
    motion, load, temperature : float64 arrays, shape (n,)
        Means; NaN where there is no temperature.
    spread, load_spread : float
        Standard deviation of single readings inside the averages.
    still, still_readings : float
        Part of the full averages in which the motion does not change at all, and of their readings (all of
        them where the last average is such a one).
    first : int
        First average after the ramp part; n where there is none.
    """

    time: Floats
    count: Floats
    motion: Floats
    load: Floats
    temperature: Floats
    spread: float
    load_spread: float
    still: float
    still_readings: float
    first: int

    @property
    def creep(self) -> Floats:
        """Motion since the first average after the ramp part; NaN before it."""
        out: Floats = np.full(self.time.size, np.nan)
        out[self.first :] = self.motion[self.first :] - self.motion[self.first : self.first + 1]
        return out

    @property
    def creep_u(self) -> Floats:
        """Standard uncertainty of ``creep`` from the spread of the readings."""
        out: Floats = np.full(self.time.size, np.nan)
        some = self.count[self.first :]
        out[self.first :] = self.spread * np.sqrt(1.0 / some + 1.0 / some[:1])
        return out


def hold_curve(bins: Floats, skip_s: float) -> HoldCurve:
    """Averages of the filled bins; creep counts from the first one after ``skip_s``."""
    bins = bins[bins[:, COUNT] > 0]
    n = bins[:, COUNT]
    time, motion, load = bins[:, TIME] / n, bins[:, MOTION] / n, bins[:, LOAD] / n
    variance = np.maximum(bins[:, MOTION2] / n - motion * motion, 0.0)
    full = n >= FULL
    stands = variance[full] <= 1e-12 * (1.0 + motion[full] ** 2)
    ended = float(stands[-1]) if full.any() else 0.0  # an average that stands still at the end counts for all
    still = (float(stands.mean()), max(ended, float(np.average(stands, weights=n[full])))) if full.any() else (0.0, 0.0)
    after = np.flatnonzero(time >= max(skip_s, np.finfo(float).tiny))
    return HoldCurve(
        time, n, motion, load, ratio(bins[:, TEMPERATURE], bins[:, N_TEMPERATURE]),
        _typical(variance, n), _typical(bins[:, LOAD2] / n - load * load, n), *still,
        int(after[0]) if after.size else len(n),
    )  # fmt: skip


def _typical(variance: Floats, count: Floats) -> float:
    some = np.maximum(variance[count > 1], 0.0)
    return float(np.sqrt(np.median(some))) if some.size else 0.0


def ratio(top: Any, bottom: Any) -> Floats:
    """Quotient, NaN where the divisor is zero."""
    top, bottom = np.asarray(top, float), np.asarray(bottom, float)
    out: Floats = np.full(top.shape, np.nan)
    np.divide(top, bottom, out=out, where=bottom > 0)
    return out


@dataclass(frozen=True)
class CorrectedFit:
    """Creep of a hold, and what was taken off its motion before.

    ``creep`` counts from the end of the ramp part, ``full`` from full load (None where it is not known when that
    was). ``resolution`` is the channel's step.
    """

    creep: CreepResult
    full: FreeCreep | None
    resolution: float
    load: Correction | None
    temperature: Correction | None


def fit_hold(
    curve: HoldCurve,
    end_s: float,
    asked_s: tuple[float, ...],
    compliance: float,
    *,
    stiffness: float | None = None,
    motion_per_k: float | None = None,
    resolution: float = 0.0,
    drift_per_s: float = 0.0,
    way: float = 0.0,
) -> CorrectedFit:
    """Measure creep in the averages after the ramp part, and in all of them.

    Load that wobbles more than its noise does is taken off through the compliance: as the wobble itself
    shows it, else that of the ramp. Temperature is taken off where the hold itself shows what it moves.

    Parameters
    ----------
    compliance : float
        Motion per load of the ramp; NaN where no ramp was seen.
    stiffness, motion_per_k : float, optional
        As the plan gives them; they count as exact.
    resolution, drift_per_s, way : float
        Of the motion channel, and the sign of the load, as for `fit_creep`.
    """
    from benchpipe.kernels.creep_fit import fit_creep
    from benchpipe.kernels.creep_free import free_creep
    from benchpipe.kernels.creep_noise import correction

    part = slice(curve.first, None)
    time, count, motion = curve.time[part], curve.count[part], curve.motion[part]
    load = temperature = None
    if wobbles(curve.load[part], count, curve.load_spread):
        if stiffness is not None:
            value, error = 1.0 / stiffness, 0.0
        else:
            measured = _coefficient(time, motion, curve.load[part], count, curve.load_spread)
            told = measured.converged and measured.told_from_zero
            value, error = (measured.value, measured.standard_error) if told else _of_ramp(compliance)
        if np.isfinite(value):
            load = correction("load", time, curve.load[part], value, error)
    warmth = curve.temperature[part]
    if np.isfinite(warmth).sum() > 2:
        rest = motion if load is None else motion - load.moved
        if motion_per_k is not None:
            temperature = correction("temperature", time, warmth, motion_per_k)
        else:
            measured = _coefficient(time, rest, warmth, count, _reading_noise(warmth, count))
            if measured.converged:  # what is not known of it widens every interval
                temperature = correction("temperature", time, warmth, measured.value, measured.standard_error)
    taken = [one for one in (load, temperature) if one is not None]
    creep = fit_creep(
        time, motion, count, end_s=end_s, asked_s=asked_s, corrections=taken, way=way,
        resolution=resolution, spread=curve.spread, drift_per_s=drift_per_s,
    )  # fmt: skip
    given = (1.0 / stiffness, 0.0) if stiffness is not None else _of_ramp(compliance)
    known = given if load is None else (load.coefficient, load.standard_error)
    full = None
    if np.isfinite(compliance):
        motion, errors = _at_held_load(curve, known, temperature)
        full = free_creep(
            curve.time, motion, curve.count, since_s=0.0, end_s=end_s, asked_s=asked_s, errors=errors,
            resolution=resolution, spread=curve.spread, drift_per_s=drift_per_s,
        )  # fmt: skip
    return CorrectedFit(creep, full, resolution, load, temperature)


def _of_ramp(compliance: float) -> tuple[float, float]:
    """Compliance of the ramp and its standard uncertainty: a joint is softer under little load."""
    return compliance, abs(compliance) / 5.0


def _at_held_load(
    curve: HoldCurve, compliance: tuple[float, float], temperature: Correction | None
) -> tuple[Floats, list[Floats]]:
    """Motion of all averages as it were at the held load, and the errors that they share.

    When the load comes into its band it still rises by up to its tolerance, and what that moves is no creep: it goes
    off through the compliance (with its standard uncertainty), whether or not the load wobbles later on.
    """
    from benchpipe.kernels.creep_noise import correction

    held = float(np.average(curve.load[curve.first :], weights=curve.count[curve.first :]))
    taken = [correction("load", curve.time, curve.load, *compliance, reference=held)]
    if temperature is not None:
        per_k, error = temperature.coefficient, temperature.standard_error
        taken.append(correction("temperature", curve.time, curve.temperature, per_k, error))
    motion = curve.motion - np.sum([one.moved for one in taken], axis=0)
    return motion, [one.error for one in taken]


def _coefficient(time: Floats, motion: Floats, channel: Floats, count: Floats, noise: float) -> ChannelCoefficient:
    from benchpipe.kernels.creep_noise import channel_coefficient

    return channel_coefficient(time, motion, channel, count, channel_noise=noise)


def _reading_noise(values: Floats, count: Floats) -> float:
    """Standard deviation of one reading of a slow channel, by how far averages stand off their neighbours' line."""
    known = np.isfinite(values)
    values, count = values[known], count[known]
    if values.size < 3:
        return 0.0
    off = values[1:-1] - 0.5 * (values[:-2] + values[2:])
    weight = 1.0 / count[1:-1] + 0.25 / count[:-2] + 0.25 / count[2:]
    return float(1.4826 * np.median(np.abs(off) / np.sqrt(weight)))


def wobbles(load: Floats, count: Floats, spread: float) -> bool:
    """Whether averages of the load differ by more than the noise of its readings (chi-squared test)."""
    if load.size < 3 or spread <= 0.0:
        return load.size > 1 and bool(np.ptp(load) > 0.0)
    from scipy.stats import chi2

    apart = load - np.average(load, weights=count)
    return bool(chi2.sf(float((count * apart**2).sum()) / spread**2, load.size - 1) < CERTAIN)


@dataclass(frozen=True)
class Doubts:
    """What makes a hold's creep doubtful: all of it, the creep since loading alone, or none but to be known."""

    whole: tuple[str, ...]
    since: tuple[str, ...]
    noted: tuple[str, ...]


@dataclass(frozen=True)
class HoldWords:
    """What is held, what moves, and what that is called."""

    held: str = "load"
    moves: str = "motion"
    called: str = "creep"


def doubts(
    curve: HoldCurve, fit: CorrectedFit, tolerance: float, *, ramp: bool, words: HoldWords = HoldWords()
) -> Doubts:
    """What makes a hold's creep doubtful.

    Parameters
    ----------
    tolerance : float
        Of the load.
    ramp : bool
        Whether the log shows how the load came on.
    """
    part = slice(curve.first, None)
    whole, since, noted = list[str](), list[str](), list[str]()
    stuck_for_a_while = curve.still_readings > STUCK_PART and curve.still < 1.0 - STUCK_PART
    if np.ptp(curve.motion) > 0.0 and (curve.still > STILL_PART or stuck_for_a_while):
        whole.append(f"the {words.moves} channel stands still and jumps: it sticks, or shows too coarse steps")
    if curve.motion.size and not np.ptp(curve.motion) > 0.0:
        whole.append(f"the {words.moves} never changes: a channel that sticks and a lock that is still look the same")
    warmth = curve.temperature[part][np.isfinite(curve.temperature[part])]
    if warmth.size > 1 and np.ptp(warmth) > STEP_K:
        jump, span = float(np.abs(np.diff(warmth)).max()), float(np.ptp(warmth))
        text = f"the temperature changed by {span:.2g} K, and what that moves is not separable from {words.called}"
        if jump > max(STEP_K, 0.5 * span):  # what moves at one moment with it cannot be separated
            step = f"the temperature made a step of {jump:.2g} K"
            whole.append(f"{step}: what that moves is not separable from {words.called}")
        elif fit.temperature is None:
            (whole if span > WARMTH_K else noted).append(text)
    if drift_of(curve) > DRIFT_PART * tolerance:
        whole.append(f"the {words.held} drifts: {words.called} at one {words.held} is not separable from it")
    if not ramp:
        since.append("no loading was seen before it: time zero is not known")
    return Doubts(tuple(whole), tuple(since), tuple(noted))


def drift_of(curve: HoldCurve) -> float:
    """Size of the load's steady drift over the hold, by a line through its averages."""
    part = slice(curve.first, None)
    time, load, weight = curve.time[part], curve.load[part], curve.count[part]
    if time.size < 3:
        return 0.0
    apart = time - np.average(time, weights=weight)
    slope = float((weight * apart * load).sum() / (weight * apart**2).sum())
    return abs(slope) * float(np.ptp(time))
