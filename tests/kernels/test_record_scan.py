"""Stretches of a log without a gap, each a cycle of its own."""

from __future__ import annotations

import numpy as np

from benchpipe.kernels.boundaries import CLOSED, FRESH, find_records


def test_a_stretch_ends_where_a_step_is_long() -> None:
    times = np.array([0, 10, 20, 500, 510, 900], np.int64)
    events, state = find_records(times, 0, 100, FRESH._replace(start=0, row=CLOSED))
    assert events[:, :3].tolist() == [[0, 3, CLOSED], [3, 5, CLOSED]]
    assert state.start == 5


def test_without_a_long_step_nothing_ends() -> None:
    events, state = find_records(np.arange(0, 100, 10), 0, 100, FRESH)
    assert (events.shape, events.dtype, state) == ((0, 4), np.int64, FRESH)
