"""Gather the page of a bumper choice: stiffness against the target, loops of the nearest, the loop between two."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from benchpipe.blocks.charts import Axis, Chart, FigureTable, Panel, Ruler, Series
from benchpipe.bumper.choose import BumperChoice
from benchpipe.bumper.model import BumperModel, SettingLoop
from benchpipe.bumper.predict import Prediction, predict
from benchpipe.kernels.loop_branches import Branches

NEAREST = 4  # loops laid over each other: as many as there are colours


@dataclass(frozen=True, eq=False)
class BumperPage:
    """A choice with its pictures."""

    choice: BumperChoice
    charts: tuple[Chart, ...]
    remarks: tuple[str, ...]


def bumper_page(model: BumperModel, choice: BumperChoice, called: str, wearer: str) -> BumperPage:
    """The page of a choice from a model.

    Parameters
    ----------
    model : BumperModel
    choice : BumperChoice
        From the same model.
    called : str
        The model file, as a command names it.
    wearer : str
        Options of the choice: target files, mass and the rest.
    """
    command = f"benchpipe bumper choose {called} {wearer} --json"
    charts = (_stiffness(choice, command), _loops(model, choice), *_between(model, choice, called))
    return BumperPage(choice, charts, model.remarks)


def _stiffness(choice: BumperChoice, command: str) -> Chart:
    """Each measured bumper with its interval against the target and its spread between people."""
    rising = sorted(choice.candidates, key=lambda one: one.stiffness)
    value, low, high = (np.array([getattr(one, key) for one in rising]) for key in ("stiffness", "low", "high"))
    aim, spread = choice.target.stiffness_nm_per_deg, choice.target.stiffness_spread
    rulers = (
        Ruler(aim, "target"), Ruler(aim * math.exp(spread), "two thirds of people"),
        Ruler(aim * math.exp(-spread), "two thirds of people"),
    )  # fmt: skip
    panel = Panel(
        "", Axis("bumper", names=tuple(one.label for one in rising)), Axis("stiffness", "N*m/deg"),
        (Series("", np.arange(1.0, len(rising) + 1.0), value, low, high, "dots"),), rulers,
    )  # fmt: skip
    head = (
        Axis("bumper"), Axis("stiffness", "N*m/deg"), Axis("low", "N*m/deg"), Axis("high", "N*m/deg"),
        Axis("to target", "%"), Axis("spreads"), Axis("motion", "deg"), Axis("energy return", "%"),
        Axis("limit over torque"), Axis("best", "%"), Axis("remarks"),
    )  # fmt: skip
    rows = tuple(
        (one.label, one.stiffness, one.low, one.high, 100.0 * one.distance, one.spreads, one.motion_deg,
         100.0 * one.energy_return, one.margin, 100.0 * one.best, "; ".join(one.notes)) for one in choice.candidates
    )  # fmt: skip
    return Chart(
        "stiffness", "loops", "", "stiffness to the torque compared, 90 % intervals", (f"{choice.words}.",),
        (panel,), FigureTable(head, rows), len(rising), "bumpers", command,
    )  # fmt: skip


def _loops(model: BumperModel, choice: BumperChoice) -> Chart:
    """The nearest measured loops."""
    near = {one.label for one in choice.candidates[:NEAREST]}
    loops = [loop for loop in model.at_rate(choice.rate_deg_s) if loop.label in near]
    panel = Panel(
        "", Axis("motion", "deg"), Axis("torque", "N*m"), tuple(_closed(loop.label, loop.branches) for loop in loops),
        (Ruler(choice.target.torque_nm, "target"),),
    )  # fmt: skip
    head = (Axis(model.setting), Axis("bumper"), Axis("rate", "deg/s"), Axis("largest torque", "N*m"),
            Axis("loss", "J"), Axis("specimens"))  # fmt: skip
    rows = tuple(_row(loop) for loop in model.loops)
    return Chart(
        "loops", "loops", "", "measured loops of the nearest",
        (f"At {choice.rate_deg_s:.3g} deg/s, the {len(loops)} nearest to the target.",), (panel,),
        FigureTable(head, rows), sum(2 * loop.branches.motion.size for loop in loops), "points", "",
    )  # fmt: skip


def _row(loop: SettingLoop) -> tuple[float | str, ...]:
    joule = loop.branches.area * math.pi / 180.0
    return (f"{loop.setting:g}", loop.label, loop.rate_deg_s, loop.branches.largest, joule, ", ".join(loop.specimens))


def _between(model: BumperModel, choice: BumperChoice, called: str) -> Iterator[Chart]:
    """The loop predicted where the target lies between two measured settings."""
    if not math.isfinite(choice.between):
        return
    found = predict(model, choice.between, rate=choice.rate_deg_s)
    series = tuple(
        Series(name, found.branches.motion, y, *((y - found.band, y + found.band) if math.isfinite(found.band) else ()))
        for name, y in (("loading", found.branches.rising), ("unloading", found.branches.falling))
    )
    panel = Panel("", Axis("motion", "deg"), Axis("torque", "N*m"), series)
    head = (Axis("figure"), Axis("value"), Axis("low"), Axis("high"))
    yield Chart(
        "between", "loops", "", f"the loop predicted at {model.setting} {choice.between:.3g}",
        (_known(found),), (panel,), FigureTable(head, tuple(_figures(found))), 2 * found.branches.motion.size, "points",
        f"benchpipe bumper predict {called} --setting {choice.between:.4g} --rate {choice.rate_deg_s:.4g} --json",
    )  # fmt: skip


def _figures(found: Prediction) -> Iterator[tuple[str, float, float, float]]:
    for name, of in (
        ("secant stiffness [N*m/deg]", found.secant), ("loop area [N*m*deg]", found.area),
        ("energy return", found.energy_return),
    ):  # fmt: skip
        yield name, of.value, of.low, of.high


def _known(found: Prediction) -> str:
    share = f"{100 * found.coverage:g} %"
    if not math.isfinite(found.band):
        return "How well it is predicted is not known: too few settings."
    return f"The {share} band holds the whole curve: ± {found.band:.3g} N·m."


def _closed(name: str, branches: Branches) -> Series:
    x = np.concatenate([branches.motion, branches.motion[::-1], branches.motion[:1]])
    return Series(name, x, np.concatenate([branches.rising, branches.falling[::-1], branches.rising[:1]]))
