"""What the motion's channel adds to a hold, and from when creep counts (invented signals, truth known)."""

from __future__ import annotations

from dataclasses import replace
from math import hypot, sqrt
from typing import Any

import numpy as np
import pytest

from benchpipe.blocks.held_channel import NO_TEMPERATURE, response_channel
from benchpipe.blocks.hold.measure import HoldBuilder
from benchpipe.config.model import Quantity
from benchpipe.config.rig import AxisConfig, ChannelConfig, RigConfig
from benchpipe.samples.signals import Signals
from tests.process.test_holds import BLOCK, RIG, held, only, rows_of

DRIFT = Quantity(0.24, "angle")


def drifting(drift: Quantity | None = DRIFT, **axis: Any) -> RigConfig:
    """The rig with a motion channel that drifts."""
    load, motion = RIG.channel
    return RIG.model_copy(
        update={
            "channel": (load, motion.model_copy(update={"drift_per_day": drift})),
            "motion": AxisConfig(channel="motion", **axis),
        }
    )


def stepping(rig: RigConfig, step: float) -> RigConfig:
    """The rig with a resolution of its motion's channel [mm]."""
    load, motion = rig.channel
    declared = motion.model_copy(update={"resolution": Quantity(step, "length")})
    return rig.model_copy(update={"channel": (load, declared)})


def rows_on(rig: RigConfig, signals: Signals) -> dict[str, Any]:
    builder = HoldBuilder(BLOCK, rig)
    builder.feed(signals)
    return only(builder.finish())


def test_drift_of_the_channel_is_in_every_figure_of_a_hold() -> None:
    signals = held(per_decade=0.03)
    plain, hold = rows_on(RIG, signals), rows_on(drifting(), signals)
    per_s = 0.12 / 86_400  # half of the expanded value
    lasted = hold["duration_s"] - hold["creep_from_s"]
    assert hold["creep_drift_u"] == pytest.approx(per_s * lasted)
    assert hold["creep_end_u"] == pytest.approx(hypot(plain["creep_end_u"], per_s * lasted))
    assert hold["rate_end_u_per_h"] == pytest.approx(hypot(plain["rate_end_u_per_h"], 3600 * per_s))
    assert hold["creep_end"] == plain["creep_end"]
    assert plain["creep_drift_u"] == 0.0


def test_drift_and_step_go_through_the_geometry() -> None:
    arm = response_channel(stepping(drifting(Quantity(0.864, "length"), lever_arm=50.0), 0.01))
    assert arm.drift_per_s == pytest.approx(np.degrees(0.432 / 50.0) / 86_400)
    assert arm.step(5.0) == pytest.approx(np.degrees(0.01 / 50.0))
    pairs = tuple((Quantity(x, "length"), Quantity(y, "angle")) for x, y in ((0.0, 0.0), (1.0, 2.0), (2.0, 5.0)))
    by_table = response_channel(stepping(drifting(Quantity(1.0, "length"), table=pairs), 0.1))
    assert by_table.step(0.0) == pytest.approx(0.3)
    assert response_channel(RIG).step(0.02) == 0.02
    assert response_channel(RIG).step(np.inf) == 0.0


def test_drift_is_of_the_channels_quantity_and_not_below_zero() -> None:
    with pytest.raises(ValueError, match="drift_per_day"):
        ChannelConfig(name="motion", column="x", unit="deg", drift_per_day="0.1 mm")
    with pytest.raises(ValueError, match="must not be below zero"):
        ChannelConfig(name="motion", column="x", unit="deg", drift_per_day="-0.1 deg")


def test_the_step_of_a_channel_is_found_and_counts() -> None:
    smooth = held(per_decade=0.03, noise=0.002)
    coarse = replace(smooth, motion=np.round(smooth.motion / 0.01) * 0.01).copy()
    fine, stepped = only(rows_of(smooth)), only(rows_of(coarse))
    assert stepped["resolution"] == pytest.approx(0.01, rel=1e-6)
    assert fine["resolution"] is None or fine["resolution"] < 1e-4
    assert 0.0 < stepped["creep_step_u"] <= 0.01 * sqrt(2 / 12)
    assert fine["creep_step_u"] < 1e-9
    assert stepped["creep_end"] == pytest.approx(fine["creep_end"], abs=2 * stepped["creep_end_u"])


def test_creep_from_full_load_holds_what_the_ramp_part_moves() -> None:
    """0.03 log10(1 + t): all of it from full load, and from the end of the ramp part less."""
    rows = rows_of(held(per_decade=0.03))
    hold, asked = only(rows), {p["time_s"]: p for p in rows.points if p["kind"] == "asked"}
    whole, after = 0.03 * np.log10(1201.0), 0.03 * np.log10(1201.0 / (1 + hold["creep_from_s"]))
    assert hold["creep_full_end"] == pytest.approx(whole, abs=2 * hold["creep_full_end_u"])
    assert hold["creep_end"] == pytest.approx(after, abs=2 * hold["creep_end_u"])
    assert hold["creep_full_end"] - hold["creep_end"] > hold["creep_full_end_u"]
    assert asked[60.0]["creep_full"] == pytest.approx(0.03 * np.log10(61.0), abs=2 * asked[60.0]["creep_full_u"])
    assert 4 <= hold["creep_dof"] <= 100


def test_what_the_load_moves_while_it_still_rises_in_its_band_is_no_creep() -> None:
    """The band is entered 1.2 N*m before the load is reached: at 18 N*m/deg that is 0.067 deg."""
    hold = only(rows_of(held(noise=0.001)))
    assert abs(hold["creep_full_end"]) < 0.02
    assert abs(hold["creep_full_end"]) <= 2 * hold["creep_full_end_u"]


def test_creep_is_not_given_for_a_time_before_the_fit_begins() -> None:
    rows = rows_of(held(per_decade=0.03), block=BLOCK.model_copy(update={"report_at": (4.0, 60.0)}))
    early, late = (p for p in rows.points if p["kind"] == "asked")
    assert (np.isnan(early["creep"]), np.isfinite(late["creep"])) == (True, True)
    assert early["creep_full"] == pytest.approx(0.03 * np.log10(5.0), abs=2 * early["creep_full_u"])
    assert "no creep is given for a time before the fit begins" in only(rows)["remark"]


def test_without_loading_nothing_is_given_from_full_load() -> None:
    hold = only(rows_of(held(per_decade=0.03).part(1000, 12_000)))
    assert hold["creep_full_end"] is None
    assert hold["rate_end_per_h"] is not None


def test_a_hold_without_temperature_says_so_once() -> None:
    signals = held(per_decade=0.03)
    warm = replace(signals, temperature=23.0 + 0.0 * signals.motion).copy()
    assert only(rows_of(signals))["remark"].count(NO_TEMPERATURE.format("motion")) == 1
    assert NO_TEMPERATURE.format("motion") not in (only(rows_of(warm))["remark"] or "")
