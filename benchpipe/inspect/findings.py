"""What is found in a log: results only, each made elsewhere in this folder."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

ColumnKey = str | int


@dataclass(frozen=True)
class Question:
    """Something the log cannot decide.

    Attributes
    ----------
    key : str
        Key path in the rig file, such as ``log.decimal`` or ``channel.torque.unit``.
    ask : str
        The question, for a person.
    choices : tuple of str
        What may be written there, as TOML; empty if anything that fits.
    """

    key: str
    ask: str
    choices: tuple[str, ...] = ()


@dataclass(frozen=True)
class Choice:
    """One key of a rig file that a log narrows down to some values, the likeliest first.

    ``alike``: they all read this log alike, so that nothing need be asked because of it.
    """

    values: tuple[Any, ...]
    alike: bool
    why: str
    ask: str = ""

    def agreed(self, other: Choice) -> Choice:
        """What two logs leave together; no value where they contradict one another."""
        both = tuple(value for value in self.values if value in other.values)
        firm = self if len(self.values) <= len(other.values) else other
        return Choice(both, self.alike and other.alike, firm.why, self.ask or other.ask)

    @property
    def is_open(self) -> bool:
        """Whether it must be asked."""
        return len(self.values) > 1 and not self.alike


@dataclass(frozen=True)
class LogColumn:
    """A column as the log itself shows it. ``kind``: ``number``, ``date`` (date, time or both) or ``word``."""

    key: ColumnKey
    unit: str
    unit_from: str
    kind: str


@dataclass(frozen=True)
class Outline:
    """What a log says of itself before its numbers are looked at.

    Attributes
    ----------
    format : str
        Log format of a rig file.
    log : dict
        Keys of ``[log]`` that are certain.
    columns : tuple of LogColumn
    choices : dict of Choice
        ``encoding``, ``numbers`` (pairs of decimal mark and thousands separator), ``separator``,
        ``variables`` and ``date`` (formats), as far as the format has them.
    dates : dict
        Keys of ``[time]`` but the format, where a date column is the time; else empty.
    facts : tuple of (str, str)
        What is shown, by name.
    preamble : tuple of (str, str)
    notes : tuple of str
        Odd things that a person should know.
    """

    format: str
    log: dict[str, Any]
    columns: tuple[LogColumn, ...]
    choices: dict[str, Choice] = field(default_factory=dict)
    dates: dict[str, Any] = field(default_factory=dict)
    facts: tuple[tuple[str, str], ...] = ()
    preamble: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class LogPiece:
    """Consecutive rows of a log.

    Attributes
    ----------
    row : int64 array, shape (n,)
        Line or row in the log; counted from the piece's start where that is not known.
    stamps : int64 array, shape (n,), or None
        Date and time [µs].
    values : dict of float64 arrays, shape (n,)
        By column; NaN where the log has no value.
    """

    row: NDArray[np.int64]
    stamps: NDArray[np.int64] | None
    values: dict[ColumnKey, NDArray[np.float64]]


@dataclass(frozen=True)
class LogSample:
    """The rows of a log that were looked at. ``whole``: all there are; ``rows``: how many it has, where known."""

    pieces: tuple[LogPiece, ...]
    whole: bool
    rows: int | None
    rejects: tuple[tuple[str, int], ...] = ()
    words: dict[ColumnKey, tuple[str, ...]] = field(default_factory=dict)

    @property
    def looked_at(self) -> int:
        """Rows that came out of the reader."""
        return sum(len(piece.row) for piece in self.pieces)


@dataclass(frozen=True)
class TimeFinding:
    """The time column. ``rate_hz`` is NaN where nothing says it; ``also_hz`` are other rates of whole stretches.

    ``coarse_s`` is the step of a clock that is coarser than the rows; 0 for any other.
    """

    kind: str
    column: ColumnKey | None
    keys: dict[str, Any]
    rate_hz: float
    rate_from: str
    jitter_s: float = 0.0
    also_hz: tuple[float, ...] = ()
    gaps: int = 0
    longest_gap_s: float = 0.0
    back: int = 0
    still: int = 0
    coarse_s: float = 0.0
    questions: tuple[Question, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class ChannelFinding:
    """One column of numbers. ``unit`` is None where the log gives none that is known.

    ``states`` holds the words of a column of words, each with its number; else it is empty.
    """

    key: ColumnKey
    name: str
    said: str
    unit: str | None
    quantity: str | None
    unit_from: str
    lowest: float
    highest: float
    resolution: float
    missing: int
    words: tuple[str, ...]
    sentinels: tuple[float, ...]
    stuck: tuple[float, int, int] | None
    saturated: tuple[tuple[float, int], ...]
    distinct: int
    whole_numbers: bool
    never_falls: bool
    states: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True)
class Glimpse:
    """A few seconds of load and motion, evenly spaced. NaN where there is nothing, or no rate is known."""

    span_s: float
    load: tuple[float, ...]
    motion: tuple[float, ...]


@dataclass(frozen=True)
class Inspection:
    """All that was found in one or more logs of one rig.

    ``roles`` names the channels by ``load``, ``motion``, ``temperature``, ``counter`` and ``mode``;
    ``frequency_hz`` is NaN where load and motion do not cycle. ``second`` is what the logs of a second logger hold:
    roles and questions are all of the first, those on the second's dialect and clock begin with ``second.``.
    """

    logs: tuple[Path, ...]
    size: int
    outline: Outline
    sample: LogSample
    time: TimeFinding
    channels: tuple[ChannelFinding, ...]
    roles: dict[str, str]
    axes: dict[str, dict[str, Any]]
    frequency_hz: float
    glimpse: Glimpse | None
    questions: tuple[Question, ...]
    notes: tuple[str, ...]
    second: Inspection | None = None

    @property
    def files(self) -> tuple[Path, ...]:
        """Logs of all loggers."""
        return self.logs if self.second is None else (*self.logs, *self.second.logs)
