"""Logs of one row a cycle: rows that are not there, and rows that were lost after the last cycle."""

from __future__ import annotations

import numpy as np
import pyarrow as pa

from benchpipe.blocks.cyclic.tables import CycleFlag
from benchpipe.blocks.cyclic.values import _after_a_pause, _with_lost_end
from benchpipe.blocks.left_out import NAMES
from benchpipe.blocks.values import values_of


def peaks(seconds: list[float]) -> pa.Table:
    start = np.rint(1e6 * np.array(seconds)).astype(np.int64)
    return pa.table({"start_us": start, "flags": np.full(len(start), int(CycleFlag.PEAKS_ONLY), np.int64)})


def test_a_row_that_is_not_there_is_seen_by_the_step_before_the_next() -> None:
    assert _after_a_pause(peaks([0, 1, 2, 4, 5, 6]), ()).tolist() == [False, False, False, True, False, False]


def test_a_clock_that_began_again_or_jitters_hides_nothing() -> None:
    assert not _after_a_pause(peaks([0, 1, 2, 2 + 3600, 2 + 3601, 2 + 3602]), (3_602_000_000,)).any()
    assert not _after_a_pause(peaks([0, 1.2, 2, 3.1, 4, 5]), ()).any()
    assert not _after_a_pause(peaks([0]), ()).any()


def test_what_was_lost_after_the_last_cycle_counts_as_off_target() -> None:
    values = values_of(np.arange(1.0, 4.0), np.zeros(3), None, 3, names=())
    found = _with_lost_end(values, 2, 1.0)
    assert found.value.tolist() == [0.0, 0.0, 0.0, 1.0]
    assert found.reason[-1] == NAMES.index("lost_rows")
    assert found.of == 4
