"""A fail names every hold that lies beyond the limit, and the one that decided (invented tables)."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.check.judged import SURE_RIG, judge, limit, rows, run_with

SIMPLE = 'decision = "simple"'


def holds(*creep: float) -> list[dict[str, object]]:
    count = len(creep)
    return rows(
        "holds", count, block="held", hold=list(range(1, count + 1)), complete=True, duration_s=3600.0, samples=3600,
        kind="settling", creep_end=list(creep), creep_end_u=0.001, start_us=[k * 10**10 for k in range(count)],
    )  # fmt: skip


@pytest.mark.parametrize(
    ("statistic", "at"), [("max", "hold 4"), ("mean", "hold 2"), ("median", "hold 2"), ("last", "hold 5")]
)
def test_every_hold_beyond_the_limit_is_named(tmp_path: Path, statistic: str, at: str) -> None:
    one = limit("creep_end", "0.2 deg", block="held", statistic=statistic)
    run = run_with(tmp_path, one, rig=SURE_RIG, head=SIMPLE)
    (row,) = judge(run, holds=holds(0.1, 0.5, 0.1, 0.9, 0.8))
    assert row["verdict"] == "fail"
    assert row["at"] == at
    assert row["remark"].startswith("beyond it: hold 2, hold 4, hold 5")


def test_of_many_the_first_are_named(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("creep_end", "0.2 deg", block="held", statistic="max"), rig=SURE_RIG)
    (row,) = judge(run, holds=holds(*[0.5] * 11))
    assert row["remark"] == "beyond it: " + ", ".join(f"hold {k}" for k in range(1, 9)) + " and 3 more"


def test_a_pass_names_none(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("creep_end", "2 deg", block="held", statistic="mean"), rig=SURE_RIG, head=SIMPLE)
    (row,) = judge(run, holds=holds(0.1, 0.5))
    assert (row["verdict"], row["at"], "beyond" in row["remark"]) == ("pass", "", False)
