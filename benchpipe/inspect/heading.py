"""The lines above the rows: pairs of a preamble, the header, the row of units."""

from __future__ import annotations

import re
from dataclasses import dataclass

from benchpipe.errors import ConfigError, InputError
from benchpipe.inspect.cells import PLAIN_FORMS, kind_of, split_line
from benchpipe.inspect.dialect import DialectFinding
from benchpipe.inspect.findings import ColumnKey, LogColumn
from benchpipe.units import find_unit

_IN_BRACKETS = re.compile(r"^(?P<name>.*?)\s*[\[(]\s*(?P<unit>[^\[\]()]*)\s*[\])]$")
_AFTER_SLASH = re.compile(r"^(?P<name>.+?)\s+/\s+(?P<unit>\S+)$")
_AFTER_QUANTITY = re.compile(r"^(?P<name>.*?(?P<last>[^\s/]+))/(?P<unit>[^\s/]+)$")  # F/kN
_RULE = re.compile(r"[-=_+:]{2,}$")
_AFTER_COMMA = re.compile(r"^(?P<name>.+?)\s*,\s*(?P<unit>\S+)$")
_SMALL = (  # letters of a unit that a program made small: which, the name decides
    re.compile(r"^(?P<name>.*(?:torque|moment).*)_(?P<k>k?)nm$", re.IGNORECASE),
    re.compile(r"^(?P<name>.*(?:force|load|kraft).*)_(?P<k>k?)n$", re.IGNORECASE),
)
_AFTER_IN = re.compile(r"^(?P<name>.+?)\s+in\s+(?P<unit>\S+)$")
_AFTER_SPACE = re.compile(r"^(?P<name>.*[^\W\d_]{2}.*?)\s+(?P<unit>k?N m|\S+)$")
_AFTER_LINE = re.compile(r"^(?P<name>.+)_(?P<unit>kN|N|Nm|Nmm|deg|rad|mm|um|ms|us|s|degC|C)$")
_PAIR = re.compile(r"^[#%*\s]*(?P<key>[^:=\t;,|]{1,40}?)\s*[:=\t;,|]\s*(?P<value>.*)$")
MOST_HEADING = 200  # lines
MEASURED = ("force", "torque", "angle", "length", "time", "temperature", "stress")
WORDS_TOO = frozenset(("in", "min", "um", "bar", "m", "h", "d", "K", "C"))  # as the last word of a name no unit


@dataclass(frozen=True)
class HeadingFinding:
    """Lines count from 1. ``units`` holds a text for each column; ``header`` is None where there is none."""

    preamble: tuple[tuple[str, str], ...]
    header: tuple[str, ...] | None
    header_line: int | None
    units: tuple[str, ...]
    units_row: bool
    first_row: int


def find_heading(lines: list[str], dialect: DialectFinding) -> HeadingFinding:
    """Find the heading above the rows of a log.

    Raises
    ------
    InputError
        No row of the dialect follows within :data:`MOST_HEADING` lines, or the header has other columns than the rows.
    """
    rows = [_cells(line, dialect) for line in lines[: MOST_HEADING + 2]]
    first = next((i for i in range(len(rows)) if all(_is_row(r, dialect) for r in rows[i : i + 2])), None)
    if first is None:
        raise InputError(f"no row of numbers is in the first {MOST_HEADING} lines", got=(lines or [""])[0][:60])
    above = [i for i in range(first) if any(rows[i]) and not all(_RULE.match(cell) for cell in rows[i] if cell)]
    wide = _same_width(rows, above, dialect)
    if not wide and above and len(rows[above[-1]]) > 1:
        _must_not_share_the_comma(rows[above[-1]], dialect)
    units_at = wide[-1] if len(wide) > 1 and _is_units(rows[wide[-1]]) and wide[-1] == wide[-2] + 1 else None
    header_at = (wide[-2] if units_at is not None else wide[-1]) if wide else None
    units = tuple(rows[units_at]) if units_at is not None else ("",) * dialect.width
    end = header_at if header_at is not None else first
    return HeadingFinding(
        preamble=tuple(pair for line in lines[:end] if (pair := _pair(line)) is not None),
        header=tuple(cell.strip('"') for cell in rows[header_at]) if header_at is not None else None,
        header_line=None if header_at is None else header_at + 1,
        units=tuple(unit.strip('"') for unit in units),
        units_row=units_at is not None,
        first_row=first + 1,
    )


