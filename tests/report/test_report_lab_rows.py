"""The row of a run in the table of a lab."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.check.decision import Verdict
from benchpipe.views.alarms import RIG_SLOW, RIG_STOPPED
from benchpipe.views.lab_rows import lab_row, short
from benchpipe.views.model import Alarm, RunView
from benchpipe.views.pace import DAY_US, Pace
from benchpipe.views.run_view import failed_view


def view(**changes: Any) -> RunView:
    """A run that goes on, 10 days into 1970."""
    plain: dict[str, Any] = {"failed": None, "judged": True, "running": True, "last_us": 10 * DAY_US, "dated": True}
    plain["watched"] = True
    return replace(failed_view(Path("one/plan.toml"), "x"), **(plain | changes))


def limit(verdict: str, margin: float = 1.0, *, due: bool = True) -> dict[str, Any]:
    return {
        "verdict": verdict, "due": due, "margin": margin, "value": 1.0, "expanded_u": 0.0, "operator": "<=",
        "block": "b", "measure": "energy_j", "statistic": "median",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("count", "text"),
    [
        (None, "-"), (0, "0"), (9_999, "9,999"), (10_000, "10k"), (12_345, "12.34k"), (123_456, "123.4k"),
        (999_999, "999.9k"), (1_000_000, "1M"), (1_999_999, "1.999M"), (2_000_000, "2M"), (123_456_789, "123.4M"),
    ],
)  # fmt: skip
def test_counts_are_short(count: int | None, text: str) -> None:
    assert short(count) == text


@given(st.integers(0, 10**9), st.integers(0, 10**9))
def test_what_is_not_reached_never_looks_like_more(done: int, planned: int) -> None:
    def value(text: str) -> float:
        return float(text.replace(",", "").rstrip("kM")) * {"k": 1e3, "M": 1e6}.get(text[-1], 1)

    assert len(short(done)) <= 6
    assert value(short(done)) <= done * (1 + 1e-12)
    assert done > planned or value(short(done)) <= value(short(planned))


def test_cells_of_a_run() -> None:
    row = lab_row(view(pace=Pace(1_487, 2_000_000, 86_399.7, 33 * DAY_US)))
    assert (row.cycles, row.per_day, row.end, row.rig, row.new) == ("1,487/2M", "86.4k", "1970-02-03", "runs", "-")
    elapsed = view(pace=Pace(5, 9, 1.0, 33 * DAY_US), dated=False)
    assert lab_row(elapsed).end == "in 23 d"
    assert lab_row(replace(elapsed, pace=Pace(5, 9, 9.0, 11 * DAY_US))).end == "in 24.0 h"
    assert lab_row(replace(elapsed, pace=Pace(5, 9, 1e-9, 10**9 * DAY_US))).end == "never"
    assert lab_row(view()).cycles == "-"


@pytest.mark.parametrize(
    ("code", "word"), [(RIG_STOPPED, "stopped"), (RIG_SLOW, "slow"), ("clock", "unknown"), ("gap", "runs")]
)
def test_the_rig_is_what_its_alarms_say(code: str, word: str) -> None:
    row = lab_row(view(alarms=(Alarm("one", code, "b", "x"), Alarm("one", "y", "b", "x", None, False))))
    assert (row.rig, row.new) == (word, "1")
    assert lab_row(view(running=False)).rig == "ended"


def test_a_rig_that_nobody_looked_at_is_not_said_to_run() -> None:
    assert lab_row(view(watched=False)).rig == "unwatched"
    assert lab_row(view(watched=False, running=False)).rig == "ended"  # by the plan, not by the rig


@pytest.mark.parametrize(
    ("rows", "text"),
    [
        ([limit("fail", -1.0), limit("pass"), limit("fail", -1.0)], "2 failed"),
        ([limit("fail", -1.0), limit("pass", 0.05)], "1 failed, 1 near"),
        ([limit("inconclusive"), limit("not evaluated")], "1 inconclusive"),
        ([limit("not evaluated"), limit("pass")], "1 not evaluated"),
        ([limit("pass"), limit("not evaluated", due=False)], "pass"),
        ([limit("pass", 0.05)], "1 near"), ([limit("not evaluated", due=False)], "none due"), ([], "none set"),
    ],
)  # fmt: skip
def test_limits_say_the_worst_and_how_many_are_near(rows: list[dict[str, Any]], text: str) -> None:
    due = [Verdict(r["verdict"]) for r in rows if r["due"]]
    order = list(Verdict)
    worst = min(due, key=order.index, default=Verdict.NOT_EVALUATED)
    assert lab_row(view(limits=tuple(rows), verdict=worst)).limits == text


def test_a_run_that_broke() -> None:
    row = lab_row(failed_view(Path("one/plan.toml"), "why"))
    assert (row.limits, row.rig, row.cycles) == ("broken", "-", "-")
    assert lab_row(view(judged=False)).limits == "not judged"
