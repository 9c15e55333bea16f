"""Classify a cell of text: a number in one way of writing numbers, a date, nothing, or a word."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType

from benchpipe.inspect.dates import is_date

SEPARATORS = (";", "\t", "|", ",", "space")
_MARKS = MappingProxyType(str.maketrans({"\u00a0": " ", "\u202f": " ", "\u2009": " ", "\u2019": "'"}))


@dataclass(frozen=True)
class NumberForm:
    """How numbers are written."""

    decimal: str
    thousands: str

    def value(self, cell: str) -> float | None:
        """The number in a cell; None if it is none in this form."""
        text = _with_ascii_marks(cell)
        plain, grouped = _patterns(self.decimal, self.thousands)
        if grouped is not None and grouped.match(text):
            text = text.replace(self.thousands, "")
        elif not plain.match(text):
            return None
        return float(text.replace(self.decimal, "."))

    def groups(self, cell: str) -> bool:
        """Whether the cell is a number with thousands set apart."""
        grouped = _patterns(self.decimal, self.thousands)[1]
        return grouped is not None and grouped.match(_with_ascii_marks(cell)) is not None


def _with_ascii_marks(cell: str) -> str:
    """A trimmed cell with the minus and the marks between groups that every keyboard has; the reader knows both."""
    text = cell.strip()
    if text.isascii():
        return text
    return ("-" + text[1:] if text.startswith("\u2212") else text).translate(_MARKS)


@cache
def _patterns(decimal: str, thousands: str) -> tuple[re.Pattern[str], re.Pattern[str] | None]:
    """A plain number, and one with groups of three digits: no group begins a number with 0."""
    mark, power = re.escape(decimal), r"(?:[eE][+-]?\d+)?"
    plain = re.compile(rf"[+-]?(?:\d+(?:{mark}\d*)?|{mark}\d+){power}$", re.ASCII)
    if not thousands:
        return plain, None
    group = re.escape(thousands)
    return plain, re.compile(rf"[+-]?[1-9]\d{{0,2}}(?:{group}\d{{3}})+(?:{mark}\d*)?{power}$", re.ASCII)


PLAIN_FORMS = (NumberForm(".", ""), NumberForm(",", ""))
GROUPED_FORMS = tuple(
    NumberForm(decimal, thousands)
    for decimal, thousands in ((".", ","), (",", "."), (".", " "), (",", " "), (".", "'"), (",", "'"))
)


def split_line(line: str, separator: str, *, quoted: bool = False) -> list[str]:
    """Cells of a line, trimmed."""
    if separator == "space":
        cells = line.split()
    elif quoted:
        cells = next(csv.reader([line], delimiter=separator), [])
    else:
        cells = line.split(separator)
    return [cell.strip() for cell in cells]


def is_quoted(line: str, separator: str) -> bool:
    """Whether a cell of the line is in quotes."""
    mark = r"\s" if separator == "space" else re.escape(separator)
    return re.search(rf'(?:^|{mark})\s*"[^"]*"\s*(?:{mark}|$)', line) is not None


def kind_of(cell: str, forms: tuple[NumberForm, ...]) -> str:
    """``number``, ``date``, ``empty`` or ``word``."""
    if not cell.strip():
        return "empty"
    if any(form.value(cell) is not None for form in forms):
        return "number"
    return "date" if is_date(cell) else "word"
