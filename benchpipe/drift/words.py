"""Events and forecasts in a line each: the words of remarks, screens and pages."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from math import isfinite
from typing import Any

from benchpipe.drift.measures import CYCLIC

STEP, WEAR_OUT, LIMIT_AHEAD, QUIET_DRIFT = "step", "wear-out", "limit-ahead", "drift"
TOLD = frozenset({STEP, WEAR_OUT, LIMIT_AHEAD})
"""Codes of remarks that are alarms, each reported once."""
MOST_NAMED = 3
LEADS = 0.5
"""Of the measures that moved in an event the first that is watched and moved by this part of the largest names it."""


def label_of(measure: str) -> str:
    """A measure in words."""
    return measure.removesuffix("_j").removesuffix("_deg").replace("_", " ")


def told_events(rows: Iterable[Mapping[str, Any]]) -> Iterator[Mapping[str, Any]]:
    """A row for each event with an alarm: not of the measure that is surest, but of one that moved most."""
    every = list(rows)
    order = [w.name for w in CYCLIC]
    for alarm in (row for row in every if row["alarm"]):
        of = [r for r in every if _same(r, alarm) and event_code(r) == event_code(alarm)]
        of = [r for r in of if (r["kind"] == "scatter") == (alarm["kind"] == "scatter")]
        least = LEADS * max(abs(r["size"]) for r in of)
        yield min((r for r in of if abs(r["size"]) >= least), key=lambda r: order.index(r["measure"]))


def based_lines(rows: Iterable[Mapping[str, Any]]) -> Iterator[str]:
    """A line for each piece of work that gave a block a new base: what of it moved most."""
    most: dict[tuple[str, int], Mapping[str, Any]] = {}
    for row in rows:
        place = (row["block"], row["event"])
        if row["found"] == "log" and row["event"] and abs(row["size"]) > abs(most.get(place, {"size": 0.0})["size"]):
            most[place] = row
    for row in most.values():
        kind = row["kind"].replace("_", " ")
        moved = f"{label_of(row['measure'])} moved most, by {_percent(row['size'], 3)} %"
        yield f"{event_place(row)}: {kind} at cycle {row['cycle']:,}, no alarm; {moved}"


def _same(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    return all(one[name] == other[name] for name in ("block", "event", "found"))


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
        interval = f" ({_percent(row['low'], 2)} to {_percent(row['high'], 2)} %)"
    size = f"{_percent(row['size'], 3)} %"
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
    what = f"{label_of(row['measure'])}, limit {_limit(row)}"
    if row["crossed"]:
        return f"{what}: wear is beyond it"
    if not row["expected"]:
        return f"{what}: {row['remark'] or 'no crossing expected before the planned end'}"
    until = f" and {_cycles(row['high'])}" if row["high"] is not None and isfinite(row["high"]) else ""
    when = f"{'between cycles' if until else 'from cycle'} {_cycles(row['low'])}{until or ' on'}"
    chance = f"{100 * (row['before_end'] or 0.0):.0f} % before the planned end"
    return f"{what}: crossing expected {when} ({100 * row['coverage']:.0f} %); {chance}"


def _percent(part: float, digits: int) -> str:
    """A part in per cent with a sign, never with an exponent where it is large."""
    value = float(f"{100.0 * part:.{digits}g}")
    return f"{value:+,.0f}" if abs(value) >= 1000.0 else f"{value:+g}"


def _limit(row: Mapping[str, Any]) -> str:
    if row.get("limit_value") is None:
        return f"{100 * row['limit']:+.3g} %"
    return f"{row['limit_value']:g} {row['unit']}".rstrip()


def _cycles(value: float) -> str:
    """Three digits; a forecast knows no more."""
    return f"{float(f'{value:.3g}'):,.0f}"
