"""What config values become: inside units, differences, derived figures."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.config.limits import LimitsConfig
from benchpipe.config.model import Quantity, load_model
from benchpipe.config.rig import RigConfig
from benchpipe.config.toml import key_text
from benchpipe.plan import PlanConfig
from benchpipe.run import load_run
from tests.config.written import write_lab


def rig_with(folder: Path, old: str, new: str) -> RigConfig:
    """The small rig with one piece replaced."""
    write_lab(folder, rig=(old, new))
    return load_model(RigConfig, folder / "rig.toml")[0]


def test_values_are_in_inside_units(tmp_path: Path) -> None:
    plan, _ = load_model(PlanConfig, write_lab(tmp_path, plan=('"80 N*m"', '"0.08 kN*m"')))
    block = plan.block[0]
    assert isinstance(block, CyclicBlock)
    assert block.load_max == Quantity(80.0, "torque")
    assert (block.load_max.unit, block.frequency, block.tolerance) == ("N*m", 1.0, 0.05)


def test_whole_numbers_may_stand_where_plain_numbers_may(tmp_path: Path) -> None:
    assert rig_with(tmp_path, '"0.5 %"', '"0.5 %"\nscale = 2').channel[0].scale == 2.0


@pytest.mark.parametrize(("text", "expected"), [('"0.5 K"', 0.5), ('"0.5 degC"', 0.5), ('"0.9 degF"', 0.5)])
def test_an_uncertainty_of_a_temperature_is_a_difference(tmp_path: Path, text: str, expected: float) -> None:
    rig = rig_with(tmp_path, 'unit = "degC"', f'unit = "degC"\nuncertainty_floor = {text}')
    floor = rig.find("temperature").uncertainty_floor
    assert floor is not None
    assert floor.value == pytest.approx(expected)


def test_a_lever_arm_turns_force_into_torque(tmp_path: Path) -> None:
    spoilt = ('unit = "N*m"\nuncertainty = "0.5 %"\nuncertainty_floor = "0.1 N*m"', 'unit = "kN"')
    write_lab(tmp_path, rig=spoilt)
    text = (tmp_path / "rig.toml").read_text().replace('channel = "torque"', 'channel = "torque"\nlever_arm = "8 cm"')
    (tmp_path / "rig.toml").write_text(text)
    rig = load_run(tmp_path / "plan.toml").rig
    assert (rig.load.lever_arm, rig.load_quantity, rig.motion_quantity) == (80.0, "torque", "angle")


def test_verified_means_that_somebody_put_a_name(tmp_path: Path) -> None:
    write_lab(tmp_path, limits=('value = "0.1 deg"', 'value = "0.1 deg"\nverified_by = " "'))
    limits, _ = load_model(LimitsConfig, tmp_path / "limits.toml")
    assert [limit.verified for limit in limits.limit] == [False, False]
    named = limits.limit[0].model_copy(update={"verified_by": "Q. A., 2031-02-03"})
    assert named.verified


@given(st.floats(0.1, 100.0))
def test_a_cycle_that_lasts_three_is_a_stop(frequency: float) -> None:
    block = CyclicBlock(
        name="b", kind="cyclic", frequency=frequency,
        load_min=Quantity(0.0, "force"), load_max=Quantity(1.0, "force"),
    )  # fmt: skip
    assert block.longest_cycle_s * frequency == pytest.approx(3.0)
    assert block.trigger == "load"


def test_a_block_controlled_by_motion_is_cut_by_motion() -> None:
    block = CyclicBlock(
        name="b", kind="cyclic", frequency=1.0,
        motion_min=Quantity(0.0, "angle"), motion_max=Quantity(1.0, "angle"),
    )  # fmt: skip
    assert block.trigger == "motion"


def test_a_key_path_reads_as_a_person_writes_it() -> None:
    assert key_text(("block", 0, "report_at", 2)) == "block[0].report_at[2]"


def test_a_store_is_the_given_one_else_the_labs_else_beside_the_plan(tmp_path: Path) -> None:
    plan = write_lab(tmp_path)
    assert load_run(plan, tmp_path / "other").store == tmp_path / "other"
    assert load_run(plan).store == tmp_path / "store"
    (tmp_path / "lab.toml").write_text('name = "x"\nstore = "../elsewhere"\nplans = ["plan.toml"]\n')
    assert load_run(plan).store.resolve() == tmp_path.parent / "elsewhere"


def test_the_same_limit_may_serve_several_blocks_by_kind(tmp_path: Path) -> None:
    run = load_run(write_lab(tmp_path, limits=('block = "durability"', 'block = "cyclic"')))
    assert run.limits[0].config.limit[1].block == "cyclic"
