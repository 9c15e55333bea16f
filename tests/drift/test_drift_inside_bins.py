"""Steps that fall inside a bin, under slow noise: runs that were missed while steps were tried at the ends of bins."""

from __future__ import annotations

import pytest

from tests.benchmarks.drift_study import Cell, watch_run


@pytest.mark.parametrize("seed", [103, 126])
def test_a_step_of_one_per_cent_inside_a_bin_is_found_by_the_second_look(seed: int) -> None:
    """Invented runs; in the middle of the hour a step shows half of its size at either end of it."""
    found = watch_run(Cell("step", 0.01, "AR"), seed)
    assert found["late"] <= 2.0
    assert found["off"] < 1.0  # h
    assert found["others"] == 0
