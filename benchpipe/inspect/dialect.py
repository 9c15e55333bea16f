"""Separator, decimal mark and thousands separator of a text log, by what explains most of its cells.

Every separator is tried with every way of writing numbers. The best pair wins only where no
other explains as many cells and gives other numbers: otherwise 1,234 could be a thousand, and it is a question.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass

import numpy as np

from benchpipe.errors import InputError
from benchpipe.inspect.cells import GROUPED_FORMS, PLAIN_FORMS, SEPARATORS, NumberForm, is_quoted, kind_of, split_line
from benchpipe.inspect.findings import Choice

MOST_LINES = 400
MOST_COLUMNS = 10_000
MOST_CELLS = 100_000
LEAST_ROWS = 2
LEAST_SCORE = 0.2
NAMES = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar", "space": "spaces"}
ZERO_LED = re.compile(r"[+-]?0[.,]\d")
BESIDE = 0.1  # of the range of a column: as far beyond it a number still goes with the others
MARGIN = 3  # cells by which a way of writing must explain more than another: a broken cell or two decide nothing


@dataclass(frozen=True)
class DialectFinding:
    """How cells and numbers are written; ``kinds`` holds what each column is, ``blank`` whether no row fills it.

    ``numbers`` chooses among :class:`~benchpipe.inspect.cells.NumberForm`.
    """

    separator: Choice
    numbers: Choice
    quoted: bool
    width: int
    kinds: tuple[str, ...]
    blank: tuple[bool, ...]

    @property
    def form(self) -> NumberForm:
        """The likeliest way of writing numbers."""
        form: NumberForm = self.numbers.values[0]
        return form

    def cells(self, line: str) -> list[str]:
        """Cells of a line."""
        return split_line(line, self.separator.values[0], quoted=self.quoted)


@dataclass(frozen=True)
class _Try:
    separator: str
    score: float
    quoted: bool
    width: int
    rows: list[list[str]]


def find_dialect(lines: list[str]) -> DialectFinding:
    """Find the dialect of lines that are mostly rows of numbers.

    Raises
    ------
    InputError
        No separator makes a table of them.
    """
    chosen = _spread([line for line in lines if line.strip()])
    tries = [_try(chosen, separator) for separator in SEPARATORS]
    best = max(tries, key=lambda t: t.score)  # of equals the first: see SEPARATORS
    if best.score < LEAST_SCORE:
        raise InputError(
            "no separator makes a table of numbers of this log",
            expected="two or more columns between " + ", ".join(NAMES.values()),
            got=(chosen[len(chosen) // 2] if chosen else "no line")[:60],
        )
    numbers = _numbers(best)
    kinds = tuple(_column_kind([row[k] for row in best.rows], numbers.values) for k in range(best.width))
    blank = tuple(not any(column) for column in zip(*best.rows, strict=True))
    return DialectFinding(_separator(best, tries, chosen), numbers, best.quoted, best.width, kinds, blank)


def _spread(lines: list[str]) -> list[str]:
    """Lines from all over, fewer from the beginning, where heads stand."""
    body = lines[len(lines) // 10 :] if len(lines) > 50 else lines
    step = max(1, len(body) // MOST_LINES)
    return body[::step][: MOST_LINES + 1]


def _try(lines: list[str], separator: str) -> _Try:
    """Part of the lines that have one width, times the part of their cells that are numbers or dates.

    A word that holds other separators counts as the cells that those would make of it.
    """
    quoted = sum(is_quoted(line, separator) for line in lines) > len(lines) // 2
    rows = [split_line(line, separator, quoted=quoted) for line in lines]
    widths = Counter(len(row) for row in rows if 1 < len(row) <= MOST_COLUMNS)
    if not widths or max(widths.values()) < LEAST_ROWS:
        return _Try(separator, 0.0, quoted, 0, [])
    width = max(widths, key=lambda w: (widths[w], w))
    table = [row for row in rows if len(row) == width][: max(MOST_CELLS // width, LEAST_ROWS)]
    kinds: Counter[str] = Counter()
    for cell in (cell for row in table for cell in row):
        kind = kind_of(cell, PLAIN_FORMS + GROUPED_FORMS)
        kinds[kind] += 1 + (sum(cell.count(mark) for mark in SEPARATORS) if kind == "word" else 0)
    filled = kinds.total() - kinds["empty"]
    score = widths[width] / len(rows) * (kinds["number"] + kinds["date"]) / max(filled, 1)
    return _Try(separator, score, quoted, width, table)


def _numbers(best: _Try) -> Choice:
    """Ways of writing that explain as many cells as the best one."""
    cells = [cell for row in best.rows for cell in row if cell]
    possible = [
        form for form in PLAIN_FORMS + GROUPED_FORMS
        if (best.quoted or best.separator not in (form.decimal, form.thousands))
        and not (best.separator == "space" and form.thousands == " ")
    ]  # fmt: skip
    values = {form: [form.value(cell) for cell in cells] for form in possible}
    counts = {form: sum(v is not None for v in values[form]) for form in possible}
    most = max(counts.values())
    near = tuple(form for form in possible if counts[form] > most - MARGIN)
    near = tuple(form for form in near if not _denied(best.rows, form, near)) or near
    for cell, *read in zip(cells, *(values[form] for form in near), strict=True):
        known: dict[float, NumberForm] = {}
        for form, value in zip(near, read, strict=True):
            if value is not None:
                known.setdefault(value, form)
        if len(known) > 1:
            (one, first), (other, second) = list(known.items())[:2]
            marks = "decimal '{0.decimal}', thousands '{0.thousands}'".format
            ask = f"is '{cell}' {one:g} ({marks(first)}) or {other:g} ({marks(second)})?"
            return Choice((first, second), False, "", ask)
    return Choice(near, True, "" if any("." in cell or "," in cell for cell in cells) else "whole numbers only")


def _denied(rows: list[list[str]], form: NumberForm, others: tuple[NumberForm, ...]) -> bool:
    """Whether a column holds numbers such as 0,929 that are none in this way of writing, and go with the rest of it.

    A cell that lost its first digits looks like that too, but lies apart from the others.
    """
    for column in zip(*rows, strict=True):
        led = {cell for cell in column if ZERO_LED.match(cell) and form.value(cell) is None}
        for other in others if led else ():
            known = np.array([v for cell in column if cell not in led and (v := other.value(cell)) is not None])
            zeros = [v for cell in led if (v := other.value(cell)) is not None]
            if (
                zeros
                and known.size
                and min(zeros) >= known.min() - BESIDE * np.ptp(known)
                and max(zeros) <= (known.max() + BESIDE * np.ptp(known))
            ):
                return True
    return False


def _separator(best: _Try, tries: list[_Try], lines: list[str]) -> Choice:
    """The separator, and any other that explains the lines as well but cuts them otherwise."""
    rivals = [
        other.separator for other in tries
        if "space" not in (best.separator, other.separator)  # dates hold spaces
        and other.score > 0.99 * best.score and other.rows != best.rows
    ]  # fmt: skip
    ask = f"'{lines[-1][:40]}' is a table in more than one way: what separates the columns?" if rivals else ""
    return Choice((best.separator, *rivals), not rivals, "", ask)


def _column_kind(cells: list[str], forms: tuple[NumberForm, ...]) -> str:
    """What most filled cells of a column are; a column without any holds numbers."""
    kinds = Counter(kind_of(cell, forms) for cell in cells)
    del kinds["empty"]
    return kinds.most_common(1)[0][0] if kinds else "number"
