"""Align the logs of two loggers: which rows of the second belong to which of the first.

Rows are joined at the times of the slower logger as they are read from the store
(:mod:`benchpipe.samples.second_log`); this module finds the offsets that this needs. The offset of the
second clock is stated, or found in windows of ten minutes from a quantity that both loggers show. The rows of
a window are joined by a line through the offsets found before it, since more rows must not change samples that
are there; the window's own offset then shows whether that line was right.

Clocks can be compared only where both ran through. Rows of a log in which one was set, or that is moved by another
amount than the other logger's (an elapsed clock that restarted), have no value of the other logger.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchpipe.config.rig import RigConfig, SecondConfig
from benchpipe.errors import StoreError
from benchpipe.kernels.clock_offset import find_offset
from benchpipe.samples.inputs import SampleInput, logger_inputs
from benchpipe.samples.second_log import ClockLine, on_first_clock
from benchpipe.samples.second_state import OffsetWindow, SecondState
from benchpipe.samples.stream import stream_samples
from benchpipe.store.manifest import Manifest, Remark
from benchpipe.store.parts import open_part
from benchpipe.store.run_store import RunStore

WINDOW_US = 600_000_000
POINTS = 12  # so many of the last offsets the line goes through: an hour of them
STILL = 0.1  # of the scatter in the first window: less shows no offset
REACH = 1.5  # steps of the slower logger: neighbours that are farther apart have nothing between them
LATE_US = 86_400_000_000  # a logger that is behind the other by more than that has stopped, or its logs are missing
LogSpans = dict[str, tuple[int, int]]
JUMPS = frozenset(
    {"restart", "next-day", "begin-of-summer-time", "end-of-summer-time", "clock-set-back", "clock-ahead-again"}
)


def join_logs(
    rig: RigConfig, store: RunStore, manifest: Manifest, known: SecondState | None
) -> tuple[SecondState | None, list[Remark]]:
    """Find how the logs of a rig's two loggers go together.

    Parameters
    ----------
    manifest : Manifest
        With all sources placed.
    known : SecondState, optional
        That of the last time: windows that did not change are not looked at again.

    Returns
    -------
    state : SecondState or None
        None for one logger.
    remarks : list of Remark
    """
    second = rig.second
    if second is None:
        return None, []
    apart = _apart(manifest)
    first_in, second_in = (
        [one for one in logger_inputs(manifest, second=one_of) if one.file not in apart] for one_of in (False, True)
    )
    spans = _spans(store, logger_inputs(manifest, second=False) + logger_inputs(manifest, second=True), known)
    windows = _Windows(rig, second, store, first_in, second_in, spans)
    lines, found = windows.lines(known)
    ends = sorted({_end(one, spans) for one in second_in})
    on_first = on_first_clock(lines, np.array(ends, np.int64)) if lines and ends else ()
    state = SecondState(
        spans=spans,
        apart=tuple(sorted(apart)),
        lines=lines,
        ends=tuple(int(us) - 1 for us in on_first),
        channels=tuple(c.name for c in rig.channel if c.logger == "second"),
        held=tuple(name for name in (rig.mode, rig.counter) if name is not None),
        reach_us=round(REACH * 1e6 / rig.time.sample_rate),
    )
    if found is not None:
        state = state.model_copy(update={"read": found.read, "windows": found.windows})
    remarks = [*_of_offset(second, lines, state), *_of_apart(apart), *_of_waiting(first_in, spans, state)]
    return state, remarks


def _apart(manifest: Manifest) -> set[str]:
    """Logs whose clock cannot be compared with the other logger's."""
    places = {place.file: place.shift_us for place in manifest.placed}
    shifts = [{places[s.file] for s in manifest.sources if s.second == one and s.samples} for one in (False, True)]
    return {
        s.file
        for s in manifest.sources
        if any(remark.code in JUMPS for remark in s.remarks)
        or (places[s.file] != 0 and (all(shifts) and places[s.file] not in shifts[not s.second]))
    }


def _spans(store: RunStore, inputs: list[SampleInput], known: SecondState | None) -> LogSpans:
    """First and last own time of each part."""
    old = known.spans if known is not None else {}
    return {one.part.sha256: old.get(one.part.sha256) or _span_of(store, one) for one in inputs}


