"""Remarks on cycles: counters and zeros, in sentences (invented cycles)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from benchpipe.blocks.cyclic import remarks
from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.cyclic.remarks import counted_cycles
from benchpipe.blocks.cyclic.running import CycleSums
from benchpipe.blocks.cyclic.sums import REMARK_COLUMNS, sums_then
from benchpipe.blocks.cyclic.tables import CycleFlag
from benchpipe.config.rig import RigConfig
from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.store.manifest import Remark
from tests.config.written import write_lab

RIG = RigConfig.model_validate({
    "name": "rig", "time": {"column": "t", "sample_rate": "100 Hz"}, "counter": "count",
    "channel": [
        {"name": "torque", "column": "T", "unit": "N*m"}, {"name": "angle", "column": "a", "unit": "deg"},
        {"name": "count", "column": "n", "unit": "1"},
    ],
    "load": {"channel": "torque"}, "motion": {"channel": "angle"},
})  # fmt: skip
BLOCK = CyclicBlock.model_validate(
    {"name": "main", "kind": "cyclic", "frequency": "1 Hz", "load_min": "5 N*m", "load_max": "80 N*m"}
)


def table(count: int = 100, **columns: np.ndarray) -> pa.Table:
    """Cycles of two segments at 1 Hz."""
    n = np.arange(count)
    own = {
        "flags": np.zeros(count, np.uint16), "start_us": n * 1_000_000, "segment": 1 + (n >= count // 2),
        "period_s": np.ones(count), "secant_stiffness": 5.0 + 0.01 * (n % 5),
        "complete": np.ones(count, bool), "samples": np.full(count, 100), "counter": n.astype(float),
        "peak_load": 80.0 + 0.1 * (n % 3), "valley_load": 5.0 + 0.1 * (n % 2),
        "motion_max": 12.0 + 0.01 * (n % 3), "motion_min": -3.0 + 0.01 * (n % 2),
        "uncrossed": np.zeros(count, np.int32),
        "load_repeats": np.zeros(count, np.int32), "motion_repeats": np.zeros(count, np.int32),
    }  # fmt: skip
    return pa.table(own | columns).select(REMARK_COLUMNS)


def cycle_remarks(block: CyclicBlock, rig: RigConfig, cycles: pa.Table) -> list[Remark]:
    """Remarks on all rows of a table, its counter with them."""
    sums = sums_then(CycleSums(), block, rig, cycles)
    counted = counted_cycles(block, rig, sums, (), None, cycles.select)
    return remarks.cycle_remarks(block, rig, sums, counted, cycles.select)


def test_nothing_odd_gives_no_remark() -> None:
    assert cycle_remarks(BLOCK, RIG, table()) == []


def test_a_block_without_cycles_says_nothing_of_the_counter() -> None:
    assert cycle_remarks(BLOCK, RIG, table(0)) == []


def test_the_count_says_between_what_it_was_taken() -> None:
    (remark,) = cycle_remarks(BLOCK, RIG, table(counter=np.concatenate([np.arange(4.0, 54), np.arange(50.0)])))
    assert remark.text.startswith("cycle count from the first to the last: rig counter ")


def test_a_flag_that_keeps_cycles_from_being_judged_says_from_which_on() -> None:
    complete = np.arange(100) > 0  # the open one before has no number
    flags = np.zeros(100, np.uint16)
    flags[[0, 6, 8]], flags[4] = CycleFlag.SATURATED, CycleFlag.OFF_TARGET
    flags[[10, 20]] = CycleFlag.STOOD_STILL
    told = {r.code: r.text.split(":")[0] for r in cycle_remarks(BLOCK, RIG, table(flags=flags, complete=complete))}
    assert told["saturated"] == "3 cycle(s) saturated, from cycle 6 on"
    assert told["stood-still"] == "2 cycle(s) stood still, from cycle 10 on"
    assert told["off-target"] == "1 cycle(s) off target"
    flags[[6, 8]] = 0
    told = {r.code: r.text.split(":")[0] for r in cycle_remarks(BLOCK, RIG, table(flags=flags, complete=complete))}
    assert told["saturated"] == "1 cycle(s) saturated"


def test_lost_ticks_are_told_as_unexplained() -> None:
    (remark,) = cycle_remarks(BLOCK, RIG, table(counter=np.floor(np.arange(100) * 0.95)))
    assert remark.code == "counter-unexplained"
    assert "unexplained, at" in remark.text
    assert "detected 99" in remark.text


def test_a_reset_is_told_and_explained() -> None:
    (remark,) = cycle_remarks(BLOCK, RIG, table(counter=np.concatenate([np.arange(50.0), np.arange(50.0)])))
    assert (remark.code, remark.text.endswith("1 reset(s)")) == ("counter", True)


def test_a_moved_zero_is_told_for_load_or_motion() -> None:
    moved = 2.0 * (np.arange(100) >= 50)
    shifted = table(motion_max=12.0 + moved, motion_min=-3.0 + moved)
    (remark,) = cycle_remarks(BLOCK, RIG, shifted)
    assert remark.code == "zero-shift"
    assert "the motion moved by 2 deg" in remark.text


def test_a_counter_without_values_is_told() -> None:
    (remark,) = cycle_remarks(BLOCK, RIG, table(counter=np.full(100, np.nan)))
    assert remark.text == "the rig's counter has no values"


@pytest.mark.parametrize(
    ("negative", "known", "told"),
    [
        (100, 100, True),
        (96, 100, True),
        (94, 100, False),
        (0, 100, False),
        (10, 10, True),
        (9, 9, False),
        (0, 0, False),
    ],
)
def test_a_load_that_falls_where_the_motion_rises_is_told(negative: int, known: int, told: bool) -> None:
    stiffness = np.full(100, 5.0)
    stiffness[:negative] *= -1.0
    stiffness[known:] = np.nan
    found = cycle_remarks(BLOCK, RIG, table(secant_stiffness=stiffness))
    assert [r.code for r in found] == (["sign-reversed"] if told else [])
    if told:
        assert found[0].text == (
            f"the stiffness is negative in {negative} of {known} cycles: the load falls where the motion rises. Is a "
            "channel reversed? In the rig file [load] has the channel 'torque' with sign = 1, [motion] has the channel "
            "'angle' with sign = 1: turn the sign of the one that is"
        )


@pytest.mark.parametrize("axis", ["load", "motion"])
def test_a_sign_of_the_rig_file_that_is_wrong_is_told_of_real_samples(tmp_path: Path, axis: str) -> None:
    plan = written_lab(tmp_path)
    rig = tmp_path / "rig.toml"
    assert "sign-reversed" not in codes(plan)
    rig.write_text(rig.read_text().replace(f"[{axis}]", f"[{axis}]\nsign = -1"))
    if axis == "load":  # its targets turn too
        text = plan.read_text().replace('load_min = "5 N*m"', 'load_min = "-80 N*m"')
        plan.write_text(text.replace('load_max = "80 N*m"', 'load_max = "-5 N*m"'))
    assert "sign-reversed" in codes(plan)


def codes(plan: Path) -> set[str]:
    """Kinds of remarks that the process step leaves of a run."""
    return {r.code for r in work(load_run(plan), until="process").manifest.steps["process"].remarks}


def written_lab(folder: Path) -> Path:
    """A run of 30 cycles at 1 Hz, 50 samples each."""
    plan = write_lab(folder)
    t = np.arange(1500) / 50.0
    torque = 42.5 - 37.5 * np.cos(2 * np.pi * t)
    rows = [f"{a:.3f},{b:.4f},{c:.4f},23.0" for a, b, c in zip(t, torque, torque / 20, strict=True)]
    (folder / "logs").mkdir()
    (folder / "logs" / "a.csv").write_text("\n".join(["t,T,A,C", *rows]) + "\n", encoding="utf-8")
    return plan


def test_a_channel_that_stands_still_at_other_values_on_both_sides_of_a_restart_is_reported() -> None:
    level = np.where(np.arange(100) < 50, 1.5, 2.5)
    found = cycle_remarks(BLOCK, RIG, table(motion_max=level, motion_min=level))
    (moved,) = (r.text for r in found if r.code == "zero-shift")
    assert moved == (
        "at the restart before segment 2 the motion moved by 1 deg, and stands still on both sides: "
        "is its sensor connected?"
    )
