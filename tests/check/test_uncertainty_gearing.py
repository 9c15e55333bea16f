"""A channel's floor goes through the geometry; a coarse channel is not a sure one (invented values)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from benchpipe.check.uncertainty import calibration_u, spread_u

from benchpipe.check.measures import MEASURES
from benchpipe.check.values import Values
from benchpipe.config.model import Quantity
from benchpipe.config.rig import AxisConfig, ChannelConfig, RigConfig, TimeConfig

ONE = np.ones(1)


def rig(load: AxisConfig, motion: AxisConfig) -> RigConfig:
    floors = {"load": Quantity(2.0, "force"), "motion": Quantity(0.1, "length")}
    return RigConfig(
        name="r",
        time=TimeConfig(column="t", sample_rate="50 Hz"),
        channel=(
            ChannelConfig(name="load", column="f", unit="N", uncertainty_floor=floors["load"]),
            ChannelConfig(name="motion", column="x", unit="mm", uncertainty_floor=floors["motion"]),
        ),
        load=load,
        motion=motion,
    )


@pytest.mark.parametrize(
    ("motion", "degrees"),
    [
        (AxisConfig(channel="motion", lever_arm="100 mm"), math.degrees(0.1 / 100)),
        (AxisConfig(channel="motion", sine_bar="100 mm"), math.degrees(0.1 / 100)),
        (
            AxisConfig(
                channel="motion",
                table=(
                    (Quantity(0.0, "length"), Quantity(0.0, "angle")),
                    (Quantity(1.0, "length"), Quantity(0.5, "angle")),
                    (Quantity(2.0, "length"), Quantity(1.25, "angle")),
                ),
            ),
            0.75 * 0.1,
        ),
    ],
)
def test_a_floor_goes_through_the_geometry(motion: AxisConfig, degrees: float) -> None:
    made = rig(AxisConfig(channel="load", lever_arm="250 mm"), motion)
    values = Values(ONE, ONE, ONE, 1)
    assert calibration_u(MEASURES["peak_load"], made, 0.0, values) == pytest.approx(2.0 * 0.25 / 2)
    assert calibration_u(MEASURES["motion_max"], made, 0.0, values) == pytest.approx(degrees / 2)


def test_values_that_are_mostly_equal_still_have_a_spread() -> None:
    value = np.array([1.0] * 8 + [1.1, 0.9])
    assert spread_u(value, of_median=True) > 0.0
    assert spread_u(np.ones(10), of_median=True) == 0.0
