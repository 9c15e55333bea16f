"""First and last row of each log in a stretch of time, by the row groups at its ends alone."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from benchpipe.samples.inputs import SampleInput
from benchpipe.samples.stream import SampleGroup, read_group, sample_groups, second_span
from benchpipe.store.open_parts import OpenParts

Edges = dict[str, tuple[int, int]]


def edge_rows(folder: Path, inputs: list[SampleInput], from_us: int, until_us: int) -> Edges:
    """First and last row of each log whose samples lie between two times, those of a second logger too.

    Parameters
    ----------
    folder : Path
        The run's folder in the store.
    from_us, until_us : int
        On the run's axis.

    Raises
    ------
    StoreError
        A part is missing or damaged.
    """
    found = _edges(folder, inputs, from_us, until_us)
    beside = second_span(inputs, from_us, until_us)
    return found if beside is None else found | _edges(folder, *beside)


def _edges(folder: Path, inputs: list[SampleInput], from_us: int, until_us: int) -> Edges:
    by_file: dict[str, list[SampleGroup]] = {}
    for group in sample_groups(folder, inputs, from_us, until_us):
        by_file.setdefault(group.source.file, []).append(group)
    found: Edges = {}
    with OpenParts(folder) as parts:
        for file, groups in by_file.items():
            first = _row(parts, groups, 0, from_us, until_us)
            last = _row(parts, reversed(groups), -1, from_us, until_us)
            if first is not None and last is not None:
                found[file] = (first, last)
    return found


def _row(parts: OpenParts, groups: Iterable[SampleGroup], at: int, from_us: int, until_us: int) -> int | None:
    """The first or last row of the first group that has one in the stretch."""
    for group in groups:
        row = read_group(parts, group, ["row"], from_us, until_us).columns["row"]
        if row.size:
            return int(row[at])
    return None
