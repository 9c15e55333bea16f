"""Notation of values and small trends: signs that a terminal can show, digits, units, times."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta


@dataclass(frozen=True)
class Marks:
    """The signs that are drawn with. ``units``: pairs of what a unit's text holds and what stands for it."""

    bars: str
    rule: str
    none: str
    plus_minus: str
    at_most: str
    at_least: str
    bounds: dict[str, str]
    units: tuple[tuple[str, str], ...]


UNICODE = Marks(
    "▁▂▃▄▅▆▇█", "─", "–", "±", "≤", "≥", {"at least": "≥ ", "at most": "≤ "},
    (("*", "·"), ("degC", "°C"), ("deg", "°")),
)  # fmt: skip
ASCII = Marks("_.-=+*#@", "-", "-", "+-", "<=", ">=", {"at least": ">= ", "at most": "<= "}, ())


def number(value: float | None, digits: int = 4, marks: Marks = UNICODE) -> str:
    """A value with ``digits`` significant digits, thousands set apart; ``–`` for none."""
    if value is None or not math.isfinite(value):
        return marks.none
    if value == 0.0:
        return "0"
    if value == int(value) and abs(value) < 1e12:
        return f"{int(value):,}"
    rounded = float(f"{value:.{digits - 1}e}")  # 9.9996 has one digit more before the point
    places = digits - 1 - math.floor(math.log10(abs(rounded)))
    if places > 7 or abs(rounded) >= 1e12:
        return f"{value:.{digits - 1}e}"
    return f"{rounded:,.{max(places, 0)}f}"


def with_unit(value: float | None, unit: str, digits: int = 4, marks: Marks = UNICODE) -> str:
    """A value and its unit: ratios as per cent, long times in days."""
    if value is None or not math.isfinite(value):
        return marks.none
    if unit == "1":
        return f"{number(100.0 * value, 3)} %"
    if unit == "s" and abs(value) >= 172_800:
        return f"{number(value / 86_400.0, 3)} d"
    return f"{number(value, digits)} {unit_shown(unit, marks)}".rstrip()


def margin_with_unit(value: float | None, unit: str, digits: int = 4, marks: Marks = UNICODE) -> str:
    """A distance to a limit and its unit: that of ratios in points, since per cent would be read as a part of it."""
    text = with_unit(value, unit, digits, marks)
    if unit != "1" or not text.endswith(" %"):
        return text
    shown = text.removesuffix(" %")
    return f"{shown} {'point' if shown in ('1', '-1') else 'points'}"


def unit_shown(unit: str, marks: Marks = UNICODE) -> str:
    """A unit as print shows it: ``N·m/°``."""
    for written, shown in marks.units:
        unit = unit.replace(written, shown)
    return "" if unit == "1" else unit


def sparkline(
    values: Iterable[float], bars: str = UNICODE.bars, low: float | None = None, high: float | None = None
) -> str:
    """A small trend between two values, else from its own smallest to its largest; flat where they are equal."""
    known = [v for v in values if math.isfinite(v)]
    if len(known) < 2:
        return ""
    low, high = min(known) if low is None else low, max(known) if high is None else high
    span = high - low
    if span <= 1e-9 * max(abs(low), abs(high)):
        return bars[len(bars) // 2] * len(known)
    return "".join(bars[min(int((v - low) / span * len(bars)), len(bars) - 1)] for v in known)


def clock(us: int | None, *, dated: bool, marks: Marks = UNICODE) -> str:
    """A time on the run's axis: a date, or the time since the log began."""
    if us is None:
        return marks.none
    if dated:
        return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=us)).strftime("%Y-%m-%d %H:%M")
    return f"{number(us / 3.6e9, 3)} h"
