"""Events and forecasts in a line each: the words of remarks, screens and pages."""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite
from typing import Any

STEP, WEAR_OUT, LIMIT_AHEAD, QUIET_DRIFT = "step", "wear-out", "limit-ahead", "drift"
TOLD = frozenset({STEP, WEAR_OUT, LIMIT_AHEAD})
"""Codes of remarks that a person is told once."""
MOST_NAMED = 3


def label_of(measure: str) -> str:
    """A measure in words."""
    return measure.removesuffix("_j").removesuffix("_deg").replace("_", " ")


def event_code(row: Mapping[str, Any]) -> str:
    """Code of the remark on an event."""
    return WEAR_OUT if row["kind"] == "slope" else STEP


def event_place(row: Mapping[str, Any]) -> str:
    """What makes an event the same as another night's."""
    return f"{row['block']}, event {row['event']}"


def event_words(row: Mapping[str, Any]) -> str:
    """``secant stiffness stepped by -3.4 % (-3.6 to -3.2 %) at cycle 1,499,976 (1,498,000 to 1,501,000)``."""
    label = label_of(row["measure"])
    interval = ""
    if row["low"] is not None and row["high"] is not None:
        interval = f" ({100 * row['low']:+.2g} to {100 * row['high']:+.2g} %)"
    size = f"{100 * row['size']:+.3g} %"
    what = {
        "slope": f"{label} changes by {size}{interval} a million cycles from cycle {row['cycle']:,} on",
        "scatter": f"scatter of {label} changed by {size}{interval} at cycle {row['cycle']:,}",
    }.get(row["kind"], f"{label} stepped by {size}{interval} at cycle {row['cycle']:,}")
    said = f"{what} ({row['cycle_low']:,} to {row['cycle_high']:,})"
    others = [label_of(name) for name in row["together"].split(",") if name not in ("", row["measure"])]
    if others:
        more = f" and {len(others) - MOST_NAMED} more" if len(others) > MOST_NAMED else ""
        said += f"; with it {', '.join(others[:MOST_NAMED])}{more}"
    if row["near"]:
        said += f"; near it: {row['near'].replace(',', ', ').replace('_', ' ')}"
    return said


def forecast_words(row: Mapping[str, Any]) -> str:
    """When a measure crosses its limit, or why nothing is forecast."""
    what = f"{label_of(row['measure'])}, limit {100 * row['limit']:+.3g} %"
    if row["crossed"]:
        return f"{what}: wear is beyond it"
    if not row["expected"]:
        return f"{what}: {row['remark'] or 'no crossing expected before the planned end'}"
    return (
        f"{what}: crossing expected between cycles {_cycles(row['low'])} and {_cycles(row['high'])} "
        f"({100 * row['coverage']:.0f} %); {100 * (row['before_end'] or 0.0):.0f} % before the planned end"
    )


def _cycles(value: float | None) -> str:
    """Three digits; a forecast knows no more."""
    if value is None or not isfinite(value):
        return "beyond any planned"
    return f"{float(f'{value:.3g}'):,.0f}"
