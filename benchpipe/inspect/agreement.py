"""Combine the findings of several logs of one rig, and find logs of another kind.

One log may decide what another leaves open: whole numbers do not show the decimal mark,
and a log with a day above 12 shows which number is the day in all of them.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from benchpipe.errors import InputError
from benchpipe.inspect.findings import LogColumn, Outline


def agree(logs: list[Path], outlines: list[Outline]) -> Outline:
    """One outline of all logs.

    Raises
    ------
    InputError
        A log is of another format, has other columns, or is written otherwise than the first.
    """
    first, together = outlines[0], outlines[0]
    for path, outline in zip(logs[1:], outlines[1:], strict=True):
        for what, one, other in (
            ("format", first.format, outline.format),
            ("columns", _columns(first), _columns(outline)),
            ("layout", str(first.log), str(outline.log)),
            ("time", str(first.dates), str(outline.dates)),
        ):
            if one != other:
                raise _unlike(path, logs[0], what, one, other)
        choices = {}
        for key, choice in together.choices.items():
            choices[key] = choice.agreed(outline.choices[key])
            if not choices[key].values:
                raise _unlike(path, logs[0], key, str(choice.values[0]), str(outline.choices[key].values[0]))
        columns = tuple(_kinds(a, b) for a, b in zip(together.columns, outline.columns, strict=True))
        notes = tuple(dict.fromkeys((*together.notes, *outline.notes)))
        together = replace(together, choices=choices, columns=columns, notes=notes)
    return together


def _columns(outline: Outline) -> str:
    return ", ".join(f"{c.key} [{c.unit}]" if c.unit else str(c.key) for c in outline.columns)


def _kinds(one: LogColumn, other: LogColumn) -> LogColumn:
    """A column of words in one log is no column of numbers."""
    return other if other.kind == "word" else one


def _unlike(path: Path, first: Path, what: str, expected: str, got: str) -> InputError:
    return InputError(
        f"the logs are not of one dialect: the {what} differ" + ("s" if what[-1] != "s" else ""),
        where=path,
        expected=f"{expected}, as in {first.name}",
        got=got,
        do_next="inspect logs of one rig and one setting at a time",
    )
