"""Creep of one hold: how far, how fast at the end, and whether it settles or leaks.

Creep counts from the first average after the ramp's part. How far and how fast is free of any law
(`creep_free`): the right law is seldom known, and may be in no table. The laws (`creep_choice`)
say what the creep looks like, whether there is a leak for certain, and how it may go on beyond the hold.
Where nothing moved, the answer is an upper bound.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot, inf, isfinite, nan
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.kernels.creep_choice import CreepEstimate, LawFigure, LawFits, fit_laws
from benchpipe.kernels.creep_free import FreeCreep, FreeFigure, free_creep
from benchpipe.kernels.creep_laws import LAWS, LEAK, NO_MOTION, STEADY_LEAK, CreepLaw
from benchpipe.kernels.creep_noise import Correction
from benchpipe.kernels.lines import t_quantile
from benchpipe.kernels.nonlinear import whitening

Floats = NDArray[np.float64]
CreepKind = Literal["settling", "leaking", "both", "not measurable", "undecided"]
FitRemark = Literal[
    "too few averages",
    "too short",
    "no law fits: the figures are free of a law",
    "slow noise",
    "never changed",
    "no creep is given for a time before the fit begins",
]

DECADES_NEEDED = 2.0
"""Decades of time after the ramp's part below which leak and settling cannot be separated."""
PROJECTION = 10.0
"""Times the length of the hold beyond which a figure is a projection."""
SLOW_PART = 30.0
"""Noise whose memory is longer than this part of the hold is no noise of a channel: a step, a temperature."""
NO_LAW: FitRemark = "no law fits: the figures are free of a law"
BEFORE: FitRemark = "no creep is given for a time before the fit begins"
NOTHING = CreepEstimate(nan, nan, nan, nan, nan, nan, nan)
SLOPES = np.linspace(-3.0, 1.0, 401)


@dataclass(frozen=True)
class CreepAt:
    """Creep at an asked time.

    ``creep`` has the interval of the curve (``dof`` degrees of freedom); a new single reading lies between
    ``reading_low`` and ``reading_high`` at the same coverage. ``before`` the fit begins there is none, NaN.
    ``beyond`` the hold's end it is extrapolated by the laws that the averages allow, if one of the table fits,
    and past one decade beyond it a ``projection``.
    """

    time_s: float
    creep: CreepEstimate
    dof: float
    before: bool
    reading_low: float
    reading_high: float
    beyond: bool
    projection: bool


@dataclass(frozen=True)
class LocalSlope:
    """Slope d log rate/d log t over the last decade: 0 leak, −1 log, n − 1 power, −2/3 Andrade.

    The interval (at ``coverage``) is a profile; an end is infinite where the data do not bound it
    between −3 and 1.
    """

    value: float
    low: float
    high: float
    coverage: float


@dataclass(frozen=True, eq=False)
class CreepResult:
    """What a hold says of creep. Lengths in the unit of motion, times in s, rates per s.

    ``kind`` in plain words; "undecided" where leak and settling cannot be separated, or no law fits. ``law``
    describes the curve best (least AICc); None where every law leaves a pattern. ``elastic`` is the motion at
    ``reference_s``, from which creep counts. Figures come from the curve ``free`` of a law; their
    ``law_low`` and ``law_high`` are the least and greatest value of the laws that the averages allow.
    ``leak`` is the rate that goes on for ever: the load's way or nought, and nought at the low end unless
    every law that the averages allow has one. ``against`` the load: the laws say for certain that it moves the
    other way at the end. The size of the creep by the end is below ``upper_bound`` at ``coverage``.
    ``corrections`` were taken off the motion first.

    ``remarks``: "too few averages" to fit; "too short" to tell a leak (two decades are needed); "no law fits";
    "slow noise", something else than creep moves the channel over a thirtieth of the hold or longer; "never
    changed", each average is the same; no creep for asked times "before the fit begins".
    """

    kind: CreepKind
    law: str | None
    reference_s: float
    end_s: float
    elastic: CreepEstimate
    creep_end: CreepEstimate
    creep_at: tuple[CreepAt, ...]
    end_rate: CreepEstimate
    leak: CreepEstimate
    against: bool
    local_slope: LocalSlope
    upper_bound: float
    corrections: tuple[Correction, ...]
    remarks: tuple[FitRemark, ...]
    fits: LawFits
    free: FreeCreep
    n_used: int
    coverage: float
    converged: bool


