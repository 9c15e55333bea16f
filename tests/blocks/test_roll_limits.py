"""What of rolls is judged: means with their scatter, single passes, the ratio of two blocks (invented figures)."""

from __future__ import annotations

from math import inf, isnan, sqrt
from typing import Any

import numpy as np
import pytest

from benchpipe.blocks.roll import limits
from benchpipe.blocks.roll.limits import compared
from benchpipe.blocks.roll.plan import RollBlock
from benchpipe.blocks.values import Through, Values
from benchpipe.check.measures import our_measures
from benchpipe.kernels.rocker_passes import RatioInterval
from tests.blocks.asked import Tables, reasons, values
from tests.check.judged import rows

BLOCK = RollBlock(
    name="locked", kind="roll", axes="ankle-foot", cop="cop", force="force", tilt="tilt",
    ankle=(("ankle_x", "ankle_y"),), window="force", compare_with="free",
)  # fmt: skip
PASS = {
    "samples": 1000, "tilt_low_deg": -5.0, "tilt_high_deg": 15.0, "force_mean_n": 700.0, "arc_length_mm": 160.0,
    "slope_mm": 300.0, "slope_mm_u": 3.0, "slope_dof": 30.0, "curvature_per_m_u": 0.2, "curvature_dof": 20.0,
    "stiffness": 4.0, "stiffness_u": 0.1, "stiffness_dof": 40.0, "by_cop": 2.0, "by_ankle": 1.0, "by_tilt": -4.0,
    "foot_length_ratio": 0.8,
}  # fmt: skip


def passes(*curvature: float | None, block: str = "locked", **columns: Any) -> list[dict[str, Any]]:
    """Passes forward with these curvatures, each begun a second after the one before."""
    count = len(curvature)
    plain = {"block": block, "direction": "forward", "roll": list(range(1, count + 1)),
             "start_us": [5_000_000 + 1_000_000 * i for i in range(count)], "remark": "too short"}  # fmt: skip
    return rows("rolls", count, **(PASS | plain | {"curvature_per_m": list(curvature)} | columns))


def curved(*curvature: float | None, statistic: str = "mean", block: Any = BLOCK, **columns: Any) -> Values:
    return values("rocker_curvature", block, statistic=statistic, rolls=passes(*curvature, **columns))


def test_a_mean_is_one_value_with_the_scatter_of_its_passes() -> None:
    found = curved(3.0, 4.0, 5.0)
    assert (found.value.tolist(), found.number.tolist(), found.of) == ([4.0], [3.0], 1)
    assert found.u.tolist() == pytest.approx([1.0 / sqrt(3.0)])
    assert (found.dof.tolist(), found.names, found.doubt) == ([2.0], ("mean of 3 passes",), "")
    assert (found.between_us, found.measured, found.due) == ((5_000_000, 7_000_000), 1.0, True)
    alone = curved(3.0)
    assert (alone.value.tolist(), alone.dof.tolist()) == ([3.0], [inf])
    assert isnan(alone.u[0])
    assert alone.doubt == "one pass: the scatter between passes is not known"
    assert curved(3.0, 5.0).doubt == ""


def test_a_mean_is_as_spoiled_as_the_worst_of_its_passes() -> None:
    found = curved(3.0, 4.0, 5.0, None, lost_rows=[1, 9, 0, 500])
    assert (reasons(found), found.lost_share.tolist()) == (["lost_rows"], [9 / 1009])
    assert reasons(curved(3.0, 4.0)) == [""]


@pytest.mark.parametrize(
    ("curvature", "planned", "measured"),
    [((3.0, 4.0, 5.0, None), 3, 1.0), ((3.0, 4.0, None, None), 3, 0.5), ((3.0, 4.0), 3, 1.0), ((3.0, None), 1, 1.0)],
)
def test_a_mean_is_measured_where_the_plan_has_its_passes(
    curvature: tuple[float | None, ...], planned: int, measured: float
) -> None:
    assert curved(*curvature, block=BLOCK.model_copy(update={"planned_passes": planned})).measured == measured


