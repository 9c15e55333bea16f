"""Bumper models, predictions and choices in lines for a terminal, and as documents for other programs."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict, replace
from typing import Any

import numpy as np

from benchpipe.bumper.choose import BumperChoice
from benchpipe.bumper.contacts import contacts_of, law_of_pairs
from benchpipe.bumper.model import BumperModel
from benchpipe.bumper.predict import Interval, Prediction
from benchpipe.kernels.loop_branches import Branches
from benchpipe.views.folding import folded

VERSION = 1
SHOWN = 41  # points of a predicted curve in a document


def model_lines(model: BumperModel) -> Iterator[str]:
    """What was fitted, how well settings left out are predicted, and what the loops do not identify."""
    yield f"{model.name}: {len(model.loops)} loops, {model.setting} {_span([x.setting for x in model.loops])}"
    heads = ("setting", "bumper", "N*m/deg", "loss J", "largest N*m", "deg/s", "degC", "specimens")
    yield "  {:>9} {:<12} {:>8} {:>7} {:>11} {:>6} {:>5} {:>9}".format(*heads)
    for loop in model.loops:
        warm = f"{loop.temperature_c:.1f}" if math.isfinite(loop.temperature_c) else "-"
        joule = loop.branches.area * math.pi / 180.0
        yield (
            f"  {loop.setting:>9g} {loop.label:<12} {loop.branches.secant:>8.4g} {joule:>7.3g} "
            f"{loop.branches.largest:>11.4g} {loop.rate_deg_s:>6.3g} {warm:>5} {len(loop.specimens):>9}"
        )
    errors = model.errors
    if errors.left_out:
        yield f"  interior settings left out, medians of {len(errors.left_out)}: rms of load range, secant, loss"
        yield f"    {'interpolated branches':<28}{_three(errors.rms, errors.secant, errors.area)}  (the reference)"
        for law in sorted(model.laws, key=lambda one: one.errors.rms):
            yield f"    {law.law + ', ' + law.loss:<28}{_three(law.errors.rms, law.errors.secant, law.errors.area)}"
    else:
        yield "  too few settings to leave one out: how well others are predicted is not known"
    for name in dict.fromkeys(law.name for one in model.losses for law in one.laws if not law.refused):
        fitted = [law.rms for one in model.losses for law in one.laws if law.name == name and not law.refused]
        misfit = 100.0 * float(np.median(fitted))
        yield f"  loss, {name}: misses the loops by {misfit:.2f} % (median of {len(fitted)} settings)"
    refused = {(law.name, law.refused): None for one in model.losses for law in one.laws if law.refused}
    for name, why in refused:
        yield from folded(f"loss, {name}: not identified: {why}", "  ")
    yield from _contacts(model)
    vague = sorted({name for law in model.laws for fit in law.fits for name in fit.not_identified})
    if vague:
        yield from folded(f"not identified at some settings: {', '.join(vague)}", "  ")
    for remark in model.remarks:
        yield from folded(f"remark: {remark}", "  ")


def _contacts(model: BumperModel) -> Iterator[str]:
    """Contact angles and backlash of each setting, by the law that two opposed bumpers are predicted with."""
    law = law_of_pairs(model)
    yield f"  contact by the law '{law.law}' [deg, ± 2 u]: rising, falling motion; backlash"
    for one in contacts_of(model, law):
        ends = (
            f"{v:.2f} ± {2 * u:.2g}" if math.isfinite(v) else "not identified"
            for v, u in ((one.rising, one.rising_u), (one.falling, one.falling_u))
        )  # fmt: skip
        play = f"{one.backlash:.2f}" if math.isfinite(one.backlash) else "-"
        rising, falling = ends
        yield f"    {one.setting:>9g} {rising:>16} {falling:>16} {play:>9}"


def _span(values: list[float]) -> str:
    return f"{min(values):g} to {max(values):g}"


def _three(rms: float, secant: float, area: float) -> str:
    return "".join(f"{100 * value:>8.2f} %" for value in (rms, secant, area))


def prediction_lines(found: Prediction, setting: str) -> Iterator[str]:
    """A prediction with its intervals."""
    between = " and ".join(found.neighbours)
    share = f"{100 * found.coverage:g} %"
    pair = f" against {found.opposed:g}" if found.opposed is not None else ""
    at = f"{found.rate_deg_s:.3g} deg/s"
    yield from folded(f"{setting} {found.setting:g}{pair} at {at}, from {between}; intervals {share}", "")
    yield f"  secant stiffness  {_interval(found.secant)} N*m/deg"
    area = replace(found.area, **{k: v * math.pi / 180.0 for k, v in asdict(found.area).items()})
    yield f"  loss a cycle      {_interval(area)} J"
    yield f"  energy return     {_interval(found.energy_return)}"
    if found.motion_at_torque is not None and math.isfinite(found.motion_at_torque.value):
        yield f"  motion at {found.torque:g} N*m  {_interval(found.motion_at_torque)} deg"
    band = f"± {found.band:.3g} N*m" if math.isfinite(found.band) else "not known"
    yield f"  whole curve       {band}"
    for note in found.notes:
        yield from folded(f"note: {note}", "  ")


def _interval(of: Interval) -> str:
    low, high = (f"{v:.4g}" if math.isfinite(v) else "not known" for v in (of.low, of.high))
    ends = f"{low} to {high}" if low != high or math.isfinite(of.low) else low
    return f"{of.value:.4g} ({ends})"


def choice_lines(found: BumperChoice) -> Iterator[str]:
    """The two to try next and why, then all measured bumpers, nearest first."""
    aim = found.target
    yield f"{found.model} for {aim.mass_kg:g} kg at {aim.speed_m_s:.2f} m/s"
    low, high = (aim.stiffness_nm_per_deg * math.exp(side * aim.stiffness_spread) for side in (-1.0, 1.0))
    yield from _item(
        "target", f"{aim.stiffness_nm_per_deg:.3g} N*m/deg (two thirds of people {low:.3g} to {high:.3g}), "
        f"{aim.torque_nm:.3g} N*m: {aim.file}",
    )  # fmt: skip
    yield from _item("source", f"{aim.source} ({'verified' if aim.verified else 'not verified'})")
    yield from _item("next", found.words)
    yield ""
    heads = ("bumper", "N*m/deg", "90 %", "to target", "spreads", "deg", "return", "margin", "best")
    yield "  {:<12} {:>7} {:>13} {:>9} {:>7} {:>5} {:>6} {:>6} {:>4}".format(*heads)
    for one in found.candidates:
        ends = f"{one.low:.3g} to {one.high:.3g}" if math.isfinite(one.high) else "not known"
        motion = f"{one.motion_deg:.3g}" if math.isfinite(one.motion_deg) else "-"
        margin = f"{one.margin:.2f}" if math.isfinite(one.margin) else "-"
        mark = "*" if one.label in found.try_next else " "
        yield (
            f"{mark} {one.label:<12} {one.stiffness:>7.4g} {ends:>13} {100 * one.distance:>+8.0f}% "
            f"{one.spreads:>+7.1f} {motion:>5} {100 * one.energy_return:>5.0f}% {margin:>6} {100 * one.best:>3.0f}%"
        )
        for note in one.notes:
            yield f"      {note}"
    yield ""
    for note in found.notes:
        yield from folded(f"note: {note}", "  ")
    yield from folded(found.caution, "  ", "  ")


def _item(name: str, text: str) -> Iterator[str]:
    """A named sentence, its further lines below the first one's text."""
    yield from folded(text, f"  {name:<10} ", " " * 13)


def prediction_document(found: Prediction) -> dict[str, Any]:
    """A prediction for other programs, its curve at 41 points."""
    motion = np.linspace(found.branches.low, found.branches.high, SHOWN)
    curves = (np.interp(motion, found.branches.motion, y) for y in (found.branches.rising, found.branches.falling))
    thin = replace(found, branches=Branches(motion, *curves))
    document = asdict(thin)
    document["branches"] = {name: value.tolist() for name, value in document["branches"].items()}
    return {"document": "benchpipe bumper prediction", "version": VERSION, **document}


def choice_document(found: BumperChoice) -> dict[str, Any]:
    """A choice for other programs."""
    return {"document": "benchpipe bumper choice", "version": VERSION, **asdict(found)}
