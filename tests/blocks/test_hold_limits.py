"""What of holds is judged: creep with its parts, leaks, how long a load was held (invented figures)."""

from __future__ import annotations

from math import sqrt
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from benchpipe.blocks.values import Values
from benchpipe.check.measures import our_measures
from tests.blocks.asked import RATE, reasons, values
from tests.check.judged import rows

HELD = SimpleNamespace(name="held")
OF_TWO_TIMES = sqrt(2.0 / 12.0) / RATE  # each edge lies anywhere in a step


def holds(count: int, **columns: Any) -> list[dict[str, Any]]:
    """Holds of half an hour, an hour apart."""
    plain = {"block": "held", "hold": list(range(1, count + 1)), "samples": 1000, "duration_s": 1800.0, "kind": "leak",
             "start_us": [3_600_000_000 * i for i in range(1, count + 1)], "remark": "no load"}  # fmt: skip
    return rows("holds", count, **(plain | columns))


def judged(measure: str, made: list[dict[str, Any]], **how: Any) -> Values:
    return values(measure, HELD, holds=made, **how)


def test_creep_has_its_own_uncertainty_and_what_is_in_it() -> None:
    made = holds(2, creep_end=[0.1, None], creep_end_u=[0.01, None], creep_step_u=[0.006, None], lost_rows=[0, 9],
                 creep_drift_u=[0.004, None])  # fmt: skip
    found = judged("creep_end", made)
    np.testing.assert_equal(found.value, [0.1, np.nan])
    np.testing.assert_equal(found.u, [0.01, np.nan])
    assert (found.names, found.of, found.why) == (("hold 1", "hold 2"), 2, "no load")
    (step, of_step), (drift, of_drift) = found.own_parts
    assert (step, drift) == ("resolution of the motion", "drift of the motion channel")
    np.testing.assert_equal([of_step, of_drift], [[0.006, np.nan], [0.004, np.nan]])
    assert (reasons(found), found.lost_share.tolist()) == (["", "lost_rows"], [0.0, 9 / 1009])
    assert found.between_us == (3_600_000_000, 7_200_000_000)


def test_figures_without_an_uncertainty_column_have_none() -> None:
    for name, column in (("creep_bound", "creep_bound"), ("load_taken_off", "load_taken_off")):
        found = judged(name, holds(1, **{column: 0.2}))
        assert (found.value.tolist(), np.isnan(found.u).all(), found.own_parts) == ([0.2], True, ())


def test_the_spread_of_laws_is_the_upper_less_the_lower() -> None:
    found = judged("law_spread", holds(2, creep_law_high=[0.5, 0.4], creep_law_low=[0.2, None]))
    assert found.value.tolist() == pytest.approx([0.3, np.nan], nan_ok=True)
    assert (np.isnan(found.u).all(), found.why) == (True, "no load")


def test_a_slope_of_the_rate_has_a_quarter_of_its_interval() -> None:
    made = holds(3, log_slope=[-0.5, -0.4, None], log_slope_low=[-0.9, None, None], log_slope_high=[0.1, 0.2, 0.3])
    found = judged("log_slope", made)
    np.testing.assert_equal(found.value, [-0.5, -0.4, np.nan])
    assert found.u.tolist() == pytest.approx([0.25, np.nan, np.nan], nan_ok=True)


def test_a_leak_that_is_not_told_from_settling_is_left_out_and_said_where_no_other_is_there() -> None:
    rate = {"leak_per_h": [0.02, 0.03, None], "leak_u_per_h": 0.001}
    found = judged("leak_per_h", holds(3, **rate, kind=["leak", "undecided", "leak"]))
    np.testing.assert_equal(found.value, [0.02, np.nan, np.nan])
    assert (found.u.tolist(), found.why, found.names[1]) == ([0.001] * 3, "no load", "hold 2")
    all_of_them = judged("leak_per_h", holds(3, **rate, kind="undecided"))
    assert np.isnan(all_of_them.value).all()
    assert all_of_them.why == "leak and settling cannot be separated"


def test_a_hold_is_as_long_as_two_times_tell() -> None:
    found = judged("hold_time", holds(2, duration_s=[1700.0, 1800.0], complete=[False, False]), value="1900 s")
    assert (found.value.tolist(), found.u.tolist()) == ([1700.0, 1800.0], [pytest.approx(OF_TWO_TIMES)] * 2)
    assert found.due


def test_a_hold_that_goes_on_is_no_hold_yet_and_one_that_broke_off_may_have_lasted() -> None:
    def asked(durations: list[float], complete: list[bool]) -> Values:
        made = holds(len(durations), duration_s=durations, complete=complete)
        return judged("hold_time", made, value="1750 s", operator=">=")

    found = asked([1700.0, 1800.0, 300.0], [True, False, False])
    assert (found.value.tolist(), found.names) == ([1700.0, 1800.0], ("hold 1", "hold 2"))
    assert found.u.tolist() == [pytest.approx(OF_TWO_TIMES)] * 2
    found = asked([1700.0, 300.0, 1800.0], [False, True, True])
    np.testing.assert_equal(found.value, [np.nan, 300.0, 1800.0])
    assert found.why == "the log breaks off in it: how long the load was held is not known"
    alone = asked([1234.56], [False])
    assert (alone.value.size, alone.due, alone.of) == (0, False, 1)
    assert alone.why == "the hold has lasted 1235 of 1750 s"
    assert asked([1750.0], [False]).value.tolist() == [1750.0]


def test_creep_at_a_time_and_at_the_end_are_columns_of_their_own() -> None:
    for name, table, u in (
        ("creep", "creep_points", "creep_u"), ("creep_full", "creep_points", "creep_full_u"),
        ("creep_end", "holds", "creep_end_u"), ("rate_end_per_h", "holds", "rate_end_u_per_h"),
    ):  # fmt: skip
        assert (our_measures()[name].table, our_measures()[name].u_column) == (table, u)