def split_name(name: str) -> tuple[str, str, str]:
    """A column's name without its unit, the unit as written, and where it stood."""
    for pattern in (_IN_BRACKETS, _AFTER_SLASH, _AFTER_LINE):
        match = pattern.match(name)
        if match is not None and match["name"]:
            return match["name"], match["unit"], "column name"
    match = _AFTER_QUANTITY.match(name)  # N/mm at the end of a name is one unit
    if match is not None and _is_measured(match["unit"]) and known_unit(f"{match['last']}/{match['unit']}") is None:
        return match["name"], match["unit"], "column name"
    for pattern, unit in zip(_SMALL, ("Nm", "N"), strict=True):
        if (match := pattern.match(name)) is not None:
            return match["name"], match["k"].lower() + unit, "column name"
    for pattern, words in ((_AFTER_COMMA, WORDS_TOO), (_AFTER_IN, frozenset[str]()), (_AFTER_SPACE, WORDS_TOO)):
        match = pattern.match(name)
        if match is not None and match["unit"] not in words and _is_measured(match["unit"]):
            return match["name"], match["unit"], "column name"
    return name, "", ""


def _is_measured(text: str) -> bool:
    """Whether a text is a unit of what rigs measure."""
    unit = known_unit(text)
    return unit is not None and find_unit(unit).quantity in MEASURED


def log_column(key: ColumnKey, unit: str, unit_from: str, kind: str) -> LogColumn:
    """A column with the unit that the log gives it apart, else with the one in its name."""
    if unit:
        return LogColumn(key, unit, unit_from, kind)
    _, unit, where = split_name(str(key))
    return LogColumn(key, unit, where, kind)


def known_unit(text: str) -> str | None:
    """The unit written as ``text``, brackets or not, as rig files write it; None for no text or an unknown unit."""
    inside = text.strip().strip("[]()").strip()
    if not inside:
        return None
    try:
        return find_unit(inside).text
    except ConfigError:
        return None


def _cells(line: str, dialect: DialectFinding) -> list[str]:
    """Cells of a line; names may stand in quotes, and hold the separator, where numbers do not.

    Where each row ends in a separator, the header may lack it.
    """
    cells = dialect.cells(line)
    if dialect.blank[-1] and len(cells) == dialect.width - 1:
        cells = [*cells, ""]
    if len(cells) != dialect.width and '"' in line:
        quoted = split_line(line, dialect.separator.values[0], quoted=True)
        return quoted if len(quoted) == dialect.width else cells
    return cells


def _is_row(cells: list[str], dialect: DialectFinding) -> bool:
    """Whether cells are a row: as wide, and more numbers and dates than words where those stand."""
    if len(cells) != dialect.width:
        return False
    forms = (*PLAIN_FORMS, *dialect.numbers.values)
    columns = zip(cells, dialect.kinds, dialect.blank, strict=True)
    kinds = [kind_of(cell, forms) for cell, kind, blank in columns if kind != "word" and not blank]
    good = sum(kind in ("number", "date") for kind in kinds)
    return good > len(kinds) // 2


def _same_width(rows: list[list[str]], above: list[int], dialect: DialectFinding) -> list[int]:
    """The last lines above the rows that have the rows' width, next to one another."""
    wide: list[int] = []
    for i in reversed(above):
        if len(rows[i]) != dialect.width or (wide and wide[0] != i + 1):
            break
        wide.insert(0, i)
    return wide[-2:]


def _is_units(cells: list[str]) -> bool:
    """Whether filled cells are units: all in brackets, or at least as many known as unknown."""
    filled = [cell for cell in cells if cell.strip('"')]
    if not filled:
        return False
    if all(cell.strip('"')[:1] in "[(" for cell in filled):
        return True
    known = sum(known_unit(cell.strip('"')) is not None or cell == "-" for cell in filled)
    return 2 * known >= len(filled)


def _must_not_share_the_comma(above: list[str], dialect: DialectFinding) -> None:
    """Names of half the width over rows of whole numbers: decimal commas between commas."""
    if dialect.separator.values == (",",) and len(above) < dialect.width <= 2 * len(above):
        raise InputError(
            f"the header names {len(above)} columns and the rows have {dialect.width} cells: "
            "the comma seems to be both separator and decimal mark",
            do_next="let the rig write another separator, such as ;",
        )


def _pair(line: str) -> tuple[str, str] | None:
    match = _PAIR.match(line)
    if match is None or not match["key"].strip('" '):
        return None
    return match["key"].strip('" '), match["value"].strip(';,|\t" ')
