"""Values in words: what a limit measured and allows, a figure with its uncertainty, the verdict of a run."""

from __future__ import annotations

import math
from typing import Any

from benchpipe.blocks.figures import Figure
from benchpipe.check.decision import Verdict, applies
from benchpipe.check.rounding import rounded
from benchpipe.report.signs import UNICODE, Marks, unit_shown, with_unit
from benchpipe.views.model import RunView


def headline_words(view: RunView) -> str:
    """The verdict of a run in capital letters."""
    if view.failed is not None:
        return "NOT PROCESSED"
    if view.archived:
        return "IN THE ARCHIVE"
    if not view.judged:
        return "NOT JUDGED YET"
    if not view.limits:
        return "NO LIMITS SET"
    words = {
        Verdict.FAIL: "A LIMIT FAILED",
        Verdict.INCONCLUSIVE: "INCONCLUSIVE",
        Verdict.NOT_EVALUATED: "NOT EVALUATED",
        Verdict.PASS: "WITHIN LIMITS SO FAR" if view.running else "ALL LIMITS MET",
    }
    if view.verdict is Verdict.NOT_EVALUATED and not any(r["due"] for r in view.limits):
        return "NOTHING DUE YET" if any(map(applies, view.limits)) else "NO LIMIT APPLIES"
    return words[view.verdict]


def figure_text(figure: Figure, marks: Marks = UNICODE) -> str:
    """A figure with its unit, and its expanded uncertainty where that is known."""
    value = with_unit(figure.value, figure.unit, marks=marks)
    u = figure.half_width
    if u and figure.value is not None and math.isfinite(u):
        scale, unit = (100.0, "%") if figure.unit == "1" else (1.0, unit_shown(figure.unit, marks))
        shown, wide = rounded(scale * figure.value, scale * u)
        value = f"{shown} {marks.plus_minus} {wide} {unit}".rstrip()
    return value


def measured_text(row: dict[str, Any], marks: Marks = UNICODE) -> str:
    """Value and expanded uncertainty with one unit, rounded alike (GUM 7.2.6): ``0.223 ± 0.011 °``."""
    value = with_unit(row["measured"], row["unit"], marks=marks)
    if row["measured"] is None:
        return value
    if row["expanded_u"]:
        scale, unit = _scaled(row, marks)
        figure, u = rounded(scale * row["measured"], scale * row["expanded_u"])
        value = f"{figure} {marks.plus_minus} {u} {unit}".rstrip()
    return f"{marks.bounds[row['bound']]}{value}" if row["bound"] else value


def _scaled(row: dict[str, Any], marks: Marks = UNICODE) -> tuple[float, str]:
    """By what a value is multiplied to be shown, and its unit then: ratios as per cent, long times in days."""
    if row["unit"] == "1":
        return 100.0, "%"
    if row["unit"] == "s" and abs(row["measured"]) >= 172_800:
        return 1.0 / 86_400.0, "d"
    return 1.0, unit_shown(row["unit"], marks)


def limit_text(row: dict[str, Any], marks: Marks = UNICODE) -> str:
    """The limit, or the two, with one unit: ``≤ 25 %``."""
    unit = row["unit"] if row["unit"] != "cycles" else ""
    ends = [row["value"]] + ([row["other_value"]] if row["other_value"] is not None else [])
    values, shown = [], ""
    for end in sorted(ends):
        value, _, shown = with_unit(end, unit, marks=marks).partition(" ")
        values.append(value.rstrip("0").rstrip(".") if "." in value and "e" not in value else value)
    if len(values) == 2:
        return f"{values[0]} to {values[1]} {shown}".rstrip()
    sign = {"<=": marks.at_most, ">=": marks.at_least}[row["operator"]]
    return f"{sign} {values[0]} {shown}".rstrip()
