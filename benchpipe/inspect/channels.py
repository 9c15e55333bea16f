"""Columns of numbers: name, unit, range, resolution, and signs that a column is no measurement."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from benchpipe.inspect.findings import ChannelFinding, ColumnKey, LogColumn, LogSample, Outline
from benchpipe.inspect.heading import known_unit, split_name
from benchpipe.units import find_unit

STUCK_ROWS = 50  # equal numbers in a row, and
STUCK_TIMES = 20  # so many times as many as nineteen of twenty such runs
SATURATED_RUN = 5
HUGE = 1e30
_NINES = (999.0, 999.9, 999.99, 9999.0, 9999.9, 99999.0, 999999.0, 32767.0)
SENTINELS = frozenset((*_NINES, *(-nines for nines in _NINES)))
TAKEN = frozenset(("time", "date", "time_us", "file", "row", "reject"))

Floats = NDArray[np.float64]


def channel_names(outline: Outline, used: Collection[str] = ()) -> dict[ColumnKey, str]:
    """A channel name for each column of a log; ``used`` are those of another logger."""
    taken: set[str] = {*TAKEN, *used}
    names: dict[ColumnKey, str] = {}
    for place, column in enumerate(outline.columns):
        if column.key not in names:
            names[column.key] = _name(column.key, place, taken)
    return names


def find_channels(
    columns: list[LogColumn], samples: list[LogSample], names: dict[ColumnKey, str]
) -> list[ChannelFinding]:
    """What each column holds, over all rows that were looked at."""
    found = []
    for column in columns:
        pieces = [p.values[column.key] for s in samples for p in s.pieces if column.key in p.values]
        words = tuple(sorted({w for s in samples for w in s.words.get(column.key, ())}))
        found.append(_channel(column, names[column.key], pieces, words))
    return found


def _name(key: ColumnKey, place: int, taken: set[str]) -> str:
    """A column's name as a channel name: letters, digits and lines, and no other's."""
    plain = unicodedata.normalize("NFKD", split_name(str(key))[0]).encode("ascii", "ignore").decode().lower()
    name = re.sub(r"[^a-z0-9]+", "_", plain).strip("_")
    if not name or not name[0].isalpha():
        name = f"channel_{key if isinstance(key, int) else place + 1}" if not name else f"channel_{name}"
    base, number = name, 2
    while name in taken:
        name, number = f"{base}_{number}", number + 1
    taken.add(name)
    return name


def _channel(column: LogColumn, name: str, pieces: list[Floats], words: tuple[str, ...]) -> ChannelFinding:
    values = np.concatenate([np.empty(0), *pieces])
    known = np.unique(values[np.isfinite(values)])
    sentinels = _sentinels(known)
    kept = known[~np.isin(known, sentinels)]
    unit = known_unit(column.unit)
    runs = [_runs(piece) for piece in pieces if len(piece)]
    usual = max(float(np.percentile(np.concatenate([r[1] for r in runs]), 95)), 1.0) if runs else 1.0
    return ChannelFinding(
        key=column.key,
        name=name,
        said=column.unit,
        unit=unit,
        quantity=find_unit(unit).quantity if unit is not None else None,
        unit_from=column.unit_from if column.unit else "",
        lowest=float(kept[0]) if len(kept) else float("nan"),
        highest=float(kept[-1]) if len(kept) else float("nan"),
        resolution=_resolution(kept),
        missing=int((~np.isfinite(values)).sum()),
        words=words,
        sentinels=tuple(float(s) for s in sentinels),
        stuck=_stuck(runs, usual, len(kept)),
        saturated=_saturated(kept, runs, usual),
        distinct=len(kept),
        whole_numbers=bool((kept == np.rint(kept)).all()),
        never_falls=_never_falls(pieces),
    )


def without_sentinels(samples: list[LogSample], channels: list[ChannelFinding]) -> list[LogSample]:
    """The same rows, without the numbers that stand for no value."""
    given = {c.key: c.sentinels for c in channels if c.sentinels}
    return [
        replace(s, pieces=tuple(
            replace(p, values={k: np.where(np.isin(v, given.get(k, ())), np.nan, v) for k, v in p.values.items()})
            for p in s.pieces
        ))
        for s in samples
    ] if given else samples  # fmt: skip


def _sentinels(known: Floats) -> Floats:
    """Outermost numbers that rigs write for "no value", and that stand far from all others."""
    huge = np.abs(known) >= HUGE
    found, rest = known[huge].tolist(), known[~huge]
    while len(rest) > 2:
        ends = [v for v in (rest[0], rest[-1]) if v in SENTINELS and _stands_apart(rest, v)]
        if not ends:
            break
        found += ends
        rest = rest[~np.isin(rest, ends)]
    return np.array(sorted(found))


def _stands_apart(known: Floats, value: float) -> bool:
    others = known[known != value]
    span = max(float(others[-1] - others[0]), 1e-9)
    return float(np.min(np.abs(others - value))) > 0.3 * span


def _resolution(known: Floats) -> float:
    """Smallest step between numbers that came up; 0 where there is none."""
    steps = np.diff(known)
    steps = steps[steps > 1e-9 * max(abs(float(known[0])), abs(float(known[-1])), 1e-12)] if len(steps) else steps
    return float(f"{steps.min():.2g}") if len(steps) else 0.0


def _runs(piece: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats]:
    """First row, length and value of each run of equal numbers."""
    starts = np.concatenate([[0], np.flatnonzero(piece[1:] != piece[:-1]) + 1])
    return starts, np.diff(np.append(starts, len(piece))), piece[starts]


_Runs = list[tuple[NDArray[np.int64], NDArray[np.int64], Floats]]


def _stuck(runs: _Runs, usual: float, distinct: int) -> tuple[float, int, int] | None:
    """Value, rows and first row of the longest run, if it is far longer than usual."""
    if not runs or distinct < 20:
        return None
    at = [(int(lengths.argmax()), starts, lengths, values) for starts, lengths, values in runs]
    longest = [(int(lengths[k]), int(starts[k]), float(values[k])) for k, starts, lengths, values in at]
    rows, first, value = max(longest)
    return (value, rows, first) if rows >= max(STUCK_ROWS, STUCK_TIMES * usual) else None


def _saturated(known: Floats, runs: _Runs, usual: float) -> tuple[tuple[float, int], ...]:
    """Ends of the range at which the channel stays: the value and how many rows show it."""
    found = []
    for end in (known[0], known[-1]) if len(known) >= 20 and usual <= 2 else ():
        lengths = np.concatenate([r[1][r[2] == end] for r in runs])
        if lengths.max() >= SATURATED_RUN and lengths.sum() >= 2 * SATURATED_RUN:
            found.append((float(end), int(lengths.sum())))
    return tuple(found)


def _never_falls(pieces: list[Floats]) -> bool:
    """Whether the numbers only rise or stay, but for a few resets."""
    steps = np.concatenate([np.empty(0), *(np.diff(p[np.isfinite(p)]) for p in pieces)])
    changes = steps[steps != 0]
    return len(changes) > 0 and float((changes < 0).mean()) <= 0.01 + 2.0 / max(len(changes), 1)
