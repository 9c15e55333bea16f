"""What limits say of a proof whose load was lost, where nothing tells why (made-up tables)."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.check.judged import SURE_RIG, judge, limit, rows, run_with

LIMITS = {
    "carried_load": limit("carried_load", "90 N*m", operator=">=", block="proof", statistic="min"),
    "sudden_drops": limit("sudden_drops", "0 times", block="proof", statistic="count"),
    "permanent_set": limit("permanent_set", "1 deg", block="proof", statistic="max"),
    "proof_hold_time": limit("proof_hold_time", "29 s", operator=">=", block="proof", statistic="min"),
}
WHY = "the load fell from 110 to 55 and stayed down until the log ends"


@pytest.mark.parametrize("complete", [False, True])
def test_a_proof_that_lost_its_load_is_inconclusive_and_due(tmp_path: Path, complete: bool) -> None:
    run = run_with(tmp_path / "run", *LIMITS.values(), rig=SURE_RIG)
    proof = rows("proofs", 1, block="strength", proof=1, complete=complete, outcome="inconclusive", samples=1000,
                 remark=WHY, hold_time_s=10.0)  # fmt: skip
    found = {row["limit"]: row for row in judge(run, proofs=proof)}
    assert {name: row["verdict"] for name, row in found.items()} == {
        "carried_load": "inconclusive", "sudden_drops": "inconclusive", "permanent_set": "inconclusive",
        "proof_hold_time": "fail",
    }  # fmt: skip
    assert all(row["due"] for row in found.values())
    assert found["carried_load"]["remark"] == WHY


def test_a_proof_in_which_the_log_ends_is_not_due(tmp_path: Path) -> None:
    run = run_with(tmp_path / "run", *LIMITS.values(), rig=SURE_RIG)
    proof = rows("proofs", 1, block="strength", proof=1, complete=False, outcome="log ends", samples=1000)
    assert {(row["verdict"], row["due"]) for row in judge(run, proofs=proof)} == {("not evaluated", False)}
