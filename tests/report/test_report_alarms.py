"""What is an alarm, and which are new since last night."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from benchpipe.store.manifest import Remark
from benchpipe.views.alarms import NEW_FOR, QUIET, alarms_of, dated, is_near
from benchpipe.views.model import Alarm, RunView
from benchpipe.views.run_view import failed_view

NOW = datetime(2026, 11, 25, 2, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)


def row(**changes: Any) -> dict[str, Any]:
    """A row of the verdicts table that passes clearly."""
    plain = {
        "limit": "stiffness", "limits_file": "drift", "block": "b", "measure": "secant_stiffness",
        "statistic": "change", "operator": ">=", "value": -0.25, "margin": 0.2, "expanded_u": 0.01,
        "verdict": "pass", "due": True, "remark": "",
    }  # fmt: skip
    return plain | changes


def view(rows: list[dict[str, Any]], *remarks: Remark) -> RunView:
    """A run with these limits and remarks."""
    return replace(failed_view(Path("one/plan.toml"), "x"), failed=None, limits=tuple(rows), remarks=remarks)


def remark(code: str, where: str = "b", text: str = "seen") -> Remark:
    return Remark(step="process", code=code, where=where, count=1, text=text)


@pytest.mark.parametrize(
    ("changes", "near"),
    [
        ({}, False),
        ({"margin": 0.0249}, True),
        ({"margin": 0.0251}, False),
        ({"margin": 0.03, "expanded_u": 0.04}, True),
        ({"margin": 0.03, "expanded_u": None}, False),
        ({"margin": None}, False),
        ({"margin": 0.01, "due": False}, False),
        ({"margin": -0.01, "verdict": "fail"}, False),
        ({"margin": 0.0, "statistic": "count", "value": 2e6}, False),
        ({"margin": 0.0, "measure": "hold_time", "value": 600.0}, False),
        ({"margin": 0.0, "value": 0.0, "expanded_u": 0.0}, False),
    ],
)  # fmt: skip
def test_near_is_within_the_uncertainty_or_a_tenth_of_the_limit(changes: dict[str, Any], near: bool) -> None:
    one = row(**changes)
    assert is_near(one, [one]) is near


def test_a_tenth_of_the_window_where_two_limits_bound_a_value() -> None:
    low = row(measure="peak_load", statistic="median", operator=">=", value=1218.0, margin=14.0, expanded_u=6.0)
    high = low | {"operator": "<=", "value": 1242.0, "margin": 10.0}
    assert is_near(high, [high])  # alone, 10 N are little of 1242 N
    assert not is_near(high, [low, high])
    assert is_near(high | {"margin": 2.3, "expanded_u": 0.1}, [low, high])
    assert not is_near(high | {"margin": 2.5, "expanded_u": 0.1}, [low, high])


def test_limits_and_remarks_that_ask_for_a_look_are_alarms() -> None:
    rows = [
        row(), row(limit="a", verdict="fail", margin=-0.1), row(limit="b", verdict="inconclusive"),
        row(limit="c", verdict="not evaluated", remark="the baseline is zero"), row(limit="d", margin=0.001),
        row(limit="e", verdict="not evaluated", due=False),
    ]  # fmt: skip
    found = alarms_of(view(rows, remark("gap", "logs/1.csv", "3 gaps"), *map(remark, sorted(QUIET))))
    assert [(a.code, a.where) for a in found] == [
        ("limit-fail", "drift: a (b)"), ("limit-inconclusive", "drift: b (b)"),
        ("limit-not-evaluated", "drift: c (b)"), ("limit-near", "drift: d (b)"), ("gap", "logs/1.csv"),
    ]  # fmt: skip
    assert [a.text for a in found] == [
        "limit 'a' (b) failed", "limit 'b' (b) is inconclusive", "limit 'c' (b) is not evaluated: the baseline is zero",
        "limit 'd' (b) is near", "logs/1.csv: 3 gaps",
    ]  # fmt: skip


def test_a_run_that_broke_is_one_alarm() -> None:
    assert alarms_of(failed_view(Path("one/plan.toml"), "the log is no log\n  where: here")) == (
        Alarm("one", "broken", "", "the log is no log"),
    )


def test_new_is_what_no_night_before_said_and_the_same_night_repeated_says_it_again() -> None:
    old, fresh = Alarm("one", "gap", "a", "2 gaps"), Alarm("one", "limit-fail", "l", "failed")
    first = dated([old], {}, NOW - 24 * HOUR)
    said = {a.identity: a.since for a in first if a.since}
    second = dated([replace(old, text="3 gaps"), fresh], said, NOW)
    assert [(a.code, a.new, a.since, a.text) for a in second] == [
        ("limit-fail", True, NOW, "failed"), ("gap", False, NOW - 24 * HOUR, "3 gaps"),
    ]  # fmt: skip
    said = {a.identity: a.since for a in second if a.since}
    assert dated([old, fresh], said, NOW + 6 * HOUR)[0].new  # the same morning, by hand
    assert not any(a.new for a in dated([old, fresh], said, NOW + NEW_FOR))
    assert not any(a.new for a in dated([old, fresh], said, NOW + 400 * 24 * HOUR))


def test_an_alarm_that_went_and_came_back_is_new_again() -> None:
    one = Alarm("one", "gap", "a", "gap")
    assert dated([one], {("one", "gap", "b"): NOW - 48 * HOUR}, NOW)[0].since == NOW


def test_a_clock_that_was_ahead_makes_an_alarm_new_once() -> None:
    one = Alarm("one", "gap", "a", "gap")
    (found,) = dated([one], {one.identity: NOW + 9000 * HOUR}, NOW)
    assert (found.since, found.new) == (NOW, True)


def test_one_alarm_of_each_identity() -> None:
    one = Alarm("one", "gap", "a", "gap")
    assert len(dated([one, replace(one, text="other"), replace(one, run="two")], {}, NOW)) == 2
