"""Rank and bracket measured bumpers by their distance to a target. It never prescribes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, inf, isfinite, log, nan

import numpy as np

from benchpipe.bumper.model import BumperModel, SettingLoop
from benchpipe.bumper.predict import COVERAGE, Interval, interval_of, specimen_scatter
from benchpipe.bumper.target import Target
from benchpipe.errors import ConfigError
from benchpipe.kernels.loop_branches import Branches, energy_return, motion_at
from benchpipe.kernels.risk import student_guard

DRAWS, SEED = 20_000, 1
CAUTION = (
    "This ranks measured bumpers and brackets a target. It prescribes nothing: preferred stiffness was not correlated "
    "with body mass in the published trial (J. NeuroEng. Rehabil. 2021, s12984-021-00916-1, abstract). The prosthetist "
    "decides, with the wearer."
)


@dataclass(frozen=True)
class Candidate:
    """One measured bumper.

    Attributes
    ----------
    label, setting : str, float
    stiffness, low, high : float
        From zero load to the torque compared, on the loading branch [N·m/deg], with its 90 % interval.
    distance : float
        Stiffness over the target's, less 1.
    spreads : float
        The same in standard deviations of the target: within ± 1 two thirds of people lie.
    motion_deg : float
        Motion at the target torque; NaN: not reached in what was measured.
    energy_return : float
    margin : float
        Structural limit over the target torque; NaN where no limit is stated.
    best : float
        Probability that it is nearest to the target of a wearer drawn from the table.
    notes : tuple of str
    """

    label: str
    setting: float
    stiffness: float
    low: float
    high: float
    distance: float
    spreads: float
    motion_deg: float
    energy_return: float
    margin: float
    best: float
    notes: tuple[str, ...]


@dataclass(frozen=True)
class BumperChoice:
    """Candidates, nearest first, and the two to try next."""

    model: str
    target: Target
    compared_at_nm: float
    rate_deg_s: float
    candidates: tuple[Candidate, ...]
    try_next: tuple[str, ...]
    between: float
    words: str
    notes: tuple[str, ...]
    caution: str


def choose(model: BumperModel, target: Target, rate: float | None = None) -> BumperChoice:
    """Rank the measured bumpers of a model for a target.

    Parameters
    ----------
    rate : float, optional
        deg/s; the fastest rate measured where it is not given, nearest to walking.

    Raises
    ------
    ConfigError
        The rate is not measured, or no loop rises above zero load.
    """
    rates = model.rates()
    if rate is not None and not 0.0 < rate < inf:
        raise ConfigError(f"a rate of {rate:g} deg/s is none", expected="above 0 deg/s", do_next="correct --rate")
    chosen = rates[-1] if rate is None else min(rates, key=lambda one: abs(log(one / rate)))
    if rate is not None and not 1 / 1.1 <= chosen / rate <= 1.1:
        shown = ", ".join(f"{one:.3g}" for one in rates)
        raise ConfigError(f"{rate:g} deg/s was not measured", expected=f"one of {shown} deg/s")
    loops = [loop for loop in model.at_rate(chosen) if float(loop.branches.rising.max()) > 0.0]
    if not loops:
        raise ConfigError("no loop of the model rises above zero load", do_next="measure loops through zero load")
    reach = min(float(loop.branches.rising.max()) for loop in loops)
    torque = min(target.torque_nm, reach)
    notes = list(target.notes)
    if torque < target.torque_nm:
        notes.append(
            f"compared at {torque:.3g} N·m, which every bumper was measured to; the target is "
            f"{target.torque_nm:.3g} N·m: measure them to it, bumpers stiffen beyond"
        )
    if not target.verified:
        notes.append("the target is not verified against its source")
    passing = [isfinite(_stiffness(loop.branches, torque)) for loop in loops]
    if not all(passing):
        names = ", ".join(loop.label for loop, known in zip(loops, passing, strict=True) if not known)
        notes.append(f"left out, their loops do not pass {torque:.3g} N·m: {names}")
        loops = [loop for loop, known in zip(loops, passing, strict=True) if known]
    if not loops:
        raise ConfigError(
            f"no loop of the model passes {torque:.3g} N·m", do_next="measure loops that begin below the target torque"
        )
    stiffness = [_stiffness(loop.branches, torque) for loop in loops]
    intervals = [_measured_interval(model, k, loops) for k in stiffness]
    best = _best(stiffness, [_log_u(one.value, one.high) for one in intervals], target)
    limit = model.structural_limit
    candidates = []
    for loop, k, interval, share in zip(loops, stiffness, intervals, best, strict=True):
        off = log(k / target.stiffness_nm_per_deg)
        candidates.append(Candidate(
            loop.label, loop.setting, k, interval.low, interval.high, exp(off) - 1.0, off / target.stiffness_spread,
            motion_at(loop.branches, target.torque_nm), energy_return(loop.branches),
            limit / target.torque_nm if limit is not None else nan, share, _notes(loop, limit, target),
        ))  # fmt: skip
    order = sorted(candidates, key=lambda one: abs(one.spreads))
    near, setting, words = _bracket(candidates, target, model.setting)
    return BumperChoice(model.name, target, torque, chosen, tuple(order), near, setting, words, tuple(notes), CAUTION)


def _stiffness(branches: Branches, torque: float) -> float:
    """Secant of the loading branch from zero load to a torque."""
    start, end = motion_at(branches, 1e-9), motion_at(branches, torque * (1.0 - 1e-9))
    if not isfinite(start):
        start = branches.low  # a pulsating loop begins above zero load
        return (torque - float(branches.rising[0])) / (end - start)
    return torque / (end - start)


def _measured_interval(model: BumperModel, value: float, loops: Sequence[SettingLoop]) -> Interval:
    """Interval of the next bumper of a measured set: specimen scatter, or errors left out where it is not known."""
    u, dof = specimen_scatter(loops)
    if not isfinite(u):
        return interval_of(model.errors, value, "secant", [], COVERAGE)
    half = float(student_guard(0.5 * (1.0 - COVERAGE), dof)) * u
    return Interval(value, value * exp(-half), value * exp(half))


def _log_u(value: float, high: float) -> float:
    """Standard uncertainty of a logarithm from its 90 % interval, taken as normal."""
    return log(high / value) / 1.645 if isfinite(high) else 0.0


def _best(stiffness: Sequence[float], u: Sequence[float], target: Target) -> list[float]:
    rng = np.random.default_rng(SEED)
    aim = log(target.stiffness_nm_per_deg) + target.stiffness_spread * rng.standard_normal(DRAWS)
    own = np.log(stiffness)[:, None] + np.array(u)[:, None] * rng.standard_normal((len(stiffness), DRAWS))
    nearest = np.abs(own - aim).argmin(axis=0)
    return [float(np.mean(nearest == i)) for i in range(len(stiffness))]


def _notes(loop: SettingLoop, limit: float | None, target: Target) -> tuple[str, ...]:
    notes = []
    if float(loop.branches.rising.max()) < target.torque_nm:
        notes.append("target torque not reached in what was measured")
    if limit is not None and limit < target.torque_nm:
        notes.append("the target torque is above the structural limit")
    return tuple(notes)


def _bracket(candidates: Sequence[Candidate], target: Target, setting: str) -> tuple[tuple[str, ...], float, str]:
    """The two neighbours of the target, the setting between them, and a sentence."""
    rising = sorted(candidates, key=lambda one: one.stiffness)
    softer = [one for one in rising if one.distance <= 0.0]
    stiffer = [one for one in rising if one.distance > 0.0]
    if softer and stiffer:
        a, b = softer[-1], stiffer[0]
        share = log(target.stiffness_nm_per_deg / a.stiffness) / log(b.stiffness / a.stiffness)
        at = a.setting + share * (b.setting - a.setting)
        words = (
            f"try {a.label} ({100 * a.distance:+.0f} % of the target's stiffness) and {b.label} "
            f"({100 * b.distance:+.0f} %) next: the target lies between them, near {setting} {at:.3g}"
        )
        return (a.label, b.label), at, words
    ends = rising[:2] if stiffer else rising[::-1][:2]
    word = "softer" if stiffer else "stiffer"
    least = min(ends, key=lambda one: abs(one.spreads), default=None)
    label = least.label if least is not None else ""
    words = f"the target is {word} than all that was measured: try {label} first, and measure one {word} than it"
    return tuple(one.label for one in ends), nan, words
