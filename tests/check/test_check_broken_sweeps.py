"""A block of which only broken-off sweeps are left is judged by what is left of them (invented runs)."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tests.benchmarks.drawn_runs import Log
from tests.benchmarks.hidden_in_kinds import KINDS, Kind, drawn, log_of


def with_gap(rng: np.random.Generator, broken: bool) -> Log:
    """Half a sweep, then the log ends in a gap: a catch of 2.5 N*m, or none, is in what is left."""
    part = np.arange(1000) / 1000
    motion, way = -14 + 28 * (1 - np.abs(2 * part - 1)), np.where(part < 0.5, 1.0, -1.0)
    bad = broken & (motion > 5) & (motion < 9) & (way > 0)
    whole = log_of(rng, 0.8 * way + 0.03 * motion + 2.5 * bad, motion, bad, 0)
    return whole.take(np.r_[0:700, 990:1000])


def ended(rng: np.random.Generator, broken: bool) -> Log:
    """The same, and the log ends there."""
    whole = with_gap(rng, broken)
    return whole.take(np.arange(700))


@pytest.mark.parametrize("draw", [with_gap, ended])
@pytest.mark.parametrize(("broken", "expected"), [(True, "fail"), (False, "inconclusive")])
def test_what_is_left_of_the_only_sweep_fails_and_never_passes(
    tmp_path: Path, draw: Callable[[np.random.Generator, bool], Log], broken: bool, expected: str
) -> None:
    sweep = KINDS["sweep"]
    kind = Kind(draw, sweep.plan, sweep.limit)
    assert drawn(np.random.default_rng(3), kind, "(not spoiled)", tmp_path / "run", broken=broken) == expected