def _span_of(store: RunStore, one: SampleInput) -> tuple[int, int]:
    with open_part(store.folder, one.part) as file:
        meta, place = file.metadata, file.schema_arrow.names.index("time_us")
    stats = [meta.row_group(k).column(place).statistics for k in range(meta.num_row_groups)]
    if not stats or any(one is None for one in stats):
        raise StoreError("a part of the samples does not say which times it holds", where=store.folder)
    return int(stats[0].min), int(stats[-1].max)


def _begin(one: SampleInput, spans: LogSpans) -> int:
    begin = spans[one.part.sha256][0] + one.shift_us
    return begin if one.after_us is None else max(begin, one.after_us + 1)


def _end(one: SampleInput, spans: LogSpans) -> int:
    return spans[one.part.sha256][1] + one.shift_us


class _Found(NamedTuple):
    """Windows, and the identity of the samples that they were found from."""

    read: tuple[tuple[list[object], ...], ...]
    windows: tuple[OffsetWindow, ...]


class _Windows:
    """Offsets of the second clock, window by window of the first one's time."""

    def __init__(
        self, rig: RigConfig, second: SecondConfig, store: RunStore, first: list[SampleInput],
        others: list[SampleInput], spans: LogSpans,
    ) -> None:  # fmt: skip
        self._second, self._store, self._first, self._others = second, store, first, others
        self._gap = 2e6 / rig.time.sample_rate
        self._begin = _begin(first[0], spans) if first else 0
        ends = [max(_end(one, spans) for one in some) if some else 0 for some in (first, others)]
        self._until = min(ends[0], ends[1] - round(1e6 * (second.offset + second.search)))

    def lines(self, known: SecondState | None) -> tuple[tuple[ClockLine, ...], _Found | None]:
        """Lines of the clock, and what they were found from; None where they are stated."""
        stated = round(1e6 * self._second.offset)
        if self._second.same is None:
            return (ClockLine(self._begin, stated, 0.0, True),), None
        if not self._first or not self._others:
            return (), None
        read = tuple(tuple(one.identity for one in some) for some in (self._first, self._others))
        old = known.read if known is not None else None
        same = old is not None and all(a == b[: len(a)] for a, b in zip(old, read, strict=True))
        whole = max(int((self._until - self._begin) // WINDOW_US), 0)
        windows = list(known.windows or ())[:whole] if known is not None and same else []
        for number in range(len(windows), whole):
            windows.append(self._look(windows, number, self._begin + (number + 1) * WINDOW_US))
        found = _Found(read, tuple(windows))
        tried = windows
        if not any(one.points for one in windows):
            tried = [*windows, self._look(windows, whole, self._until)]
        return tuple(self._as_lines(tried)), found

    def _as_lines(self, windows: list[OffsetWindow]) -> Iterator[ClockLine]:
        if not any(one.points for one in windows):
            return
        first = next(one.points for one in windows if one.points)
        for number in range(len(windows) + 1):
            before = [p for one in windows[:number] for p in one.points][-POINTS:] or first
            at, joined = self._begin + number * WINDOW_US, number == len(windows) or windows[number].agrees
            offset, ppm = _line_through(before, at)
            yield ClockLine(at, round(offset), ppm, joined)

    def _look(self, windows: list[OffsetWindow], number: int, until: int) -> OffsetWindow:
        """What a window shows of the offset: points (time, offset), and whether it agrees with those before."""
        before = [p for one in windows for p in one.points][-POINTS:]
        begin = self._begin + number * WINDOW_US
        middle = (begin + until) // 2
        tolerance = 1e6 * self._second.offset_uncertainty
        around, search = 1e6 * self._second.offset, 1e6 * self._second.search
        if before:
            around, search = _at(before, middle), min(search, max(4.0 * tolerance, self._gap))
        own, other = self._values(begin, until, around, search)
        offset, _, sure = find_offset(*own, *other, around, search, followed=bool(before))
        scatter = float(np.nanstd(own[1])) if own[0].size else 0.0
        usual = next((one.scatter or 0.0 for one in windows if one.points), 0.0)
        kept = scatter if math.isfinite(scatter) else None
        still = own[0].size == 0 or scatter < STILL * usual
        if not sure:
            return OffsetWindow((), not before or still, kept)
        if before and abs(offset - around) > tolerance:
            return OffsetWindow((), False, kept)
        halves: list[tuple[int, float]] = []
        for a, b in ((begin, middle), (middle, until)):
            inside = (own[0] >= a) & (own[0] < b)
            near = max(tolerance, self._gap)
            half, _, fine = find_offset(own[0][inside], own[1][inside], *other, offset, near, followed=True)
            halves += [((a + b) // 2, round(float(half), 3))] if fine else []
        points = tuple(halves) if len(halves) == 2 else ((middle, round(float(offset), 3)),)
        return OffsetWindow(points, True, kept)

    def _values(
        self, begin: int, until: int, around: float, search: float
    ) -> list[tuple[NDArray[np.int64], NDArray[Any]]]:
        low, high = (round(around + side * search) for side in (-1.0, 1.0))
        names = self._second.same or ("", "")
        spans = ((begin, until - 1), (begin + low, until + high))
        found = []
        for inputs, name, span in zip((self._first, self._others), names, spans, strict=True):
            batches = list(stream_samples(self._store.folder, inputs, [name], *span))
            times = np.concatenate([b.time_us for b in batches]) if batches else np.empty(0, np.int64)
            values = np.concatenate([b.columns[name] for b in batches]) if batches else np.empty(0, np.float32)
            found.append((times, values))
        return found


def _line_through(points: Sequence[tuple[int, float]], at: int) -> tuple[float, float]:
    """Offset [µs] at a time, and its rate [ppm], by least squares; of one point, no rate."""
    time = np.array([p[0] - at for p in points], np.float64) / 1e6
    offset = np.array([p[1] for p in points], np.float64)
    if time.size < 2:
        return float(offset[0]), 0.0
    centred = time - time.mean()
    rate = float(centred @ offset / (centred @ centred))
    return float(offset.mean() - rate * time.mean()), round(rate, 6)


def _at(points: Sequence[tuple[int, float]], time_us: int) -> float:
    return _line_through(points, time_us)[0]


def _of_offset(second: SecondConfig, lines: tuple[ClockLine, ...], state: SecondState) -> Iterator[Remark]:
    where = second.files[0]
    if second.same is None:
        text = f"the second logger's clock is taken to show {second.offset:+.6g} s against the first one's, as stated"
        yield Remark(step="ingest", code="clock-offset", where=where, count=1, text=text)
        return
    if not lines:
        if state.ends or state.windows is not None:
            text = (
                f"no offset of the second logger's clock could be found from {' and '.join(second.same)} within "
                f"{second.search:g} s of {second.offset:g} s: nothing is joined. State offset more nearly, with search "
                "below half of a cycle"
            )
            yield Remark(step="ingest", code="clock-offset-unknown", where=where, count=1, text=text)
        return
    text = (
        f"the second logger's clock shows {lines[-1].offset_us / 1e6:+.6f} s against the first one's, and gains "
        f"{lines[-1].ppm:+.3g} ppm (found from {' and '.join(second.same)})"
    )
    yield Remark(step="ingest", code="clock-offset", where=where, count=1, text=text)
    off = sum(not line.joined for line in lines)
    if off:
        text = (
            f"in {off} of {len(lines)} windows of 10 min the offset of the two clocks is not what it was within "
            f"{second.offset_uncertainty:g} s: their rows are not joined"
        )
        yield Remark(step="ingest", code="clock-offset-moved", where=where, count=off, text=text)


def _of_apart(apart: set[str]) -> Iterator[Remark]:
    for file in sorted(apart):
        text = (
            "a clock was set, or began again, in or before it: how it compares with the other logger's is not known, "
            "and its rows are not joined. Let both loggers write dates, in UTC"
        )
        yield Remark(step="ingest", code="clocks-apart", where=file, count=1, text=text)


def _of_waiting(first: list[SampleInput], spans: LogSpans, state: SecondState) -> Iterator[Remark]:
    if not first:
        return
    last = max(first, key=lambda one: _end(one, spans))
    end = _end(last, spans)
    behind = end - state.ends[-1] if state.ends else None
    if behind is None:
        text = "its rows wait for logs of the second logger: none of them can be joined yet"
        yield Remark(step="ingest", code="second-log-late", where=last.file, count=1, text=text)
    elif behind > 1:
        text = f"its last {behind / 1e6:.4g} s wait for rows of the second logger, whose logs end before"
        code = "second-log-late" if behind > LATE_US else "second-log-waits"
        yield Remark(step="ingest", code=code, where=last.file, count=1, text=text)
