"""Two bumpers opposed that were never measured together: by the laws fitted to each, through the lever arms."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, inf, isfinite, log, nan

import numpy as np
from numpy.typing import NDArray

from benchpipe.bumper.contacts import law_of_pairs
from benchpipe.bumper.model import BumperModel, LawModel, SettingFit, SettingLoop
from benchpipe.bumper.predict import (
    COVERAGE,
    LIKE_RATE,
    Interval,
    Prediction,
    check_temperature,
    check_torque,
    interval_of,
    reached_at,
    return_interval,
    specimen_scatter,
    temperature_notes,
)
from benchpipe.errors import ConfigError
from benchpipe.kernels.bumper_pair import PairShape, pair_torque
from benchpipe.kernels.loop_branches import Branches, energy_return
from benchpipe.kernels.risk import student_guard

Floats = NDArray[np.float64]
POINTS, DRAWS, SEED = 201, 400, 1
PRESSED = 0.01  # of the largest torque: a bumper that gives less was not pressed
STIFF = ("k1", "k2", "k3", "k0", "more", "scale")  # without them a bumper gives no torque
FRICTION = 2  # its parameters, the last ones


@dataclass(frozen=True)
class _Side:
    """One bumper: the fits that its setting lies between, with their shares, and their loops."""

    name: str
    setting: float
    fits: tuple[tuple[SettingFit, float], ...]
    loops: tuple[SettingLoop, ...]


def predict_opposed(
    model: BumperModel, setting: float, opposed: float, *, rate: float | None = None,
    temperature: float | None = None, torque: float | None = None,
    preloads: tuple[float | None, float | None] = (None, None), coverage: float = COVERAGE,
) -> Prediction:  # fmt: skip
    """Predict the loop of two bumpers of different settings, one against the other.

    Parameters
    ----------
    setting, opposed : float
        Of the bumper that rising motion presses and of the other one; each between those measured.
    rate : float, optional
        deg/s, one of those measured; the slowest where it is not given.
    torque : float, optional
        N·m, at which the motion of the loading branch is asked for.
    preloads : pair of float or None
        Preload of each bumper, above 0, or its gap [mm; deg without lever arms], inside those fitted.

    Raises
    ------
    ConfigError
        It lies outside what was measured or fitted, or a loop never pressed the bumper.
    """
    chosen = _rate(model, rate)
    slowest = rate is None and len(model.rates()) > 1
    law = law_of_pairs(model)
    shape = PairShape(law.law, "friction", arms=model.arms, heights=model.heights)
    sides = [_side(model, law, chosen, name, at) for name, at in (("d", setting), ("p", opposed))]
    used = [loop for side in sides for loop in side.loops]
    check_torque(torque, used)
    check_temperature(used, temperature)
    notes = [
        f"by the law '{law.law}' of each bumper, fitted with another against it: this pair was not measured",
        *([f"at the slowest rate measured, {chosen:.3g} deg/s"] if slowest else []),
        *_pressed(sides, shape), *temperature_notes(used),
    ]  # fmt: skip
    value, covariance = _parameters(sides)
    for i, preload in enumerate(preloads):
        if preload is not None:
            at = value.size - FRICTION - 2 + i
            _check_preload(model, law, chosen, sides[i].name, preload)
            value[at], covariance[at, :], covariance[:, at] = preload, 0.0, 0.0
    low = max(loop.branches.low for loop in sides[1].loops)
    high = min(loop.branches.high for loop in sides[0].loops)
    branches = _loop(value, shape, low, high)
    bounded = np.array(["preload" not in name for name in sides[0].fits[0][0].names])
    spread = _draws(value, covariance, bounded, shape, branches)
    dof = min(fit.dof for side in sides for fit, _ in side.fits)
    scatter = specimen_scatter([one for one in model.loops if abs(log(one.rate_deg_s / chosen)) <= log(LIKE_RATE)])
    factor = float(student_guard(0.5 * (1.0 - coverage), dof))
    band = hypot(law.errors.band(coverage) * branches.load_range, factor * spread["curve"])
    if isfinite(scatter[0]):
        of_specimens = float(student_guard(0.5 * (1.0 - coverage), scatter[1])) * scatter[0]
        band = hypot(band, of_specimens * 0.5 * branches.load_range)
    if vague := sorted({name for side in sides for fit, _ in side.fits for name in fit.not_identified}):
        spread, band = dict.fromkeys(spread, inf), inf
        notes.append(f"the loops do not identify {', '.join(vague)}: how well this pair is predicted is not known")
    elif not isfinite(band):
        notes.append("fewer than two interior settings: how well it is predicted is not known")
    reached: Interval | None = None if torque is None else reached_at(branches, torque, band)
    if reached is not None and not isfinite(reached.value):
        notes.append(f"{torque:g} N·m is not reached inside the motion measured")
    return Prediction(
        setting, chosen, branches, band,
        interval_of(law.errors, branches.secant, "secant", [scatter, (spread["secant"], dof)], coverage),
        interval_of(law.errors, branches.area, "area", [(spread["area"], dof)], coverage),
        return_interval(law.errors, energy_return(branches), [(spread["area"], dof)], coverage), reached, torque,
        coverage, tuple(dict.fromkeys(one.label for one in used)), tuple(dict.fromkeys(notes)), opposed,
    )  # fmt: skip


def _rate(model: BumperModel, rate: float | None) -> float:
    rates = model.rates()
    near = [one for one in rates if rate is None or one / LIKE_RATE <= rate <= LIKE_RATE * one]
    if not near:
        shown = ", ".join(f"{one:.3g}" for one in rates)
        raise ConfigError(f"{rate:g} deg/s was not measured", expected=f"one of {shown} deg/s")
    return near[0]


def _of_rate(law: LawModel, rate: float) -> list[SettingFit]:
    near = {fit.setting: fit for fit in reversed(law.fits) if rate <= fit.rate_deg_s <= LIKE_RATE * rate}
    return [near[setting] for setting in sorted(near)]


def _side(model: BumperModel, law: LawModel, rate: float, name: str, setting: float) -> _Side:
    fits = _of_rate(law, rate)
    settings = [fit.setting for fit in fits]
    if not settings[0] <= setting <= settings[-1]:
        raise ConfigError(
            f"{model.setting} {setting:g} is outside those measured at this rate, {settings[0]:g} to {settings[-1]:g}",
            do_next="measure a setting beyond it",
        )  # fmt: skip
    if setting in settings:
        shares = [(fits[settings.index(setting)], 1.0)]
    else:
        i = int(np.searchsorted(settings, setting))
        share = (setting - settings[i - 1]) / (settings[i] - settings[i - 1])
        shares = [(fits[i - 1], 1.0 - share), (fits[i], share)]
    names = {fit.setting for fit, _ in shares}
    loops = tuple(loop for loop in model.at_rate(rate) if loop.setting in names)
    return _Side(name, setting, tuple(shares), loops)


def _pressed(sides: Sequence[_Side], shape: PairShape) -> list[str]:
    """Notes on bumpers that their loops do not press.

    Raises
    ------
    ConfigError
        Nothing is known of one.
    """
    notes = []
    for side in sides:
        for (fit, _), loop in zip(side.fits, side.loops, strict=True):
            alone = np.array([
                0.0 if name[0] != side.name and name[2:] in STIFF else one
                for name, one in zip(fit.names, fit.value, strict=True)
            ])  # fmt: skip
            torque = pair_torque(loop.branches.motion, 0.0, alone, shape)
            if float(np.abs(torque).max()) >= PRESSED * loop.branches.largest:
                continue
            word = "rising" if side.name == "d" else "falling"
            if not any(name.startswith(side.name) for name in fit.priors):
                raise ConfigError(
                    f"the loop of setting {fit.setting:g} does not press the bumper of {word} motion",
                    do_next="measure a loop that presses it, or state hardness and geometry in the bumper file",
                )  # fmt: skip
            notes.append(f"setting {fit.setting:g}, {word} motion: stiffness by hardness and geometry, not measured")
    return notes


def _parameters(sides: Sequence[_Side]) -> tuple[Floats, Floats]:
    """Parameters of the pair and their covariance: each bumper's own, friction the mean of both."""
    fits: dict[int, SettingFit] = {id(fit): fit for side in sides for fit, _ in side.fits}
    names = next(iter(fits.values())).names
    value, weights = np.zeros(len(names)), {key: np.zeros((len(names), len(names))) for key in fits}
    for i, name in enumerate(names):
        mine = [side for side in sides if name.startswith(side.name + ".")] or list(sides)
        for side in mine:
            rows = [(fit, share / len(mine), fit.value[i]) for fit, share in side.fits]
            logs = "preload" not in name and all(v > 0.0 for _, _, v in rows)
            middle = (
                float(np.exp(sum(s * len(mine) * log(v) for _, s, v in rows))) if logs
                else sum(s * len(mine) * v for _, s, v in rows)
            )  # fmt: skip
            value[i] += middle / len(mine)
            for fit, share, v in rows:
                weights[id(fit)][i, i] += share * (middle / v if logs else 1.0)
    covariance = np.zeros((len(names), len(names)))
    for key, fit in fits.items():
        own = np.nan_to_num(np.array(fit.covariance), nan=0.0)
        covariance += weights[key] @ own @ weights[key].T
    return value, covariance


