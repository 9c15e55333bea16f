"""What of sweeps is judged: whole ones, what is left of others, and the fit over all of them (invented figures)."""

from __future__ import annotations

from math import inf
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from benchpipe.blocks.values import Values
from benchpipe.check.measures import our_measures
from tests.blocks.asked import reasons, values
from tests.check.judged import rows

FREE = SimpleNamespace(name="free")
RESISTANCE = {
    "resistance_forward": 1.0, "resistance_forward_u": 0.01, "resistance_back": 2.0, "resistance_back_u": 0.02,
}  # fmt: skip


def sweeps(count: int, **columns: Any) -> list[dict[str, Any]]:
    """Whole sweeps, five seconds each."""
    plain = {"block": "free", "sweep": list(range(1, count + 1)), "samples": 1000, "remark": "too narrow",
             "start_us": [5_000_000 * i for i in range(1, count + 1)]}  # fmt: skip
    return rows("sweeps", count, **(plain | RESISTANCE | columns))


def left(after: int, *, broken_off: bool = True, **columns: Any) -> dict[str, Any]:
    """What began after a sweep and did not come back; ``broken_off``: by a gap."""
    plain = {"block": "free", "after_sweep": after, "samples": 300, "broken_off": broken_off}
    return rows("incomplete_sweeps", 1, **(plain | columns))[0]


def judged(measure: str, whole: list[dict[str, Any]], *rest: dict[str, Any]) -> Values:
    return values(measure, FREE, sweeps=whole, incomplete_sweeps=list(rest))


def test_a_sweep_has_its_own_figure_and_uncertainty() -> None:
    found = judged("range_of_motion", sweeps(2, range_of_motion=[24.0, None], range_of_motion_u=[0.1, None]))
    np.testing.assert_equal(found.value, [24.0, np.nan])
    np.testing.assert_equal(found.u, [0.1, np.nan])
    assert (found.names, found.number.tolist(), found.of) == (("sweep 1", "sweep 2"), [1.0, 2.0], 2)
    assert (found.why, found.between_us) == ("too narrow", (5_000_000, 10_000_000))
    for name in ("range_of_motion", "lower_stop", "upper_stop", "usable_range"):
        assert (our_measures()[name].columns, our_measures()[name].u_column) == ((name,), f"{name}_u")


def test_travel_lies_between_the_ends_of_a_sweep() -> None:
    found = judged("travel", sweeps(2, motion_max=[14.0, 15.0], motion_min=[-11.0, -13.0]))
    assert (found.value.tolist(), found.names) == ([25.0, 28.0], ("sweep 1", "sweep 2"))
    assert np.isnan(found.u).all()
    assert judged("travel", sweeps(1, motion_max=14.0), left(1)).names == ("sweep 1", "after sweep 1")


def test_of_two_ways_the_larger_resistance_counts_with_the_larger_uncertainty() -> None:
    turned = {"resistance_forward": [1.0, 3.0, None], "resistance_forward_u": [0.05, 0.01, None]}
    found = judged("free_resistance", sweeps(3, **turned))
    np.testing.assert_equal(found.value, [2.0, 3.0, np.nan])
    np.testing.assert_equal(found.u, [0.05, 0.02, np.nan])
    assert (found.names, found.why) == (("sweep 1", "sweep 2", "sweep 3"), "too narrow")


def test_what_a_gap_broke_off_is_a_bound_of_the_resistance_and_counts_as_one_more() -> None:
    rest = left(2, resistance_forward=0.5, resistance_forward_u=0.03)
    found = judged("free_resistance", sweeps(2), rest)
    assert (found.value.tolist(), found.u.tolist()) == ([2.0, 2.0, 0.5], [0.02, 0.02, 0.03])
    assert (found.names, found.number.tolist()) == (("sweep 1", "sweep 2", "after sweep 2"), [1.0, 2.0, 2.0])
    assert (found.of, reasons(found)) == (3, ["", "", "gap"])
    assert (found.complete.tolist(), found.whole.tolist()) == ([True, True, False], [True, True, False])
    assert (found.complete.dtype, found.whole.dtype) == (np.bool_, np.bool_)
    both_ways = judged("free_resistance", sweeps(1), left(1, **RESISTANCE))
    assert (both_ways.value.tolist(), both_ways.u.tolist()) == ([2.0, 2.0], [0.02, 0.02])


@pytest.mark.parametrize(("reached", "shown"), [(1.9, False), (2.0, False), (2.1, True)])
def test_what_a_stop_broke_off_counts_where_it_shows_more_than_all_others(reached: float, shown: bool) -> None:
    stopped = left(2, broken_off=False, resistance_back=reached, resistance_back_u=0.01)
    found = judged("free_resistance", sweeps(2), stopped)
    assert found.value.tolist() == [2.0, 2.0] + [reached] * shown
    assert (reasons(found)[2:], found.of) == (["incomplete"] * shown, 2 + shown)
    holes = {"resistance_forward": [None, 1.0], "resistance_back": [None, 2.0]}  # of a sweep that has no figure
    assert judged("free_resistance", sweeps(2, **holes), stopped).value.size == 2 + shown


