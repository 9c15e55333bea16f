"""Logs read through their rig file → stretches of load and motion, each of one log, one mode and without a gap.

A survey only looks: nothing is stored, and every figure of a run comes from the pipeline itself.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.config.rig import RigConfig
from benchpipe.ingest.calibrate import to_rows
from benchpipe.ingest.native_time import native_time
from benchpipe.ingest.rows import Rows, joined
from benchpipe.ingest.ticks import Ticks
from benchpipe.inspect.states import FREE
from benchpipe.readers.log_file import open_log
from benchpipe.readers.registry import read_log
from benchpipe.samples.signals import Signals, to_signals
from benchpipe.samples.stream import SampleBatch
from benchpipe.survey.roll_ways import RollWays, roll_ways
from benchpipe.survey.second import SecondRows, join_second

MOST_ROWS = 8_000_000  # of all logs together: 16 bytes each are kept
LEAST_ROWS = 50_000  # of each log
LEAST_SAMPLES = 8
DAY_US = 86_400_000_000
Progress = Callable[[str], None]


@dataclass(frozen=True)
class Stretch:
    """Consecutive samples, numbered in the order of the logs. ``mode`` is None where the rig has no mode channel.

    ``rolling``: the passes of a roll in it.
    """

    number: int
    file: str
    mode: int | None
    signals: Signals
    rolling: RollWays | None = None

    @property
    def time_s(self) -> NDArray[np.float64]:
        """Time since its first sample [s], shape (n,)."""
        return np.asarray((self.signals.time_us - self.signals.time_us[0]) * 1e-6)


@dataclass(frozen=True)
class Surveyed:
    """Stretches of all logs, and what was met on the way.

    Attributes
    ----------
    stretches : tuple of Stretch
    rows : dict
        Rows that were read, by log and mode (None: no mode channel, or it shows nothing there).
    rejected : int
        Rows that cannot be taken.
    partly : tuple of str
        Logs of which only the beginning was looked at.
    restarts : int
        Times at which the log's clock went back.
    resets : tuple of (float, float)
        Counter before and after each fall of it.
    first_count : float
        The counter at the first sample; NaN where the rig has none.
    free : frozenset of int
        Modes whose word in the log says that the joint is free.
    """

    stretches: tuple[Stretch, ...]
    rows: dict[tuple[str, int | None], int]
    rejected: int
    partly: tuple[str, ...]
    restarts: int
    resets: tuple[tuple[float, float], ...]
    first_count: float
    free: frozenset[int] = frozenset()


def survey_logs(
    rig: RigConfig, logs: dict[str, Path], *, most_rows: int = MOST_ROWS, on_progress: Progress | None = None
) -> Surveyed:
    """Read logs as their rig file says, so far as ``most_rows`` goes.

    Parameters
    ----------
    rig : RigConfig
    logs : dict of Path
        By the name that a plan's patterns match.
    most_rows : int
        Of all logs together; longer ones are looked at from their beginning.
    on_progress : callable, optional
        Called with the name of each log.

    Raises
    ------
    InputError
        A log cannot be read.
    """
    found = _LogSurvey(rig)
    most = max(most_rows // max(len(logs), 1), LEAST_ROWS)
    for name, path in logs.items():
        if on_progress is not None:
            on_progress(name)
        found.log(name, path, most)
    return found.surveyed()


class _LogSurvey:
    """What was read so far."""

    def __init__(self, rig: RigConfig) -> None:
        self._rig = rig
        self._logs: list[SecondRows] = []
        self._stretches: list[Stretch] = []
        self._rows: Counter[tuple[str, int | None]] = Counter()
        self._partly: list[str] = []
        self._rejected, self._restarts = 0, 0
        self._resets: list[tuple[float, float]] = []
        self._first_count, self._count = float("nan"), float("nan")

    def surveyed(self) -> Surveyed:
        """Cut what was read, and say what was met."""
        second = self._rig.second
        for log in self._logs if second is None else join_second(self._rig, second, self._logs):
            self._cut(log.name, log.time_us, log.columns)
        return Surveyed(
            tuple(self._stretches), dict(self._rows), self._rejected, tuple(self._partly), self._restarts,
            tuple(self._resets), self._first_count, _free_modes(self._rig),
        )  # fmt: skip

    def log(self, name: str, path: Path, most: int) -> None:
        """Read a log."""
        rig = self._rig.of_file(name)
        ticks, parts = Ticks(rig.time), list[Rows]()  # as the ingest spreads the rows of one stamp
        looked = 0
        with open_log(path) as file:
            for batch in read_log(path, file, rig):
                if looked >= most:
                    self._partly.append(name)
                    break
                native, good = native_time(batch.time, rig.time)
                parts.append(ticks.spread(to_rows(batch, native, rig).part(good)))
                self._rejected += sum(one.rows for one in batch.rejects) + int((~good).sum())
                looked += len(batch.row)
        parts += [held for held in (ticks.finish(),) if held is not None]
        if parts:
            rows = joined(parts)
            self._logs.append(SecondRows(name, rows.time_us, dict(rows.values)))

    def _cut(self, name: str, time_us: NDArray[np.int64], columns: dict[str, NDArray[Any]]) -> None:
        """Cut where the clock goes back, at gaps, and where the mode changes."""
        rig = self._rig
        modes = columns[rig.mode] if rig.mode is not None else np.zeros(time_us.size, np.float32)
        steps = np.diff(time_us)
        back = steps < -round(1e6 * rig.time.gap_s)
        of_day = rig.time.kind == "datetime" and not rig.time.dated
        self._restarts += int((back & ~(of_day & (steps < -DAY_US // 2))).sum())  # midnight is no restart
        cut = _gaps(steps, round(1e6 * rig.time.gap_s)) | back | (modes[1:] != modes[:-1])
        edges = [0, *(np.flatnonzero(cut) + 1).tolist(), int(time_us.size)]
        for first, end in pairwise(edges):
            mode = None if rig.mode is None or not np.isfinite(modes[first]) else round(float(modes[first]))
            self._rows[name, mode] += end - first
            self._stretches += self._stretch(name, mode, time_us[first:end], columns, first, end)
        if rig.counter is not None:
            self._counted(columns[rig.counter])

    def _stretch(
        self, name: str, mode: int | None, time_us: NDArray[np.int64], columns: dict[str, NDArray[Any]], first: int,
        end: int,
    ) -> Iterator[Stretch]:  # fmt: skip
        if end - first < LEAST_SAMPLES or (mode is None and self._rig.mode is not None):
            return
        own = {channel: values[first:end] for channel, values in columns.items()}
        signals = to_signals(SampleBatch(time_us, own, name), self._rig)
        forward = np.diff(signals.time_us, prepend=signals.time_us[:1] - 1) > 0  # a clock coarser than the rows
        signals = signals if forward.all() else signals.select(forward)
        if len(signals) >= LEAST_SAMPLES:
            yield Stretch(len(self._stretches), name, mode, signals, roll_ways(self._rig, own))

    def _counted(self, counter: NDArray[Any]) -> None:
        known = counter[np.isfinite(counter)].astype(np.float64)
        if not known.size:
            return
        if not np.isfinite(self._first_count):
            self._first_count = float(known[0])
        falls = np.flatnonzero(np.diff(known) < 0)
        self._resets += [(float(known[k]), float(known[k + 1])) for k in falls.tolist()]
        if known[0] < self._count:
            self._resets.append((self._count, float(known[0])))
        self._count = float(known[-1])


def _gaps(steps: NDArray[np.int64], longest_us: int) -> NDArray[np.bool_]:
    """Where to cut: at long steps, and where rows begin to come at long steps, or end to: a log may be thinned."""
    slow = steps > longest_us
    like_next = np.zeros(slow.size, bool)
    if slow.size > 1:
        like_next[:-1] = slow[:-1] & slow[1:] & (np.abs(np.diff(steps)) <= 0.5 * steps[1:])
    like_before = np.append(False, like_next[:-1]) if slow.size else like_next
    steady = like_next | like_before
    changed = np.append(False, steady[1:] != steady[:-1]) if slow.size else steady
    return np.asarray((slow & ~steady) | changed)


def _free_modes(rig: RigConfig) -> frozenset[int]:
    """Modes whose word says that the joint is free."""
    words = rig.find(rig.mode).map if rig.mode is not None else ()
    return frozenset(round(number) for word, number in words if FREE.match(word))
