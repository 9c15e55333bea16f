"""The clock of a log: what each way of going back gives, and that cutting changes nothing."""

from __future__ import annotations

import itertools
from typing import Any
from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from benchpipe.config.rig import TimeConfig
from benchpipe.ingest import clock as clock_module
from benchpipe.ingest.clock import HOUR_US, LATE, RESTART_PAUSE_US, Clock
from benchpipe.ingest.native_time import native_time
from benchpipe.ingest.rows import Rows, joined

STEP = 10_000
ELAPSED = TimeConfig.model_validate({"column": "t", "sample_rate": "100 Hz"})
DATED = TimeConfig.model_validate(
    {"column": "t", "sample_rate": "100 Hz", "kind": "datetime", "format": "%Y-%m-%d %H:%M:%S.%f"}
)
OF_DAY = TimeConfig.model_validate(
    {"column": "t", "sample_rate": "100 Hz", "kind": "datetime", "format": "%H:%M:%S.%f"}
)


def rows(ticks: Any, content: Any = None) -> Rows:
    """Rows at so many steps of 10 ms, whose content tells them apart."""
    ticks = np.asarray(ticks, np.int64)
    value = np.arange(ticks.size) if content is None else np.asarray(content)
    return Rows(np.arange(1, ticks.size + 1), ticks * STEP, {"force": value.astype(np.float32)})


class Result:
    """A log placed whole, in any pieces."""

    def __init__(self, given: Rows, config: TimeConfig, cuts: list[int] | None = None) -> None:
        clock = Clock(config)
        edges = sorted({0, len(given), *(min(c, len(given)) for c in cuts or [])})
        placed = [clock.place(given.part(slice(a, b))) for a, b in itertools.pairwise(edges)]
        placed.append(clock.finish())
        pieces = [r for p in placed for r in p.rows]
        self.rows = joined(pieces) if pieces else given.part(slice(0, 0))
        self.early = [int(row) for p in placed for rows in p.early for row in rows.row]
        lines = [(r.row + k, r.reason) for p in placed for r in p.rejects for k in range(r.rows)]
        self.lines = sorted([*lines, *((row, LATE) for row in self.early)])
        self.repeats = sum(p.repeats for p in placed)
        self.events = [e for p in placed for e in p.events]
        self.gaps = sum(p.gaps for p in placed)
        self.places = {what: row for p in placed[::-1] for what, row in p.places.items()}
        self.clock = clock

    @property
    def all(self) -> tuple[Any, ...]:
        """All of it, to be compared."""
        seen = self.events, self.gaps, self.places
        return self.rows.row.tolist(), self.rows.time_us.tolist(), self.lines, self.early, self.repeats, seen


def test_rising_times_stay_as_they_are() -> None:
    result = Result(rows(range(50)), ELAPSED)
    assert result.rows.time_us.tolist() == [k * STEP for k in range(50)]
    assert (result.lines, result.repeats, result.events) == ([], 0, [])


@pytest.mark.parametrize("config", [ELAPSED, DATED, OF_DAY])
def test_rows_that_stand_there_again_are_dropped_and_counted(config: TimeConfig) -> None:
    ticks = [*range(100), *range(60, 130)]
    result = Result(rows(ticks, [t * 7 for t in ticks]), config)
    assert result.rows.time_us.tolist() == [k * STEP for k in range(130)]
    assert (result.repeats, result.lines, result.events) == (40, [], [])


def test_a_repeat_with_a_few_other_rows_is_still_one_and_those_are_rejects() -> None:
    ticks = [*range(100), *range(60, 130)]
    content = np.array([t * 7 for t in ticks])
    content[[110, 120]] = -1
    result = Result(rows(ticks, content), ELAPSED)
    assert (result.repeats, result.lines) == (38, [(111, LATE), (121, LATE)])
    assert len(result.rows) == 130


def test_elapsed_time_that_begins_anew_is_a_restart() -> None:
    result = Result(rows([*range(100), *range(150)]), ELAPSED)
    assert result.events == ["restart"]
    assert len(result.rows) == 250
    assert result.rows.time_us[100] - result.rows.time_us[99] == RESTART_PAUSE_US


