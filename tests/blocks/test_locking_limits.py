"""What of lock changes is judged: each way by itself, and how many there are (invented figures)."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from benchpipe.blocks.values import Values
from benchpipe.check.measures import our_measures
from tests.blocks.asked import reasons, values
from tests.check.judged import rows

LOCK = SimpleNamespace(name="lock")
WAYS = ["locked", "unlocked", "locked", "unlocked"]


def changes(*to: str, **columns: Any) -> list[dict[str, Any]]:
    plain = {"block": "lock", "lock_change": list(range(1, len(to) + 1)), "to": list(to), "outcome": "held",
             "samples": 100, "slip": 0.2, "slip_u": 0.01, "lock_failed": 0, "unlock_failed": 1}  # fmt: skip
    return rows("lock_changes", len(to), **(plain | columns))


def judged(measure: str, made: list[dict[str, Any]], **how: Any) -> Values:
    return values(measure, LOCK, lock_changes=made, **how)


def test_locks_and_unlocks_are_judged_apart() -> None:
    times = {"time_to_hold_s": [0.1, None, 0.3, None], "time_to_hold_u_s": 0.01,
             "time_to_free_s": [None, 0.2, None, 0.4], "time_to_free_u_s": 0.02}  # fmt: skip
    made = changes(*WAYS, **times, lost_rows=[0, 0, 5, 0])
    hold, free = judged("time_to_hold", made), judged("time_to_free", made)
    assert (hold.value.tolist(), hold.u.tolist(), hold.number.tolist()) == ([0.1, 0.3], [0.01] * 2, [1.0, 3.0])
    assert (free.value.tolist(), free.u.tolist(), free.number.tolist()) == ([0.2, 0.4], [0.02] * 2, [2.0, 4.0])
    assert (hold.names, reasons(hold)) == (("lock change 1", "lock change 3"), ["", "lost_rows"])
    assert judged("lock_failures", made).value.tolist() == [0.0, 0.0]
    assert judged("unlock_failures", made).value.tolist() == [1.0, 1.0]


def test_a_change_in_which_the_log_ends_is_none_yet() -> None:
    ends = changes(*WAYS[:3], outcome=["held", "free", "cut short"])
    assert judged("slip", ends).number.tolist() == [1.0]
    in_between = changes(*WAYS[:3], outcome=["cut short", "free", "held"])
    assert judged("slip", in_between).number.tolist() == [1.0, 3.0]
    for found in (judged("slip", changes("locked", outcome="cut short")), judged("time_to_free", changes("locked"))):
        assert (found.value.size, found.due, found.why) == (0, False, "no such change yet")


@pytest.mark.parametrize(
    ("operator", "wanted", "due", "why"),
    [("<=", 9, True, ""), (">=", 4, True, ""), (">=", 3, True, ""), (">=", 1_005, False, "4 of 1,005 changes so far")],
)
def test_changes_are_counted_and_due_when_there_are_enough(operator: str, wanted: int, due: bool, why: str) -> None:
    found = judged("lock_changes", changes(*WAYS), operator=operator, value=f"{wanted} times", statistic="count")
    assert (found.value.tolist(), found.number.tolist(), found.u.tolist(), found.of) == ([4.0], [4.0], [0.0], 4)
    assert (found.due, found.why) == (due, why)


def test_a_time_is_measured_as_it_is_and_a_motion_by_its_size() -> None:
    for name, column, u, absolute in (
        ("time_to_hold", "time_to_hold_s", "time_to_hold_u_s", False),
        ("time_to_free", "time_to_free_s", "time_to_free_u_s", False),
        ("slip", "slip", "slip_u", True), ("lock_error", "lock_error", "lock_error_u", True),
    ):  # fmt: skip
        measure = our_measures()[name]
        assert (measure.columns, measure.u_column, measure.absolute) == ((column,), u, absolute)
        assert (measure.sampling, measure.load_power, measure.statistics) == ("", 0, our_measures()["creep"].statistics)
