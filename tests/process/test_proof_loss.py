"""A load that is lost in a moment: a failure, or undecided, never a proof that only did not reach its load."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchpipe.config.rig import RigConfig
from benchpipe.samples.signals import Signals
from tests.process.test_proofs import BLOCK, RIG, K, only, path, proof_path, rows_of, signals

FALL = np.array([836.0, 500.0, 191.0, 4.0]) / 942.0  # of the load before, a quarter of a second apart


def at(rate_hz: float) -> RigConfig:
    """The rig, logging at another rate."""
    return RIG.model_copy(update={"time": RIG.time.model_copy(update={"sample_rate": rate_hz})})


def broken(
    returns: float, *, rate_hz: float = 4.0, top: float = 90.0, way: float = 1.0, motion_way: float = 1.0
) -> Signals:
    """A rise from 5 to ``top``, the load gone in a second, the motion back by a part of what loading took."""
    step = 1.0 / rate_hz
    rise_s = (top - 5.0) / 10.0
    t = np.arange(0.0, 9.0 + rise_s + 1.0 + 8.0, step)
    fall_t = 9.0 + rise_s + np.array([0.0, 0.25, 0.5, 0.75, 1.0])
    load = np.interp(t, [0.0, 1.0, 9.0, *fall_t, t[-1]], [5.0, 5.0, 5.0, top, *np.maximum(FALL * top, 5.0), 5.0])
    motion = load / K
    after = t > 9.0 + rise_s
    motion[after] = top / K - returns * (top / K - motion[after])
    return signals(t, load, motion_way * motion, noise=0.02, way=way)


@pytest.mark.parametrize("rate_hz", [4.0, 10.0, 50.0])
@pytest.mark.parametrize(("way", "motion_way"), [(1.0, 1.0), (1.0, -1.0)])
def test_a_load_that_falls_faster_than_the_motion_explains_is_a_failure(
    rate_hz: float, way: float, motion_way: float
) -> None:
    row = only(broken(0.6, rate_hz=rate_hz, way=way, motion_way=motion_way), rig=at(rate_hz))
    assert row["outcome"] == "failed"
    assert row["failure_load"] == pytest.approx(90.0, abs=3.0)
    assert row["carried_load"] == row["failure_load"]
    assert row["drop_size"] == pytest.approx(85.0, abs=3.0)
    assert row["sudden_drop"] == 1


@pytest.mark.parametrize("rate_hz", [4.0, 50.0])
def test_a_load_lost_while_the_motion_returns_whole_is_undecided(rate_hz: float) -> None:
    row = only(broken(1.0, rate_hz=rate_hz), rig=at(rate_hz))
    assert row["outcome"] == "inconclusive"
    assert "look alike" in row["remark"]
    assert row["sudden_drop"] is None
    assert np.isnan(row["carried_load"])
    assert np.isnan(row["failure_load"])


@settings(max_examples=25, deadline=None)
@given(returns=st.floats(-0.5, 2.0), rate_hz=st.sampled_from([2.0, 4.0, 20.0]), top=st.floats(75.0, 105.0))
def test_no_sudden_loss_is_a_load_that_was_not_reached(returns: float, rate_hz: float, top: float) -> None:
    rows = rows_of(broken(returns, rate_hz=rate_hz, top=top), rig=at(rate_hz))
    assert [r["outcome"] for r in rows] in (["failed"], ["inconclusive"])
    assert (rows[0]["outcome"] == "failed") or returns > 0.7


def test_a_motion_that_shows_nothing_leaves_a_loss_undecided() -> None:
    made = broken(1.0, rate_hz=20.0)
    still = signals(made.time_us * 1e-6, made.load, np.zeros(len(made)), noise=0.0)
    assert only(still, rig=at(20.0))["outcome"] == "inconclusive"


def test_unloading_at_a_planned_rate_is_still_not_reached() -> None:
    t, load = path(*proof_path(top=100.0))
    row = only(signals(t, load, load / K))
    assert (row["outcome"], row["sudden_drop"]) == ("not reached", 0)


@pytest.mark.parametrize("returns", [0.6, 1.0])
def test_a_quick_release_after_the_whole_hold_is_held(returns: float) -> None:
    corners = proof_path()[:-4]
    end = corners[-1][0]
    t, load = path(*corners, (end + 0.8, 5.0), (end + 9.0, 5.0), (end + 10.0, 0.0), (end + 12.0, 0.0))
    motion = np.where(t > end, 110.0 / K - returns * (110.0 - load) / K, load / K)
    row = only(signals(t, load, motion))
    assert (row["outcome"], row["sudden_drop"]) == ("held", 0)


def test_a_load_lost_inside_the_hold_is_no_hold_that_was_cut_short() -> None:
    corners = proof_path(hold_s=12.0)[:-4]
    end = corners[-1][0]
    t, load = path(*corners, (end + 0.8, 5.0), (end + 9.0, 5.0), (end + 10.0, 0.0), (end + 12.0, 0.0))
    for returns, outcome in ((0.6, "failed"), (1.0, "inconclusive")):
        motion = np.where(t > end, 110.0 / K - returns * (110.0 - load) / K, load / K)
        row = only(signals(t, load, motion))
        assert row["outcome"] == outcome, returns
        assert row["hold_time_s"] == pytest.approx(12.0, abs=0.5)
    assert BLOCK.hold_time > 12.0


def test_a_log_that_ends_in_the_fall_is_a_failure_only_if_the_motion_says_so() -> None:
    def cut(returns: float) -> str:
        made = broken(returns, rate_hz=20.0)
        return str(only(made.select(made.time_us < 18.4e6), rig=at(20.0))["outcome"])

    assert cut(0.3) == "failed"
    assert cut(1.0) == "log ends"


def stays_down(fall_s: float, returns: float, *, reached: bool, to: float = 0.5, after_s: float = 20.0) -> Signals:
    """A proof that loses a part of its load, in so many seconds, and stays there until the log ends."""
    top = 110.0 if reached else 90.0
    end = 9.0 + (top - 5.0) / 10.0 + (10.0 if reached else 0.0)
    corners = [(0.0, 5.0), (9.0, 5.0), (9.0 + (top - 5.0) / 10.0, top), (end + 1e-9, top)]
    t, load = path(*corners, (end + fall_s, to * top), (end + fall_s + after_s, to * top))
    motion = np.where(t > end, top / K - returns * (top - load) / K, load / K)
    return signals(t, load, motion)


@pytest.mark.parametrize("reached", [False, True])
@pytest.mark.parametrize(
    ("fall_s", "returns", "outcome"),
    [(0.5, 0.2, "failed"), (0.5, 1.0, "inconclusive"), (5.0, 0.0, "failed"), (5.0, 1.0, "inconclusive"),
     (60.0, 1.0, "inconclusive")],
)  # fmt: skip
def test_a_load_that_fell_and_stays_down_until_the_log_ends_is_said(
    fall_s: float, returns: float, outcome: str, reached: bool
) -> None:
    row = only(stays_down(fall_s, returns, reached=reached))
    assert row["outcome"] == outcome
    assert not row["complete"]
    if outcome == "inconclusive":
        assert "until the log ends" in row["remark"] or "look alike" in row["remark"]
        assert row["sudden_drop"] is None


@pytest.mark.parametrize("to", [0.7, 0.3])
def test_a_part_of_the_load_or_nearly_all_of_it(to: float) -> None:
    assert only(stays_down(2.0, 1.0, reached=True, to=to))["outcome"] == "inconclusive"


@pytest.mark.parametrize(("to", "after_s"), [(0.97, 10.0), (0.5, 0.5)])
def test_a_proof_under_way_is_not_judged(to: float, after_s: float) -> None:
    """The load sags a little in the hold; the log ends as the load goes."""
    assert only(stays_down(0.3, 1.0, reached=True, to=to, after_s=after_s))["outcome"] == "log ends"
