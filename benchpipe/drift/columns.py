"""Columns of a regression on a history: run-in, steady wear, what is expected, the day's swing, events."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchpipe.drift.history import History
from benchpipe.drift.measures import Watched
from benchpipe.drift.watched import LogEntry

Floats = NDArray[np.float64]

RUN_IN_CYCLES = (10.0, 30.0, 100.0, 300.0, 1e3, 3e3, 1e4, 3e4, 1e5, 3e5)
"""Constants of the exponentials that a run-in is made of: bumpers settle within ten cycles, seals over 1e3 to 1e5,
some by a power of the cycles, which exponentials and a logarithm follow within a hundredth."""
SETTLES_FROM = 3.0
"""The logarithm bends from so many first bins on."""
EXCHANGED_CYCLES = 3e4
"""Constant of the run-in of an exchanged part: the middle of those above."""
LEAST_FREQUENCY = 0.01
"""Relative range of the frequency from which on it is a column of its own."""


@dataclass(frozen=True)
class Change:
    """A change at a cycle: ``kind`` step, slope, settling (of an exchanged part)."""

    kind: str
    cycle: float


def wear_columns(history: History) -> Floats:
    """Constant, line, exponentials and a logarithm of the cycles, shape (k, p): what is no event.

    Exponentials that end inside the first bin, or bend no more than a line, are left out.
    """
    c = history.cycle
    span, head = float(c[-1]), float(history.last[0])
    columns = [np.ones_like(c), (c - c.mean()) / 1e6]
    columns += [np.exp(-c / c0) for c0 in RUN_IN_CYCLES if head / 3 < c0 <= span / 2]
    if span > 3 * SETTLES_FROM * head:
        columns.append(np.log1p(c / (SETTLES_FROM * head)))
    return np.column_stack(columns)


def daily_columns(history: History) -> Floats:
    """Sine and cosine of the day and of half a day, from two days on: where no thermometer can be used."""
    t = history.middle_s
    if t[-1] - t[0] < 2 * 86400.0:
        return np.zeros((t.size, 0))
    angle = 2 * np.pi * t / 86400.0
    return np.column_stack([f(k * angle) for k in (1, 2) for f in (np.sin, np.cos)])


def frequency_columns(history: History) -> Floats:
    """Logarithm of the frequency, where it varies."""
    f = history.frequency_hz
    good = np.isfinite(f)
    if not good.any() or np.ptp(f[good]) < LEAST_FREQUENCY * np.median(f[good]):
        return np.zeros((f.size, 0))
    known = np.where(good, f, np.median(f[good]))
    return np.asarray(np.log(known / np.median(known))[:, None])


def change_column(history: History, change: Change) -> Floats:
    """A change's column: 1 after a step (its part in the bin that it falls in), million cycles after a hinge."""
    first, last = history.first.astype(np.float64), history.last + 1.0
    if change.kind == "step":
        return np.asarray(np.clip((last - change.cycle) / (last - first), 0.0, 1.0))
    after = np.maximum(history.cycle - change.cycle, 0.0)
    if change.kind == "slope":
        return np.asarray(after / 1e6)
    if change.kind == "bend":
        return np.asarray((after / 1e6) ** 2)
    return np.where(history.cycle >= change.cycle, np.exp(-after / EXCHANGED_CYCLES), 0.0)


def change_columns(history: History, changes: Iterable[Change]) -> Floats:
    """Columns of changes, shape (k, changes)."""
    made = [change_column(history, change) for change in changes]
    return np.column_stack(made) if made else np.zeros((history.first.size, 0))


def expected_changes(history: History, entries: Sequence[LogEntry], watched: Watched) -> list[Change]:
    """Changes of a measure that the plan, a note or a shifted zero explains, and jumps of the thermometer."""
    found: list[Change] = []
    for entry in entries:
        at = entry.start_us / 1e6
        if not history.start_s[0] < at < history.end_s[-1]:
            continue
        if entry.rebases(watched):
            found.append(Change("step", history.cycle_at(at)))
            if entry.kind == "exchange":
                found.append(Change("settling", history.cycle_at(at)))
    if history.temperature.shape[0]:
        found += [Change("step", history.cycle_at(t)) for t in history.jumps_s.tolist()]
    return found
