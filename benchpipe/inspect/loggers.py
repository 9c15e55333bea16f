"""Logs of one folder → those of the rig's logger, those of a second one, and files that are none of either."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

from benchpipe.errors import InputError
from benchpipe.inspect.findings import Inspection, Outline, Question, TimeFinding
from benchpipe.inspect.heading import known_unit, split_name
from benchpipe.inspect.roles import LOAD_NAMES, MOTION_NAMES, PAIRS
from benchpipe.inspect.time_column import NAMES
from benchpipe.units import find_unit

LOADS, MOTIONS = (frozenset(pair[k] for pair in PAIRS) for k in (0, 1))
Outlines = dict[Path, Outline]


@dataclass(frozen=True)
class Loggers:
    """Outlines of the logs of one logger, of a second one (empty: there is none), and notes on what is left out."""

    first: Outlines
    second: Outlines
    notes: tuple[str, ...] = ()


def tell_loggers(outlines: Outlines, strangers: Collection[Path]) -> Loggers:
    """There are two loggers where one group of logs has the load only and another the motion only.

    Files in a folder (``strangers``) that share no column with the logs are left out. All others stay with the logs of
    the first logger, whether or not they are of its dialect.
    """
    groups: dict[str, Outlines] = defaultdict(dict)
    for path, outline in outlines.items():
        groups[f"{outline.format} {[(c.key, c.unit) for c in outline.columns]}"][path] = outline
    by_size = sorted(groups.values(), key=lambda group: -sum(path.stat().st_size for path in group))
    first, others = by_size[0], by_size[1:]
    have = _axes(first)
    fitting = [group for group in others if len(have) == 1 and len(_axes(group)) == 1 and _axes(group) != have]
    second = fitting[0] if len(fitting) == 1 else {}
    named = _names(first) | _names(second)
    kept, notes = dict(first), []
    for group in others:
        if group is second:
            continue
        apart = not _names(group) & named and all(path in strangers for path in group)
        if not apart:
            kept |= group
            continue
        columns = ", ".join(str(c.key) for c in next(iter(group.values())).columns[:4])
        notes += [f"{path.name} is left out, it is no log of this rig: its columns are {columns}" for path in group]
    return Loggers({path: outlines[path] for path in outlines if path in kept}, second, tuple(notes))


def _axes(group: Outlines) -> frozenset[str]:
    """Which of load and motion a logger has, by units, else by names."""
    columns = [c for outline in list(group.values())[:1] for c in outline.columns if c.kind == "number"]
    units = [known_unit(c.unit) for c in columns]
    quantities = {find_unit(unit).quantity for unit in units if unit is not None}
    found = {axis for axis, of in (("load", LOADS), ("motion", MOTIONS)) if quantities & of}
    if not found:
        names = [split_name(str(c.key))[0] for c in columns]
        patterns = (("load", LOAD_NAMES), ("motion", MOTION_NAMES))
        found = {axis for axis, pattern in patterns if any(pattern.search(name) for name in names)}
    return frozenset(found)


def _names(group: Outlines) -> set[str]:
    """Columns, but for those of the time."""
    columns = [c for outline in list(group.values())[:1] for c in outline.columns]
    return {str(c.key) for c in columns if c.kind != "date" and not NAMES.search(str(c.key))}


def must_have_one_clock(first: Inspection, second: Inspection) -> None:
    """Raise InputError where two loggers cannot be joined by time."""
    kinds = [_clock(found.time, found) for found in (first, second)]
    if kinds[0] != kinds[1] or kinds[0] == "no time":
        raise InputError(
            "load and motion are in logs of two loggers, which cannot be joined by their times",
            where=second.logs[0],
            expected="dates with times in both, or elapsed times in both",
            got=f"{kinds[0]} in {first.logs[0].name}, {kinds[1]} here",
            do_next="let both loggers write dates",
        )


def _clock(time: TimeFinding, found: Inspection) -> str:
    if time.kind != "datetime":
        return "no time" if time.kind == "sample" else "dates" if "since" in time.keys else "elapsed times"
    dated = any(part in str(found.outline.choices["date"].values[0]) for part in ("%d", "%m"))
    return "dates" if dated else "times of day"


def _is_utc(found: Inspection) -> bool:
    """Whether a clock says that it shows UTC: stamps since 1970, or dates with a zone."""
    if found.time.kind != "datetime":
        return "since" in found.time.keys
    return str(found.outline.choices["date"].values[0]).endswith(("Z", "%z"))


def of_offset(first: Inspection, second: Inspection) -> list[Question]:
    """What no log says of two clocks."""
    ask = "by how much may the offset of the two loggers' clocks be wrong (k = 2)? It becomes part of the loop energy's"
    questions = [Question("second.offset_uncertainty", f"{ask} uncertainty", ('"5 ms"', '"50 ms"'))]
    elapsed = first.time.kind == "elapsed" and "since" not in first.time.keys
    if elapsed or _is_utc(first) != _is_utc(second):
        ask = "how much more does the second logger's clock show than the first one's at the same moment?"
        questions.insert(0, Question("second.offset", ask, ('"0 s"',)))
    return questions