@pytest.mark.parametrize("cuts", [[], [1], [2], [3], [3, 4]])
def test_late_rows_before_the_first_are_handed_over_unless_the_clock_fell_back_before(cuts: list[int]) -> None:
    late = [50, 51, 49, 50, 48, 52, 53, 51]
    result = Result(rows(late), ELAPSED, cuts)
    assert (result.early, [row for row, _ in result.lines]) == ([3, 5], [3, 4, 5, 8])
    ticks = [*range(60, 160), *(tick - 40 for tick in late), *range(14, 120)]
    restarted = Result(rows(ticks), ELAPSED, [cut + 100 for cut in cuts])
    assert (restarted.early, restarted.events) == ([], ["restart"])


@pytest.mark.parametrize("cuts", [[], [49], [50], [51], [52], [51, 70], [52, 70], [1, 2, 50, 51, 52, 53]])
def test_a_gap_is_told_with_the_row_after_the_first(cuts: list[int]) -> None:
    result = Result(rows([*range(50), *range(90, 120), *range(200, 240)]), ELAPSED, cuts)
    assert (result.gaps, result.places) == (2, {"gap": 51})
    again = Result(rows([*range(100), *range(150)]), ELAPSED, cuts)
    assert (again.gaps, again.places) == (0, {"restart": 101})


def test_a_restart_whose_first_rows_are_alike_by_chance_is_a_restart() -> None:
    idle = [*range(100), *range(150)]
    content = [0] * 20 + list(range(80)) + [0] * 20 + list(range(1000, 1130))
    result = Result(rows(idle, content), ELAPSED)
    assert (result.events, len(result.rows), result.repeats) == (["restart"], 250, 0)


def test_the_end_of_summer_time_goes_on_without_a_gap() -> None:
    hour = HOUR_US // STEP
    result = Result(rows([*range(hour, hour + 500), *range(500, 900)]), DATED)
    assert result.events == ["end of summer time"]
    assert (np.diff(result.rows.time_us) == STEP).all()


@pytest.mark.parametrize("cuts", [[], [500], [499, 501]])
def test_the_begin_of_summer_time_is_told_and_is_a_gap(cuts: list[int]) -> None:
    hour = HOUR_US // STEP
    ahead = rows([*range(hour - 500, hour), *range(2 * hour, 2 * hour + 500)])
    result = Result(ahead, DATED, cuts)
    assert (result.events, len(result.rows)) == (["begin of summer time"], 1000)
    assert Result(ahead, ELAPSED).events == []
    stop = Result(rows([*range(hour - 700, hour - 200), *range(2 * hour - 200, 2 * hour)]), DATED, cuts)
    assert stop.events == []


def test_a_clock_that_was_set_back_goes_on_after_a_gap_until_it_is_right_again() -> None:
    result = Result(rows([*range(10_000, 10_500), *range(9_000, 9_400), *range(12_000, 12_100)]), DATED)
    assert result.events == ["clock set back", "clock ahead again"]
    steps = np.diff(result.rows.time_us)
    assert steps.min() > 0
    assert steps[499] > 1e6 * DATED.gap_s
    assert result.rows.time_us[-1] == 12_099 * STEP
    assert len(result.rows) == 1000


def test_a_time_of_day_that_begins_anew_is_the_next_day() -> None:
    day = 24 * HOUR_US // STEP
    result = Result(rows([*range(day - 300, day), *range(200)]), OF_DAY)
    assert result.events == ["next day"]
    assert (np.diff(result.rows.time_us) == STEP).all()


def test_rows_that_come_late_are_rejects() -> None:
    result = Result(rows([0, 1, 2, 1, 3, 4, 4, 5]), ELAPSED)
    assert result.rows.time_us.tolist() == [k * STEP for k in range(6)]
    assert result.lines == [(4, LATE), (7, LATE)]
    far = Result(rows([*range(1000), 3, *range(1000, 1100)]), ELAPSED)
    assert (far.lines, far.events, len(far.rows)) == ([(1001, LATE)], [], 1100)


