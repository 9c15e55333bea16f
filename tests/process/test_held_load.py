"""Samples at which the load is stuck, however the batches are cut (invented)."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.blocks.held_load import HeldSamples


def long_runs(load: np.ndarray, most: float) -> list[int]:
    """Places of all samples in runs of more than ``most`` repeats, one by one."""
    found, begin = [], 0
    for k in range(1, len(load) + 1):
        if k == len(load) or load[k] != load[begin]:
            found += range(begin, k) if k - begin - 1 > most else []
            begin = k
    return found


@given(st.lists(st.integers(0, 2), max_size=60), st.lists(st.integers(0, 60), max_size=4), st.integers(0, 5))
def test_runs_are_the_same_however_the_batches_are_cut(codes: list[int], cuts: list[int], most: int) -> None:
    load, held = np.array(codes, float), HeldSamples(float(most))
    for part in np.split(np.arange(len(load)), sorted(cuts)):
        held.take(part.astype(np.int64), load[part])
    assert held.found.time_us.tolist() == long_runs(load, most)
    assert held.found.rows.sum() == len(held.found)


def test_without_a_bound_nothing_is_found() -> None:
    held = HeldSamples(math.inf)
    held.take(np.arange(1000), np.zeros(1000))
    assert not len(held.found)
