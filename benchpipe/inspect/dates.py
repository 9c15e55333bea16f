"""Dates and times as texts: which format, and whether the day or the month comes first.

Where a year of four digits does not lead, the order of day and month is decided by the log itself
(a number above 12, days that follow one another, a date in the preamble with the year first) or asked.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import datetime, timedelta

from benchpipe.inspect.findings import Choice
from benchpipe.readers.month_names import PATTERN

_DATE = r"(?P<a>\d{1,4})(?P<s>[./-])(?P<b>\d{1,2})(?P=s)(?P<c>\d{1,4})"
_TIME = (
    r"(?P<hour>\d{1,2}):(?P<minute>\d{2})(?::(?P<second>\d{2})(?:(?P<point>[.,])(?P<part>\d{1,9}))?)?"
    r"(?: ?(?P<half>[AaPp][Mm]))?(?P<zone>Z|[+-]\d{2}:?\d{2})?"
)
_BOTH = re.compile(rf"{_DATE}(?P<gap>T|,? )\s*{_TIME}$", re.ASCII)
_ONLY_DATE = re.compile(rf"{_DATE}$", re.ASCII)
_NAMED = re.compile(
    rf"(?P<day>\d{{1,2}})(?P<first>\.? ?|-|/)(?P<month>(?:{PATTERN})\.?)(?P<second_mark>[ ./-])(?P<year>\d{{4}})"
    rf"(?:(?P<gap>,? )\s*{_TIME})?$",
    re.ASCII | re.IGNORECASE,
)
_ONLY_TIME = re.compile(rf"{_TIME}$", re.ASCII)
_LEADING_YEAR = re.compile(r"\b(\d{4})-(\d{2})-(\d{2})\b", re.ASCII)
ORDERS = {"ymd": ("%Y", "%m", "%d"), "dmy": ("%d", "%m", "%Y"), "mdy": ("%m", "%d", "%Y")}
LONGEST_STEP = timedelta(days=1)  # between neighbouring rows over midnight: a wrong order jumps by weeks or more


def is_date(cell: str) -> bool:
    """Whether a cell is a date, a time of day, or both."""
    text = cell.strip()
    return any(pattern.match(text) for pattern in (_BOTH, _ONLY_DATE, _ONLY_TIME, _NAMED))


def date_part(cell: str) -> str:
    """``both``, ``date``, ``time`` or nothing."""
    text = cell.strip()
    for name, pattern in (("both", _BOTH), ("date", _ONLY_DATE), ("time", _ONLY_TIME)):
        if pattern.match(text):
            return name
    named = _NAMED.match(text)
    return "" if named is None else "both" if named["hour"] else "date"


def find_format(
    cells: list[str], neighbours: Iterable[tuple[str, str]] = (), hints: Iterable[str] = ()
) -> Choice | None:
    """Format of cells of one column, in their order.

    Parameters
    ----------
    cells : list of str
        Texts that are dates, times of day, or both.
    neighbours : iterable of (str, str)
        Cells of neighbouring rows between which the day changes; asked for only where the order is open.
    hints : iterable of str
        Other texts of the log (its preamble) that may hold a date with the year first.

    Returns
    -------
    Choice or None
        Formats; None where the cells do not share one.
    """
    named = [m for m in (_NAMED.match(cell.strip()) for cell in cells) if m is not None]
    if named:
        return _named_format(named)
    matches = [m for m in (_match(cell.strip()) for cell in cells) if m is not None]
    if not matches:
        return None
    time_formats = {_time_format(m) for m in matches}
    if len({re.sub("[.,]%f", "", form) for form in time_formats}) != 1:
        return None
    time_format = max(time_formats, key=len)  # some may have no fraction: the reader takes both
    groups = [m.groupdict() for m in matches]
    if groups[0].get("a") is None:
        return Choice((time_format,), True, "time of day")
    marks = {(g["s"], g.get("gap")) for g in groups}
    if len(marks) != 1:
        return None
    mark, gap = marks.pop()
    orders, why = _orders(groups, neighbours, hints)
    if not orders:
        return None
    forms = []
    for order in orders:
        year = groups[0]["a" if order == "ymd" else "c"] or ""
        form = mark.join(ORDERS[order]) + (gap or "") + time_format
        forms.append(form if len(year) == 4 else form.replace("%Y", "%y"))
    return Choice(tuple(forms), len(forms) == 1, why, why)


def _named_format(matches: list[re.Match[str]]) -> Choice | None:
    """Format of dates with the month's name: nothing is open in them."""
    forms = {
        f"%d{m['first']}%b{m['second_mark']}%Y{m['gap'] or ''}{_time_format(m)}" for m in matches
    }  # fmt: skip
    if len({re.sub("[.,]%f", "", form) for form in forms}) != 1:
        return None
    return Choice((max(forms, key=len),), True, "the month has a name")