def fit_creep(
    time_s: ArrayLike,
    motion: ArrayLike,
    count: ArrayLike | None = None,
    *,
    end_s: float | None = None,
    asked_s: Sequence[float] = (),
    corrections: Sequence[Correction] = (),
    resolution: float = 0.0,
    spread: float = 0.0,
    drift_per_s: float = 0.0,
    way: float = 0.0,
    laws: Sequence[CreepLaw] = LAWS,
    coverage: float = 0.95,
) -> CreepResult:
    """Measure creep in the log-spaced averages of a hold, and fit creep laws to them.

    Parameters
    ----------
    time_s : array_like, shape (n,), s
        Rising, > 0, from the load's entry into its band; the first is where the ramp's part ends.
    motion : array_like, shape (n,)
        Mean motion of each average [deg or mm].
    count : array_like, shape (n,), optional
        Readings in each average; 1 where not given.
    end_s : float, optional
        End of the hold; the last average's time where not given.
    asked_s : sequence of float, s
        Times at which creep is asked, within the hold or beyond.
    corrections : sequence of Correction
        What else has moved the motion, for the same averages: taken off. The uncertainty of their
        coefficients is in every interval.
    resolution : float
        Least step that the motion channel shows: no upper bound is smaller, and what averaging leaves of it
        is in every interval.
    spread : float
        Standard deviation of single readings inside the averages; 0 leaves all of the step.
    drift_per_s : float
        Standard uncertainty of the motion channel's own drift, per s.
    way : float
        Sign of the load, the way a leak goes; 0 where not known: that of the creep.
    laws : sequence of CreepLaw
        Must hold "no motion" and "steady leak".
    coverage : float
        Coverage of every interval.

    Returns
    -------
    CreepResult
        ``converged`` is False, the figures NaN and the kind "undecided" where no law could be fitted.

    Raises
    ------
    ValueError
        The arrays are not of one length.
    """
    given = np.asarray(time_s, np.float64)
    readings = np.ones_like(given) if count is None else np.asarray(count, np.float64)
    creep = np.asarray(motion, np.float64)
    _must_be_of_one_length(given, creep, readings, corrections)
    for correction in corrections:
        creep = creep - correction.moved
    errors = [correction.error for correction in corrections]
    fits = fit_laws(given, creep, readings, common=errors, laws=laws, coverage=coverage)
    t = fits.time_s
    first, last = (float(t[0]), float(t[-1])) if t.size else (nan, nan)
    end = last if end_s is None else end_s
    used = np.isin(given, t)
    free = free_creep(
        t, fits.motion, readings[used], since_s=first, end_s=end, asked_s=asked_s, coverage=coverage,
        errors=[error[used] for error in errors if error.any()],
        resolution=resolution, spread=spread, drift_per_s=drift_per_s,
    )  # fmt: skip
    creep_end = _over_laws(free.creep_end, fits.estimate(creep_between(first, end)))
    still = t.size > 2 and bool(np.ptp(fits.motion) == 0)
    remarks = _remarks(fits, end / first if first > 0 else nan, still=still)
    remarks += (BEFORE,) if any(at < first for at in asked_s) else ()
    bound = max(abs(creep_end.low), abs(creep_end.high), resolution) if isfinite(creep_end.low) else nan
    by_laws = fits.estimate(_leak)
    side = way if way else np.sign(creep_end.value)
    return CreepResult(
        kind=_kind(fits, creep_end, laws, short="too short" in remarks),
        law=None if fits.pattern else fits.chosen,
        reference_s=first,
        end_s=end,
        elastic=_over_laws(free.motion, fits.estimate(_motion(first))),
        creep_end=creep_end,
        creep_at=tuple(
            _asked(fits, free, figure, float(at)) for at, figure in zip(asked_s, free.creep_at, strict=True)
        ),
        end_rate=_over_laws(free.end_rate, fits.estimate(_rate(end))),
        leak=_leak_rate(fits, free.leak, by_laws, float(side)),
        against=by_laws.told_from_zero and by_laws.value * side < 0,
        local_slope=local_slope(fits),
        upper_bound=(resolution or nan) if still else bound,
        corrections=tuple(corrections),
        remarks=remarks,
        fits=fits,
        free=free,
        n_used=fits.n_used,
        coverage=coverage,
        converged=free.converged and fits.chosen is not None,
    )