def test_an_extreme_is_of_single_passes_each_with_the_uncertainty_of_its_fit() -> None:
    found = curved(3.0, None, 5.0, statistic="max", lost_rows=[0, 9, 0])
    np.testing.assert_equal(found.value, [3.0, np.nan, 5.0])
    assert (found.names, found.of, found.number.tolist()) == (("pass 1", "pass 2", "pass 3"), 3, [1.0, 2.0, 3.0])
    assert (found.u.tolist(), found.dof.tolist()) == ([0.2] * 3, [20.0] * 3)
    assert (reasons(found), found.lost_share[1]) == (["", "lost_rows", ""], 9 / 1009)
    assert (found.between_us, found.why) == ((5_000_000, 7_000_000), "too short")
    arc = values("rocker_arc", BLOCK, statistic="min", rolls=passes(3.0, 4.0))
    assert np.isnan(arc.u).all()  # no fit gives it an uncertainty of its own
    assert arc.dof.tolist() == [inf, inf]


def test_only_passes_of_the_plans_direction_are_judged() -> None:
    ways = ["forward", "back", "back", "forward"]
    back = BLOCK.model_copy(update={"direction": "back"})
    assert curved(3.0, 8.0, 9.0, 4.0, direction=ways).value.tolist() == [3.5]
    assert curved(3.0, 8.0, 9.0, 4.0, direction=ways, block=back).value.tolist() == [8.5]
    each = curved(3.0, 8.0, 9.0, 4.0, direction=ways, block=back, statistic="max")
    assert (each.value.tolist(), each.names) == ([8.0, 9.0], ("pass 2", "pass 3"))


def test_without_a_pass_the_last_remark_says_why() -> None:
    found = curved(None, None, remark=["no force", "no tilt"])
    assert (found.value.size, found.due, found.why) == (0, True, "no tilt")
    found = curved(None, remark=None)
    assert (found.value.size, found.due, found.why) == (0, True, "no pass gives it (forward)")


def test_a_figure_follows_the_channels_that_it_is_measured_by() -> None:
    def through(measure: str, **columns: Any) -> tuple[Through, ...]:
        return values(measure, BLOCK, statistic="mean", rolls=passes(4.0, 4.0, **columns)).through

    cop, force, tilt = ("cop", 160.0), ("force", 700.0), ("tilt", 20.0)  # and the range of each
    assert through("rocker_curvature") == (
        Through("cop", 0.5, 160.0), Through("ankle_x", 0.25, 160.0), Through("ankle_y", 0.25, 160.0),
        Through("tilt", -1.0, 20.0),
    )  # fmt: skip
    assert through("rocker_curvature", by_cop=None, by_ankle=None) == (Through("tilt", -1.0, 20.0),)
    moment = 700.0 * 0.3 * np.pi / 180.0  # N*m a degree, of a force whose point moves 0.3 m a radian
    assert through("roll_stiffness") == (
        Through(force[0], 1.0, force[1]), Through(cop[0], pytest.approx(moment / 4.0), cop[1]),
        Through(tilt[0], -1.0, tilt[1]),
    )  # fmt: skip
    assert through("rolling_slope") == (Through("cop", 1.0, 160.0), Through("tilt", -1.0, 20.0))
    assert through("rocker_arc") == through("foot_length_ratio") == (Through("cop", 1.0, 160.0),)
    single = values("rocker_arc", BLOCK, statistic="max", rolls=passes(4.0, 4.0))
    assert single.through == (Through("cop", 1.0, 160.0),)


def test_channels_are_those_of_the_block() -> None:
    def channels(measure: str) -> tuple[str, ...]:
        names = our_measures()[measure].channels
        assert names is not None
        return names(BLOCK)

    assert channels("rocker_curvature") == channels("rocker_ratio") == ("cop", "ankle_x", "ankle_y", "tilt")
    assert channels("rolling_slope") == ("cop", "tilt")
    assert channels("rocker_arc") == channels("foot_length_ratio") == ("cop",)
    assert channels("roll_stiffness") == ("force", "cop", "tilt")


def test_a_measure_of_a_fit_names_its_columns() -> None:
    for name, column, dof in (
        ("rocker_curvature", "curvature_per_m", "curvature_dof"), ("rolling_slope", "slope_mm", "slope_dof"),
        ("roll_stiffness", "stiffness", "stiffness_dof"),
    ):  # fmt: skip
        measure = our_measures()[name]
        assert (measure.columns, measure.u_column, measure.dof_column) == ((column,), f"{column}_u", dof)
    assert (our_measures()["rocker_arc"].u_column, our_measures()["rocker_arc"].dof_column) == (None, None)


