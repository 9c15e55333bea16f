"""Stops, gaps and shifted zeros of whole days: the same whichever nights the days came in (invented rows)."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest

from benchpipe.blocks.cyclic.tables import CycleFlag
from benchpipe.drift.entries import DayEntries, seen_after
from benchpipe.drift.reading import days_of
from benchpipe.drift.watched import DAY_US
from benchpipe.store.pauses import NO_RESTART, Restart, RunClock

PERIOD_S, RATE, N = 600.0, 1.0, 600


def rows(gaps: dict[int, tuple[float, int]], shift_at: int = -1, shift: float = 1.0) -> pa.Table:
    """Cycles of ten minutes; before a place a stop [s], the row before with flags. From a place on the motion moves."""
    start = 1e6 * PERIOD_S * np.arange(N) + 5e9
    segment, flags = np.ones(N, np.int64), np.zeros(N, np.int64)
    for place, (stop_s, flag) in gaps.items():
        start[place:] += 1e6 * stop_s
        segment[place:] += 1
        flags[place - 1] = flag
    rng = np.random.default_rng(0)
    moved = np.where(np.arange(N) >= shift_at, shift, 0.0) if shift_at >= 0 else np.zeros(N)
    noise = 0.01 * rng.standard_normal(N)
    return pa.table({
        "segment": segment, "start_us": start.astype(np.int64), "period_s": np.full(N, PERIOD_S),
        "samples": np.full(N, 600), "complete": np.ones(N, bool), "flags": flags,
        "peak_load": 800 + noise, "valley_load": 5 + noise, "motion_max": 10 + moved + noise,
        "motion_min": 0 + moved + noise,
    })  # fmt: skip


GAPS = {100: (7200.0, 0), 124: (3600.0, 0), 200: (90.0, int(CycleFlag.BROKEN_OFF)), 300: (30.0, 0), 431: (4e4, 0)}


def start_of(table: pa.Table, place: int) -> int:
    """Start of a row [us]."""
    return int(table.column("start_us")[place].as_py())


def test_stops_gaps_and_shifts_are_found_where_the_rig_goes_on() -> None:
    table = rows(GAPS, shift_at=431)
    found = seen_after(DayEntries(), table, NO_RESTART, RATE).entries
    assert found == (
        ("stop", start_of(table, 100)), ("stop", start_of(table, 124)), ("gap", start_of(table, 200)),
        ("stop", start_of(table, 431)), ("zero_shift", start_of(table, 431)),
    )  # fmt: skip


def test_a_shift_of_a_small_part_of_the_range_is_none_of_wear_either() -> None:
    table = rows(GAPS, shift_at=431, shift=0.05)  # of a range of 10: no remark, and a step of its ends all the same
    assert ("zero_shift", start_of(table, 431)) in seen_after(DayEntries(), table, NO_RESTART, RATE).entries


def test_a_restart_of_the_clock_is_no_stop() -> None:
    table = rows({100: (3600.0, 0)})
    clock = RunClock((Restart(start_of(table, 100), None),))
    assert seen_after(DayEntries(), table, clock, RATE).entries == ()


@pytest.mark.parametrize("shift_at", [-1, 100, 124, 200, 431])
def test_nights_do_not_matter(shift_at: int) -> None:
    table = rows(GAPS, shift_at)
    once, nights = seen_after(DayEntries(), table, NO_RESTART, RATE), DayEntries()
    for _, day in days_of(np.array(table.column("start_us"), np.int64), DAY_US):
        stored = DayEntries.model_validate_json(nights.model_dump_json())  # as a manifest keeps it
        nights = seen_after(stored, table.slice(day.start, day.stop - day.start), NO_RESTART, RATE)
    assert start_of(table, 123) // DAY_US < start_of(table, 124) // DAY_US  # a stop over midnight
    assert ("stop", start_of(table, 124)) in once.entries
    assert (("zero_shift", start_of(table, 124)) in once.entries) == (shift_at == 124)
    assert nights == once
    assert len(once.last.cycles) <= 20