def _must_be_of_one_length(time_s: Floats, motion: Floats, count: Floats, corrections: Sequence[Correction]) -> None:
    given = {"time_s": time_s, "motion": motion, "count": count}
    given |= {f"moved of correction {k}": np.asarray(one.moved) for k, one in enumerate(corrections, 1)}
    if time_s.ndim != 1 or any(one.shape != time_s.shape for one in given.values()):
        shapes = ", ".join(f"{name} {'x'.join(map(str, one.shape)) or 'one'}" for name, one in given.items())
        raise ValueError(f"time_s, motion and count must be rows of one length, a value for each average: {shapes}")



def _over_laws(figure: FreeFigure, laws: CreepEstimate) -> CreepEstimate:
    """A figure free of a law, with what the laws say beside it."""
    return replace(laws, value=figure.value, standard_error=figure.standard_error, low=figure.low, high=figure.high)


def _leak_rate(fits: LawFits, free: FreeFigure, laws: CreepEstimate, side: float) -> CreepEstimate:
    """A leak goes the load's way or is nought, and is surely there only where every law allowed says so.

    Slow creep and a leak are not separable by a curve free of a law, whose steady part takes up the tail of a
    power of time: its interval bounds the leak from above alone.
    """
    if not free.known or not side:
        return _over_laws(free, laws)
    most = max(side * free.low, side * free.high, 0.0)
    value, least = min(max(side * free.value, 0.0), most), 0.0
    if not fits.pattern and fits.chosen is not None:
        value = min(max(side * laws.value, 0.0), most)
        least = max(min(side * end for end in (laws.low, laws.high, free.low, free.high)), 0.0)
    ends = sorted((side * least, side * most))
    return replace(laws, value=side * value, low=ends[0], high=ends[1])


def _motion(at: float) -> LawFigure:
    """Motion at one time."""
    t = np.array([at])
    return lambda law, p: (float(law.value(t, p)[0]), law.gradient(t, p)[0])


def creep_between(since: float, at: float) -> LawFigure:
    """Motion from one time to another, s, as a figure to be estimated over all laws.

    Parameters
    ----------
    since, at : float
        Times since load entered its band [s], > 0.

    Returns
    -------
    callable
        Takes a law and its parameters; gives the motion between the two times [unit of the motion], and its gradient by
        the parameters.
    """
    t = np.array([since, at])

    def figure(law: CreepLaw, p: Floats) -> tuple[float, Floats]:
        value, gradient = law.value(t, p), law.gradient(t, p)
        return float(value[1] - value[0]), gradient[1] - gradient[0]

    return figure


def _rate(at: float) -> LawFigure:
    """Rate at one time."""
    t = np.array([at])
    return lambda law, p: (float(law.rate(t, p)[0]), law.rate_gradient(t, p)[0])


def _leak(law: CreepLaw, p: Floats) -> tuple[float, Floats]:
    """Steady part of the rate."""
    gradient = np.zeros(p.size)
    if LEAK not in law.terms:
        return 0.0, gradient
    k = 1 + law.terms.index(LEAK)
    gradient[k] = 1.0
    return float(p[k]), gradient


