"""A block without targets has no cycles on or off target (invented values)."""

from __future__ import annotations

from pathlib import Path

from benchpipe.run import load_run
from tests.check.judged import cycles, judge, limit, run_with


def test_off_target_is_not_evaluated_where_the_plan_has_no_targets(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("off_target", "2 %", statistic="share"))
    (row,) = judge(run, cycles=cycles(10, flags=0))
    assert row["verdict"] == "pass"
    text = run.plan_path.read_text()
    run.plan_path.write_text(text.replace('load_min = "5 N*m"\nload_max = "80 N*m"\n', ""))
    (row,) = judge(load_run(run.plan_path), cycles=cycles(10, flags=0))
    assert (row["verdict"], row["due"]) == ("not evaluated", True)
    assert "no targets" in row["remark"]