def test_the_same_row_twice_is_a_repeat() -> None:
    result = Result(rows([0, 1, 2, 2, 3], [5, 6, 7, 7, 8]), ELAPSED)
    assert (result.repeats, result.lines, len(result.rows)) == (1, [], 4)


def test_what_is_no_time_has_no_place() -> None:
    raw = np.array([0.0, 1e300, -1e300, 3.0])
    native, good = native_time(raw, ELAPSED)
    assert good.tolist() == [True, False, False, True]
    assert native[[0, 3]].tolist() == [0, 3_000_000]


PIECE = st.tuples(st.integers(0, 120), st.integers(1, 60), st.sampled_from([0, 0, 0, 1000]))


@given(
    st.lists(PIECE, min_size=1, max_size=6),
    st.lists(st.integers(0, 300), max_size=5),
    st.sampled_from([ELAPSED, DATED, OF_DAY]),
)
@example([(0, 1, 0), (11, 3, 0), (0, 11, 0), (16, 1, 0)], [15], ELAPSED)
def test_every_row_ends_once_and_any_cutting_gives_the_same(
    pieces: list[tuple[int, int, int]], cuts: list[int], config: TimeConfig
) -> None:
    ticks = [t for start, length, _ in pieces for t in range(start, start + length)]
    content = [t + add for start, length, add in pieces for t in range(start, start + length)]
    whole, cut = Result(rows(ticks, content), config), Result(rows(ticks, content), config, cuts)
    assert whole.all == cut.all
    assert len(whole.rows) + len(whole.lines) + whole.repeats == len(ticks)
    assert (np.diff(whole.rows.time_us) > 0).all()
    taken = sorted([*whole.rows.row.tolist(), *(line for line, _ in whole.lines)])
    assert len(set(taken)) == len(taken)


@given(st.lists(PIECE, min_size=1, max_size=5), st.integers(0, 200))
def test_a_clock_goes_on_another_night(pieces: list[tuple[int, int, int]], cut: int) -> None:
    ticks = [t for start, length, _ in pieces for t in range(start, start + length)]
    content = [t + add for start, length, add in pieces for t in range(start, start + length)]
    given_rows = rows(ticks, content)
    clock = Clock(ELAPSED)
    first = clock.place(given_rows.part(slice(0, cut)))
    if clock._held is not None:  # a night that ends in a repeat decides by what it saw
        return
    taken = joined(first.rows) if first.rows else given_rows.part(slice(0, 0))
    since = clock.state.since_us if clock.state.since_us is not None else 1 << 62
    native = taken.part(taken.time_us >= since)
    again = Clock(ELAPSED, clock.state, native.at(native.time_us - clock.state.shift_us))
    parts = [first, again.place(given_rows.part(slice(cut, None))), again.finish()]
    whole = Result(given_rows, ELAPSED)
    assert [t for p in parts for r in p.rows for t in r.time_us.tolist()] == whole.rows.time_us.tolist()
    assert sum(p.repeats for p in parts) == whole.repeats


@given(
    st.lists(st.tuples(st.integers(1, 40), st.integers(-90, -1), st.booleans()), min_size=1, max_size=8),
    st.lists(st.integers(0, 300), max_size=5),
    st.sampled_from([64, 1 << 18]),
    st.sampled_from([4, 16, 1 << 10]),
)
def test_single_rows_that_come_late_meet_one_fate_however_they_are_cut(
    pieces: list[tuple[int, int, bool]], cuts: list[int], most_held: int, few: int
) -> None:
    ticks: list[int] = []
    for length, back, goes_on in pieces:
        begin = (ticks[-1] if ticks else 0) + (1 if goes_on else 0)
        ticks += [*range(begin, begin + length), max(begin + length - 1 + back, 0), begin + length]
    given_rows = rows(ticks, [t % 23 for t in ticks])
    with patch.multiple(clock_module, MOST_HELD=most_held, WINDOW=16, FEW=few):
        whole, cut = Result(given_rows, ELAPSED), Result(given_rows, ELAPSED, cuts)
        singly = Result(given_rows, ELAPSED, list(range(len(ticks))))
    assert whole.all == cut.all == singly.all
    assert len(whole.rows) + len(whole.lines) + whole.repeats == len(ticks)