def _asked(fits: LawFits, free: FreeCreep, figure: FreeFigure, at: float) -> CreepAt:
    """Creep at an asked time: of the curve in the hold, of the laws beyond it if one of them fits."""
    first, end = free.since_s, free.end_s
    laws = fits.estimate(creep_between(first, at))
    before, beyond = at < first, at > end
    if beyond and not fits.pattern:
        reading = fits.estimate(creep_between(first, at), reading=True)
        return CreepAt(at, laws, fits.dof, before, reading.low, reading.high, beyond, at > PROJECTION * end)
    creep = _over_laws(figure, laws if figure.known else NOTHING)
    half = hypot(creep.high - creep.value, t_quantile(fits.coverage, figure.dof) * free.reading_s)
    low, high = creep.value - half, creep.value + half
    return CreepAt(at, creep, figure.dof, before, low, high, beyond, at > PROJECTION * end)


def _remarks(fits: LawFits, span: float, *, still: bool) -> tuple[FitRemark, ...]:
    found: list[FitRemark] = []
    if fits.chosen is None:
        found.append("too few averages")
    elif not np.log10(span) >= DECADES_NEEDED:
        found.append("too short")
    if fits.pattern:
        found.append(NO_LAW)
    if fits.noise.share >= 0.3 and fits.noise.correlation_s > fits.time_s[-1] / SLOW_PART:
        found.append("slow noise")
    if still:
        found.append("never changed")
    return tuple(found)


def _kind(fits: LawFits, creep_end: CreepEstimate, laws: Sequence[CreepLaw], *, short: bool) -> CreepKind:
    """Plain words by parsimony: a leak or a settling part is named only where the data need it."""
    if fits.chosen is None:
        return "undecided"
    if not creep_end.told_from_zero or fits.accepts(NO_MOTION.name):
        return "not measurable"
    if fits.pattern:
        return "undecided"
    leak_alone = fits.accepts(STEADY_LEAK.name)
    settling_alone = any(fits.accepts(law.name) for law in laws if law.kind == "settling")
    if short or (leak_alone and settling_alone):
        return "undecided"
    if leak_alone:
        return "leaking"
    return "settling" if settling_alone else "both"


def local_slope(fits: LawFits) -> LocalSlope:
    """Slope d log rate/d log t over the last decade, by fitting a + b(tⁿ − 1)/n for every n.

    The family holds leak (n = 1), power, log (n = 0) and what falls faster; the slope is n − 1. Its
    interval holds each n that the sum of squares does not exclude (Bates & Watts 1988, ch. 6).

    Parameters
    ----------
    fits : LawFits
        Laws fitted to the averages of a hold.

    Returns
    -------
    LocalSlope
        Without unit; all NaN where no law fits or the last decade has fewer than five averages.

    Notes
    -----
    The chapter is from memory, not looked up.
    """
    none = LocalSlope(nan, nan, nan, fits.coverage)
    late = fits.time_s >= fits.time_s[-1] / 10 if fits.chosen else np.zeros(0, bool)
    if late.sum() < 5:
        return none
    whiten = whitening(fits.covariance[np.ix_(late, late)])
    n = SLOPES + 1 + 1e-9  # never exactly 0
    log_t = np.log(fits.time_s[late] / fits.time_s[-1])
    columns = whiten(np.expm1(np.outer(log_t, n)) / n)
    one, y = whiten(np.ones(log_t.size)), whiten(fits.motion[late])
    one = one / np.sqrt(one @ one)
    columns = columns - np.outer(one, one @ columns)
    y = y - one * (one @ y)
    gain = (y @ columns) ** 2 / np.sum(columns**2, axis=0)
    best = int(np.argmax(gain))
    reach = (t_quantile(fits.coverage, fits.dof) * fits.s) ** 2
    inside = np.flatnonzero(gain[best] - gain <= reach)
    return LocalSlope(
        value=float(SLOPES[best]),
        low=float(SLOPES[inside[0]]) if inside[0] > 0 else -inf,
        high=float(SLOPES[inside[-1]]) if inside[-1] < SLOPES.size - 1 else inf,
        coverage=fits.coverage,
    )