def test_with_no_whole_sweep_what_a_stop_broke_off_is_all_there_is() -> None:
    stopped = left(0, broken_off=False, resistance_back=0.4, resistance_back_u=0.01)
    found = judged("free_resistance", [], stopped)
    assert (found.value.tolist(), found.names) == ([0.4], ("after sweep 0",))
    assert found.doubt == "no whole sweep was found in the logs of block 'free'"


def test_other_figures_of_what_was_broken_off_are_not_there() -> None:
    whole = sweeps(2, range_of_motion=24.0, range_of_motion_u=0.1)
    found = judged("range_of_motion", whole, left(1), left(2, broken_off=False))
    np.testing.assert_equal(found.value, [24.0, 24.0, np.nan])
    assert np.isnan(found.u[2])
    assert (found.names[2], reasons(found)[2], found.of) == ("after sweep 1", "gap", 3)


def test_a_sweep_with_a_gap_is_among_the_sweeps_and_counts_once() -> None:
    holes = sweeps(2, range_of_motion=[24.0, None], range_of_motion_u=[0.1, None])
    found = judged("range_of_motion", holes, left(2))
    assert found.names == ("sweep 1", "sweep 2")
    assert judged("range_of_motion", holes, left(1)).names == ("sweep 1", "sweep 2", "after sweep 1")
    # its resistance counts all the same: it is a bound, whatever is among the sweeps
    hole = sweeps(1, resistance_forward=None, resistance_back=None)
    assert judged("free_resistance", hole, left(1, **RESISTANCE)).names == ("sweep 1", "after sweep 1")


@pytest.mark.parametrize(
    ("lost", "broken_off", "measure", "reason"),
    [
        (15, False, "range_of_motion", ""),  # of 300 rows: few, in a sweep that has no figure anyway
        (16, False, "range_of_motion", "lost_rows"),
        (16, True, "range_of_motion", "gap"),
        (1, False, "free_resistance", "lost_rows"),  # one row may hold the largest
        (0, False, "free_resistance", ""),
    ],
)
def test_rows_lost_in_what_a_stop_broke_off(lost: int, broken_off: bool, measure: str, reason: str) -> None:
    whole = sweeps(1, range_of_motion=24.0, range_of_motion_u=0.1)
    found = judged(measure, whole, left(1, broken_off=broken_off, samples=300 - lost, lost_rows=lost))
    assert reasons(found)[1:] == [reason] * bool(reason)
    assert found.lost_share[1:].tolist() == [lost / 300] * bool(reason)


def test_fits_over_all_sweeps_are_one_value_a_direction() -> None:
    many = {"block": "free", "sweep": [1, None, None], "direction": ["forward", "forward", "back"], "remark": "no law"}
    fits = rows("resistance", 3, **many, coulomb=[9.0, 1.0, None], coulomb_u=[0.5, 0.01, None])
    whole = sweeps(3, lost_rows=[0, 500, 2])
    found = values("coulomb", FREE, sweeps=whole, resistance=fits)
    np.testing.assert_equal(found.value, [1.0, np.nan])
    np.testing.assert_equal(found.u, [0.01, np.nan])
    assert (found.names, found.number.tolist(), found.of) == (("forward", "back"), [3.0, 3.0], 2)
    assert (found.why, found.between_us, found.dof.tolist()) == ("no law", (5_000_000, 15_000_000), [inf, inf])
    assert (reasons(found), found.lost_share.tolist()) == (["lost_rows"] * 2, [500 / 1500] * 2)


def test_without_a_sweep_it_is_said_which_block_has_none() -> None:
    for name in ("travel", "range_of_motion", "free_resistance", "coulomb"):
        found = judged(name, [])
        assert (found.value.size, found.due, found.why) == (0, True, "no sweep was found in the logs of block 'free'")
        waiting = values(name, FREE, waits="'a' before it is at 3 of 9 cycles")
        assert (waiting.due, waiting.why) == (False, "no sweep yet, 'a' before it is at 3 of 9 cycles")


def test_a_figure_hangs_on_the_keys_of_the_plan_that_decide_it() -> None:
    found = {name: one.hangs_on for name, one in our_measures().items() if one.kind == "sweep"}
    resistance, stops = ("resistance_between", "stops_beyond"), ("stops_beyond",)
    assert found == {
        "range_of_motion": stops, "lower_stop": stops, "upper_stop": stops, "usable_range": ("usable_load",),
        "travel": (), "free_backlash": (), "free_resistance": resistance, "asymmetry": resistance,
        "breakaway": resistance, "coulomb": resistance, "laminar": resistance, "orifice": resistance,
    }  # fmt: skip


def test_a_part_of_the_resistance_is_none_of_a_single_sweep() -> None:
    for name in ("breakaway", "coulomb", "laminar", "orifice"):
        measure = our_measures()[name]
        assert (measure.table, measure.every_event, measure.unit) == ("resistance", False, "load")
        assert (measure.columns, measure.u_column) == ((name,), f"{name}_u")
