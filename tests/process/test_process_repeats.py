"""Cycles that hold one value for a part: what is usual, what noise explains, where all are clipped (invented)."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from benchpipe.blocks.cyclic import repeats as kept
from benchpipe.blocks.cyclic.digits import Digits
from benchpipe.blocks.cyclic.remarks import held_remarks
from benchpipe.blocks.cyclic.repeats import held_cycles, longest_runs, may_hold, repeats_then
from benchpipe.blocks.cyclic.running import CycleSums
from benchpipe.blocks.cyclic.state import UsualRepeats
from benchpipe.blocks.cyclic.tables import CycleFlag
from benchpipe.blocks.sample_noise import SampleNoise
from benchpipe.config.rig import RigConfig
from tests.process.test_process_digits import rig
from tests.process.test_remarks import BLOCK

RIG = rig({}, {})
FINE = SampleNoise(0.02, 0.001, 10_000), Digits(0.0001, 0.00001, True)  # two hundred digits
COARSE = SampleNoise(0.3, 0.003, 10_000), Digits(1.0, 0.01, True)


def cycles(count: int = 200, **columns: Any) -> pa.Table:
    """Rows of 50 samples, from 5 to 80 and 0.25 to 4, whose extremes scatter."""
    rng = np.random.default_rng(3)
    own: dict[str, Any] = {
        "complete": np.ones(count, bool), "flags": np.zeros(count, np.uint16), "samples": np.full(count, 50),
        "load_repeats": np.zeros(count, np.int32), "motion_repeats": np.zeros(count, np.int32),
        "peak_load": 80.0 + 0.02 * rng.standard_normal(count), "valley_load": 5.0 + 0.02 * rng.standard_normal(count),
        "motion_max": 4.0 + 0.01 * rng.standard_normal(count), "motion_min": 0.25 + 0.01 * rng.standard_normal(count),
    }  # fmt: skip
    return pa.table(own | columns)


def usual_repeats(
    rows: pa.Table, rig: RigConfig, noise: SampleNoise, digits: Digits | None
) -> dict[str, UsualRepeats]:
    samples, repeats = repeats_then(CycleSums(), rows)
    usual = kept.usual_repeats(CycleSums(samples=samples, repeats=repeats), rig, noise, digits, rows.select)
    assert may_hold(longest_runs(rows), usual) or not held_cycles(rows, usual).any()
    return usual


def found(rows: pa.Table, noise: SampleNoise, digits: Digits | None) -> list[int]:
    return np.flatnonzero(held_cycles(rows, usual_repeats(rows, RIG, noise, digits))).tolist()


def repeats(*places: int, of: int = 25, usual: int = 0, count: int = 200) -> np.ndarray:
    values = np.full(count, usual, np.int32)
    values[list(places)] = of
    return values


@pytest.mark.parametrize("name", ["load_repeats", "motion_repeats"])
@pytest.mark.parametrize("of", [6, 25])
def test_a_cycle_with_a_long_run_is_found_in_either_channel(name: str, of: int) -> None:
    assert found(cycles(**{name: repeats(17, of=of)}), *FINE) == [17]
    assert found(cycles(**{name: repeats(17, of=of)}), SampleNoise(None, None, 0), None) == [17]
    assert found(cycles(), *FINE) == []


def test_where_noise_explains_the_usual_it_has_to_explain_each_of_many() -> None:
    many = list(range(0, 200, 3))
    assert found(cycles(load_repeats=repeats(*many)), *FINE) == many
    assert found(cycles(load_repeats=repeats(*many)), *COARSE) == []  # not known: a coarse channel may do that


def test_coarse_digits_slow_cycles_and_small_swings_have_longer_runs() -> None:
    usual = {"load_repeats": repeats(9, of=28, usual=14)}
    assert found(cycles(**usual), *COARSE) == [9]
    samples = np.full(200, 50)
    samples[9] = 80
    assert found(cycles(**usual, samples=samples), *COARSE) == []
    low = cycles().column("peak_load").to_numpy().copy()
    low[9] = 30.0
    assert found(cycles(**usual, peak_load=low), *COARSE) == []


def test_where_all_are_clipped_one_extreme_is_one_value_and_the_other_is_not() -> None:
    long, level = repeats(usual=15), np.full(200, 84.0)
    assert found(cycles(load_repeats=long, peak_load=level), *FINE) == list(range(200))
    assert found(cycles(load_repeats=long, valley_load=level - 80.0), *FINE) == list(range(200))
    assert found(cycles(load_repeats=long), *FINE) == []  # a dwell that is calmer than the rest
    both = cycles(load_repeats=long, peak_load=level, valley_load=level - 80.0)
    assert found(both, *FINE) == []  # no noise at all: a square wave of a program
    assert found(cycles(load_repeats=long, peak_load=level), *COARSE) == []


def test_a_rig_that_rests_is_not_stuck_and_one_that_is_stuck_under_load_is() -> None:
    complete = np.ones(200, bool)
    complete[[50, 60]] = False
    valley = cycles().column("valley_load").to_numpy().copy()
    valley[60] = 55.0
    rows = cycles(complete=complete, valley_load=valley, load_repeats=repeats(50, 60, of=150))
    assert found(rows, *FINE) == [60]
    assert found(rows, *COARSE) == []


def test_cycles_that_are_not_measured_are_not_usual_and_old_tables_say_nothing() -> None:
    still = np.full(200, int(CycleFlag.STOOD_STILL), np.uint16)
    assert usual_repeats(cycles(flags=still), RIG, *FINE) == {}
    rows = cycles(load_repeats=pa.nulls(200, pa.int32()), motion_repeats=pa.nulls(200, pa.int32()))
    assert found(rows, *FINE) == []
    assert not held_cycles(cycles(load_repeats=repeats(3)), {}).any()
    assert asdict(FINE[1])["settled"]


def test_machine_stiffness_leaves_noise_of_the_motion_unknown() -> None:
    soft = rig({}, {"machine_stiffness": "90 N/mm"})
    usual = usual_repeats(cycles(), soft, *FINE)
    assert usual["motion"].chance is None
    assert usual["load"].chance == pytest.approx(4.2, abs=0.1)


def test_the_remark_says_how_many_and_which_first() -> None:
    rows = cycles(load_repeats=repeats(17, 40))
    (remark,) = held_remarks(BLOCK, [(0, rows)], usual_repeats(rows, RIG, *FINE))
    assert remark.text.startswith("2 cycle(s) stuck in a part, the first at cycle 18: load or motion repeats one value")
