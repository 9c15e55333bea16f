"""Rows of the logs that a block takes: by mode, by names of logs, or inseparable from others."""

from __future__ import annotations

from benchpipe.survey.activity import SamplePlace
from benchpipe.survey.names import pattern_of
from benchpipe.survey.seen import Where
from benchpipe.survey.stretches import Surveyed


def where_of(
    at: SamplePlace, files: set[str], mode: int | None, others: set[str], what: str, surveyed: Surveyed
) -> Where:
    """Rows of a block: its mode, and its files where the mode holds other things (``what``) in other files."""
    if not files.isdisjoint(others):
        return Where(at, mode, (), what)
    same_mode = {name for name, m in surveyed.rows if m == mode}
    return Where(at, mode, pattern_of(files, same_mode - files) if others or mode is None else ())
