"""Proof and locking blocks: what a plan may ask, and what contradicts itself or the rig."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchpipe.blocks.locking.plan import LockingBlock
from benchpipe.blocks.proof.plan import ProofBlock
from benchpipe.errors import ConfigError
from benchpipe.run import load_run
from tests.config.written import RIG, write_lab

PROOF = """
[[block]]
name = "strength"
kind = "proof"
load = "110 N*m"
settling_load = "5 N*m"
loading_rate = ["300 N*m/min", "20 N*m/s"]
"""
LOCK = """
[[block]]
name = "lock"
kind = "locking"
carry_load = "2 N*m"
still = "0.1 deg"
locked_stiffness = "16 N*m/deg"
"""
MODE = ('[[channel]]\nname = "temperature"', '[[channel]]\nname = "mode"\ncolumn = "M"\nunit = "1"\n\n'
        '[[channel]]\nname = "temperature"')  # fmt: skip


def plan_with(folder: Path, block: str, *, mode: bool = True) -> Path:
    """The small lab with one more block, and a mode channel."""
    plan = write_lab(folder)
    plan.write_text(plan.read_text() + block)
    if mode:
        text = RIG.replace(*MODE).replace(
            'temperature = "temperature"\n', 'temperature = "temperature"\nmode = "mode"\n'
        )
        (folder / "rig.toml").write_text(text)
    return plan


def test_both_blocks_load_with_units(tmp_path: Path) -> None:
    *_, proof, lock = load_run(plan_with(tmp_path, PROOF + LOCK)).plan.block
    assert isinstance(proof, ProofBlock)
    assert isinstance(lock, LockingBlock)
    assert proof.loading_rate is not None
    assert [q.value for q in proof.loading_rate] == pytest.approx([5.0, 20.0])
    assert proof.band == pytest.approx(1.1)


@pytest.mark.parametrize(
    ("block", "old", "new", "told"),
    [
        (PROOF, '"5 N*m"', '"5 N"', "load is a torque, settling_load a force"),
        (PROOF, '"5 N*m"', '"-5 N*m"', "must go the same way"),
        (PROOF, '"5 N*m"', '"90 N*m"', "well below attempt_from"),
        (PROOF, '"20 N*m/s"', '"2 N*m/s"', "the first value must be below the second"),
        (PROOF, '["300 N*m/min", "20 N*m/s"]', '["1 N/s", "2 N/s"]', "loading_rate is a force rate"),
        (PROOF, '"20 N*m/s"', '"20 N*m"', "is a torque"),
        (PROOF, "loading_rate", 'pause_min = "2 s"\npause_max = "1 s"\nloading_rate', "pause_min must not be above"),
        (LOCK, "carry_load", "mode = 1\ncarry_load", "looks at all modes"),
        (LOCK, "carry_load", "unlocked = 1\ncarry_load", "two values of the mode channel"),
        (LOCK, '"16 N*m/deg"', '"16 N/mm"', "locked_stiffness is a stiffness (linear)"),
        (LOCK, "carry_load", 'within = "0.1 s"\ncarry_load', "still_time must be shorter than within"),
        (LOCK, "carry_load", 'asked_channel = "torque"\ncarry_load', "is no channel of angle"),
        (LOCK, "carry_load", 'asked = "1 deg"\nasked_channel = "angle"\ncarry_load', "give asked or asked_channel"),
    ],
)
def test_a_contradiction_is_named(tmp_path: Path, block: str, old: str, new: str, told: str) -> None:
    assert old in block
    with pytest.raises(ConfigError) as caught:
        load_run(plan_with(tmp_path, block.replace(old, new, 1)))
    assert told in str(caught.value)


def test_lock_changes_need_a_mode_channel(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="names no mode channel"):
        load_run(plan_with(tmp_path, LOCK, mode=False))