def _match(text: str) -> re.Match[str] | None:
    return _BOTH.match(text) or _ONLY_DATE.match(text) or _ONLY_TIME.match(text)


def _time_format(match: re.Match[str]) -> str:
    parts = match.groupdict()
    if parts.get("hour") is None:
        return ""
    text = ("%I" if parts["half"] else "%H") + ":%M" + (":%S" if parts["second"] else "")
    text += f"{parts['point']}%f" if parts["part"] else ""
    if parts["half"]:
        text += (" " if " " in match[0].strip()[-3:] else "") + "%p"
    return text + ("" if parts["zone"] is None else "Z" if parts["zone"] == "Z" else "%z")


def _orders(
    groups: list[dict[str, str | None]], neighbours: Iterable[tuple[str, str]], hints: Iterable[str]
) -> tuple[list[str], str]:
    """Orders of year, month and day that fit all cells, and why."""
    fields = [(str(g["a"]), str(g["b"]), str(g["c"])) for g in groups]
    if any(len(a) == 4 for a, _, _ in fields):
        return ["ymd"], "the year leads"
    candidates = ["dmy", "mdy"] if any(len(c) == 4 for _, _, c in fields) else ["dmy", "mdy", "ymd"]
    left = [order for order in candidates if all(_day(order, f) is not None for f in fields)]
    if len(left) == 1:
        return left, "no other order gives dates"
    pairs = [(_moment(a), _moment(b)) for a, b in neighbours]
    smooth = [order for order in left if all(_follows(order, a, b) for a, b in pairs if a and b)]
    if pairs and len(smooth) == 1:
        return smooth, "the days follow one another"
    left = smooth or left
    first = {order: _day(order, fields[0]) for order in left}
    known = [day for text in hints for match in _LEADING_YEAR.findall(text) if (day := _day("ymd", match))]
    hinted = [o for o, day in first.items() if day and any(abs(day - k) <= timedelta(days=1) for k in known)]
    if len(hinted) == 1:
        return hinted, "the preamble says the day"
    names = {"dmy": "day, month, year", "mdy": "month, day, year", "ymd": "year, month, day"}
    mark = groups[0]["s"]
    return left, f"is {mark.join(fields[0]) if mark else fields[0]} " + ", or ".join(names[o] for o in left) + "?"


def _moment(cell: str) -> tuple[tuple[str, str, str], timedelta] | None:
    """Date fields and time of day of a cell."""
    match = _BOTH.match(cell.strip()) or _ONLY_DATE.match(cell.strip())
    if match is None:
        return None
    parts = match.groupdict()
    hour = int(parts.get("hour") or 0)
    if parts.get("half"):
        hour = hour % 12 + (12 if parts["half"].lower() == "pm" else 0)
    clock = timedelta(hours=hour, minutes=int(parts.get("minute") or 0), seconds=int(parts.get("second") or 0))
    return (parts["a"], parts["b"], parts["c"]), clock


def _follows(
    order: str, before: tuple[tuple[str, str, str], timedelta], after: tuple[tuple[str, str, str], timedelta]
) -> bool:
    """Whether the second moment comes at most a day after the first."""
    days = _day(order, before[0]), _day(order, after[0])
    if days[0] is None or days[1] is None:
        return False
    return timedelta(0) <= days[1] + after[1] - (days[0] + before[1]) <= LONGEST_STEP


def _day(order: str, fields: tuple[str, str, str]) -> datetime | None:
    named = dict(zip(order, map(int, fields), strict=True))
    year = named["y"] + (2000 if named["y"] < 100 else 0)
    try:
        return datetime(year, named["m"], named["d"])
    except ValueError:
        return None