def ratio(
    own: tuple[float | None, ...], free: tuple[float | None, ...], statistic: str = "median", block: Any = BLOCK,
    **columns: Any,
) -> Values:  # fmt: skip
    both = passes(*own) + passes(*free, **({"block": "free"} | columns))
    return values("rocker_ratio", block, statistic=statistic, rolls=both)


def test_a_ratio_has_the_wider_half_of_its_interval() -> None:
    found = ratio((7.9, 8.0, 8.1), (3.8, 4.0, 4.2))
    tables = Tables(rolls=passes(7.9, 8.0, 8.1) + passes(3.8, 4.0, 4.2, block="free"))
    interval = compared(tables.block("rolls", "locked"), tables.block("rolls", "free"), "forward")
    assert found.value.tolist() == pytest.approx([2.0])
    wider = max(interval.high - interval.value, interval.value - interval.low)
    assert wider == interval.high - interval.value
    assert found.u.tolist() == pytest.approx([wider / 1.959964])
    turned = ratio((-8.1, -8.0, -7.9), (3.8, 4.0, 4.2))  # the wider half is below
    assert turned.u == pytest.approx(found.u, rel=1e-6)
    assert (found.names, found.of, found.dof.tolist(), found.doubt) == (("ratio",), 1, [inf], "")
    assert (found.measured, found.due, found.between_us) == (1.0, True, (5_000_000, 7_000_000))


def test_what_both_blocks_share_cancels_in_a_ratio() -> None:
    same = ratio((7.9, 8.0, 8.1), (7.9, 8.0, 8.1)).through
    assert [(one.channel, one.factor) for one in same] == [
        ("cop", 0.0), ("ankle_x", 0.0), ("ankle_y", 0.0), ("tilt", 0.0)
    ]  # fmt: skip
    found = ratio((7.9, 8.0, 8.1), (3.8, 4.0, 4.2)).through
    assert [one.factor for one in found] == pytest.approx([0.25 - 0.5, 0.125 - 0.25, 0.125 - 0.25, -0.5 + 1.0])
    assert [one.size for one in found] == [160.0, 160.0, 160.0, 20.0]
    no_ankle = ratio((7.9, 8.0, 8.1), (3.8, 4.0, 4.2), by_ankle=None).through
    assert [one.channel for one in no_ankle] == ["cop", "tilt"]


@pytest.mark.parametrize("statistic", ["median", "max", "min"])
@pytest.mark.parametrize(
    ("own", "free", "measured"),
    [((8.0, 8.1, 8.2, None), (4.0, 4.1, 4.2), 1.0), ((8.0, 8.1, None, None), (4.0, 4.1, 4.2), 0.5),
     ((8.0, 8.1, 8.2), (4.0, 4.1, None, None), 0.5), ((8.0, 8.1, None), (4.0, 4.1, None, None), 0.5)],
)  # fmt: skip
def test_passes_without_a_figure_may_hide_an_extreme_of_a_ratio(
    own: tuple[float | None, ...], free: tuple[float | None, ...], measured: float, statistic: str
) -> None:
    found = ratio(own, free, statistic)
    doubt = "passes without a figure may hide a ratio that breaks it"
    assert (found.measured, found.doubt) == (measured, doubt if statistic != "median" and measured < 1.0 else "")


def test_a_ratio_whose_interval_has_no_end_has_no_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "ratio_of", lambda *_: RatioInterval(2.0, 1.0, inf))
    found = ratio((8.0, 8.1), (4.0, 4.1))
    assert (found.value.size, found.due, found.why) == (0, True, "the ratio has no bound")


def test_a_ratio_that_is_not_known_says_why() -> None:
    def why(own: tuple[float | None, ...], free: tuple[float | None, ...], block: RollBlock = BLOCK) -> str:
        found = ratio(own, free, block=block)
        assert (found.value.size, found.due) == (0, True)
        return found.why

    three = (8.0, 8.1, 8.2)
    alone = BLOCK.model_copy(update={"compare_with": None})
    assert why(three, (4.0, 4.1), alone) == "block 'locked' has no compare_with"
    assert why(three, ()) == "the other block has no pass"
    assert why(three, (None, None)) == "one of the two was not measured"
    assert why(three, (4.0,)) == "fewer than two passes: the scatter between passes is not known"
    assert why(three, (-4.0, 4.0, 0.1)) == "the divisor is not separable from zero"