def _check_preload(model: BumperModel, law: LawModel, rate: float, side: str, preload: float) -> None:
    """A preload is one inside those fitted, each of which its loop identifies."""
    fits = _of_rate(law, rate)
    known = [fit.value[fit.names.index(f"{side}.preload")] for fit in fits
             if isfinite(fit.u[fit.names.index(f"{side}.preload")])]  # fmt: skip
    unit, word = "mm" if model.arms is not None else "deg", "rising" if side == "d" else "falling"
    if len(known) < len(fits):
        raise ConfigError(
            f"the loops do not identify the preload of the bumper of {word} motion",
            do_next="measure loops in which it opens, or leave the preload out",
        )  # fmt: skip
    if not min(known) <= preload <= max(known):
        raise ConfigError(
            f"a preload of {preload:g} {unit} lies outside those fitted of the bumper of {word} motion, "
            f"{min(known):.3g} to {max(known):.3g} {unit}",
            do_next="measure a setting with that preload",
        )  # fmt: skip


def _loop(value: Floats, shape: PairShape, low: float, high: float) -> Branches:
    motion = np.linspace(low, high, POINTS)
    return Branches(motion, *(pair_torque(motion, s, value, shape) for s in (1.0, -1.0)))


def _draws(
    value: Floats, covariance: Floats, bounded: NDArray[np.bool_], shape: PairShape, branches: Branches
) -> dict[str, float]:
    """Standard deviations that the parameters' covariance gives: ln secant, ln area, the curve where it is largest."""
    rng = np.random.default_rng(SEED)
    scale = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    unit = np.where(scale > 0.0, scale, 1.0)
    drawn = rng.multivariate_normal(np.zeros(value.size), covariance / np.outer(unit, unit), DRAWS, method="svd") * unit
    secants, areas, curves = [], [], []
    for one in drawn:
        changed = np.where(bounded, np.maximum(value + one, 1e-3 * value), value + one)
        loop = _loop(changed, shape, branches.low, branches.high)
        secants.append(log(loop.secant) if loop.secant > 0.0 else nan)
        areas.append(log(loop.area) if loop.area > 0.0 else nan)
        curves.append(np.concatenate([loop.rising - branches.rising, loop.falling - branches.falling]))
    return {
        "secant": float(np.nanstd(secants)), "area": float(np.nanstd(areas)),
        "curve": float(np.sqrt(np.mean(np.square(curves), axis=0)).max()),
    }  # fmt: skip
