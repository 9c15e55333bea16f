"""Predict a loop between measured settings, with intervals; outside what was measured it refuses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, hypot, inf, isfinite, isnan, log, nan, sqrt

import numpy as np

from benchpipe.bumper.model import BumperModel, SettingLoop
from benchpipe.bumper.settings import Errors, interpolated
from benchpipe.errors import ConfigError
from benchpipe.kernels.loop_branches import Branches, between, energy_return, motion_at
from benchpipe.kernels.risk import student_guard

MOST_TORQUE = 1.1
"""Of the largest torque measured: extrapolations of a research foot's loops beyond it missed by 70 to 2000 %."""
LIKE_RATE = 1.1
NEAR_K = 2.0  # by which a temperature may lie outside those measured
COVERAGE = 0.9


@dataclass(frozen=True)
class Interval:
    """A figure with its interval at the prediction's coverage; NaN ends: not known."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Prediction:
    """A predicted loop.

    Attributes
    ----------
    setting, rate_deg_s : float
    branches : Branches
    band : float
        Half-width [N·m] of the band that holds the whole curve; infinite where settings are too few to show it.
    secant, area, energy_return : Interval
        N·m/deg, N·m·deg, 1. Loss has its own, much wider interval.
    motion_at_torque : Interval or None
        Where the loading branch reaches the torque asked for [deg]; a value of NaN: it is not reached.
    torque : float or None
    coverage : float
    neighbours : tuple of str
        Labels of the measured settings that it lies between.
    opposed : float or None
        Setting of the bumper that falling motion presses, where it is another one's.
    notes : tuple of str
    """

    setting: float
    rate_deg_s: float
    branches: Branches
    band: float
    secant: Interval
    area: Interval
    energy_return: Interval
    motion_at_torque: Interval | None
    torque: float | None
    coverage: float
    neighbours: tuple[str, ...]
    notes: tuple[str, ...]
    opposed: float | None = None


def predict(
    model: BumperModel, setting: float, *, rate: float | None = None, temperature: float | None = None,
    torque: float | None = None, coverage: float = COVERAGE,
) -> Prediction:  # fmt: skip
    """Predict a loop from the interpolated branches of a model.

    Parameters
    ----------
    setting : float
        Between the measured ones.
    rate : float, optional
        deg/s, inside those measured; the slowest where it is not given.
    temperature : float, optional
        °C, inside those measured.
    torque : float, optional
        N·m, at which the motion of the loading branch is asked for; negative: of the other side.

    Raises
    ------
    ConfigError
        It lies outside what was measured: no number is better than a wrong one.
    """
    chosen, notes = _rate(model, rate)
    branches, used = _at_rate(model, setting, chosen)
    check_torque(torque, used)
    check_temperature(used, temperature)
    notes += temperature_notes(used)
    scatter = specimen_scatter(_near_rate(model, used[0].rate_deg_s))
    band = model.errors.band(coverage) * branches.load_range
    half = 0.5 * (1.0 - coverage)
    if isfinite(scatter[0]):
        band = hypot(band, float(student_guard(half, scatter[1])) * scatter[0] * 0.5 * branches.load_range)
    if not isfinite(band):
        notes.append("fewer than two interior settings: how well it is predicted is not known")
    reached = None if torque is None else reached_at(branches, torque, band)
    if reached is not None and not isfinite(reached.value):
        notes.append(f"{torque:g} N·m is not reached inside the motion measured")
    given_back = energy_return(branches)
    return Prediction(
        setting, chosen, branches, band, interval_of(model.errors, branches.secant, "secant", [scatter], coverage),
        interval_of(model.errors, branches.area, "area", [], coverage),
        return_interval(model.errors, given_back, [], coverage), reached, torque, coverage,
        tuple(dict.fromkeys(one.label for one in used)), tuple(notes),
    )  # fmt: skip


def check_torque(torque: float | None, used: Sequence[SettingLoop]) -> None:
    """Refuse a torque beyond what the loops used were measured to.

    Raises
    ------
    ConfigError
        It is no number, or beyond `MOST_TORQUE` times the largest one.
    """
    most = max(one.branches.largest for one in used)
    if torque is not None and not abs(torque) <= MOST_TORQUE * most:
        raise ConfigError(
            f"{torque:g} N·m is beyond {MOST_TORQUE:g} × the largest torque measured there ({most:.4g} N·m)",
            do_next="measure these bumpers at a larger torque: beyond it a bumper stiffens as no fit can know",
        )  # fmt: skip


def _temperatures(used: Sequence[SettingLoop]) -> list[float]:
    return [loop.temperature_c for loop in used if isfinite(loop.temperature_c)]


def check_temperature(used: Sequence[SettingLoop], temperature: float | None) -> None:
    """Refuse a temperature that the loops used were not measured at.

    Raises
    ------
    ConfigError
        None was logged, or it lies outside by more than `NEAR_K`.
    """
    if temperature is None:
        return
    known = _temperatures(used)
    if not known:
        raise ConfigError("these loops' runs logged no temperature", do_next="leave it out, or log it and fit again")
    if not min(known) - NEAR_K <= temperature <= max(known) + NEAR_K:
        names = ", ".join(dict.fromkeys(one.label for one in used))
        raise ConfigError(
            f"{temperature:g} °C lies outside the temperatures measured of {names}, {min(known):.1f} to "
            f"{max(known):.1f} °C",
            do_next="measure there: near its glass transition rubber stiffens many times over",
        )  # fmt: skip


def temperature_notes(used: Sequence[SettingLoop]) -> list[str]:
    """What must be said where the loops used are of different temperatures."""
    known = _temperatures(used)
    if len(known) < 2 or max(known) - min(known) <= 2.0 * NEAR_K:
        return []
    return [
        f"loops of different temperatures, {min(known):.1f} to {max(known):.1f} °C: stiffness and loss follow them, "
        "and no correction is made"
    ]


def _rate(model: BumperModel, rate: float | None) -> tuple[float, list[str]]:
    rates = model.rates()
    if rate is None:
        return rates[0], [] if len(rates) == 1 else [f"at the slowest rate measured, {rates[0]:.3g} deg/s"]
    if not rates[0] / LIKE_RATE <= rate <= LIKE_RATE * rates[-1]:
        raise ConfigError(
            f"{rate:g} deg/s lies outside the rates measured, {rates[0]:.3g} to {rates[-1]:.3g} deg/s",
            do_next="measure a loop at that rate: loss at walking rate is not that of a slow loop",
        )  # fmt: skip
    return rate, []


def _at_rate(model: BumperModel, setting: float, rate: float) -> tuple[Branches, list[SettingLoop]]:
    """The loop at a setting and rate, and the measured ones that it lies between."""
    rates = model.rates()
    at = int(np.clip(np.searchsorted(rates, rate, "right") - 1, 0, len(rates) - 1))
    low, used = _at_setting(model, model.at_rate(rates[at]), setting)
    near = rate <= LIKE_RATE * rates[at] or at + 1 == len(rates)
    if near:
        return low, used
    high, more = _at_setting(model, model.at_rate(rates[at + 1]), setting)
    share = log(rate / rates[at]) / log(rates[at + 1] / rates[at])
    return between(low, high, share), [*used, *more]


def _at_setting(model: BumperModel, loops: Sequence[SettingLoop], setting: float) -> tuple[Branches, list[SettingLoop]]:
    settings = [loop.setting for loop in loops]
    exact = [loop for loop in loops if loop.setting == setting]
    if exact:
        return exact[0].branches, exact
    if len(loops) < 2 or not settings[0] <= setting <= settings[-1]:
        raise ConfigError(
            f"{model.setting} {setting:g} is outside those measured at this rate, {settings[0]:g} to {settings[-1]:g}",
            do_next="measure a setting beyond it",
        )  # fmt: skip
    i = int(np.searchsorted(settings, setting))
    return interpolated(settings, [loop.branches for loop in loops], setting), [loops[i - 1], loops[i]]


def _near_rate(model: BumperModel, rate: float) -> list[SettingLoop]:
    """All settings at about a rate: the same specimens at another rate are no others."""
    return [one for one in model.loops if abs(log(one.rate_deg_s / rate)) <= log(LIKE_RATE)]


def specimen_scatter(loops: Sequence[SettingLoop]) -> tuple[float, float]:
    """Standard deviation of the next specimen's log secant about a setting's mean, and its degrees of freedom.

    Pooled over settings, since two specimens of one setting show next to nothing; NaN with one specimen each.
    """
    known = [(one.scatter_u, len(one.specimens)) for one in loops if isfinite(one.scatter_u)]
    if not known:
        return nan, nan
    dof = sum(n - 1 for _, n in known)
    pooled = sqrt(sum((n - 1) * s**2 for s, n in known) / dof)
    return pooled * sqrt(1.0 + 1.0 / min(n for _, n in known)), float(dof)


def interval_of(
    errors: Errors, value: float, name: str, parts: Sequence[tuple[float, float]], coverage: float
) -> Interval:
    """Interval of a positive figure on its logarithm.

    Parameters
    ----------
    errors : Errors
        With settings left out.
    name : str
        "secant" or "area".
    parts : sequence of (u, degrees of freedom)
        Besides them: specimen scatter, parameters; NaN where not known. Each has its own factor.
    """
    risk = 0.5 * (1.0 - coverage)
    known = [errors.relative_u(name), *(part for part in parts if not isnan(part[0]))]
    half = hypot(*(float(student_guard(risk, dof)) * u if isfinite(u) else inf for u, dof in known))
    if not isfinite(half) or not value > 0.0:
        return Interval(value, nan, nan)
    return Interval(value, value * exp(-half), value * exp(half))


def return_interval(errors: Errors, value: float, parts: Sequence[tuple[float, float]], coverage: float) -> Interval:
    """Energy return: what is lost, 1 - return, has the relative interval of the loop area."""
    lost = interval_of(errors, 1.0 - value, "area", parts, coverage)
    return Interval(value, 1.0 - lost.high, 1.0 - lost.low)


def reached_at(branches: Branches, torque: float, band: float) -> Interval:
    """Motion at which the loading branch of a side reaches a torque, and where the edges of the band do."""
    falling = torque < 0.0
    value = motion_at(branches, torque, falling=falling)
    if not isfinite(band):
        return Interval(value, nan, nan)
    ends = [motion_at(branches, torque + side * band, falling=falling) for side in (-1.0, 1.0)]
    return Interval(value, *ends)
