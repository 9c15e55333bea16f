"""Channels that flicker in their last digit, through each geometry of a rig (invented)."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from benchpipe.blocks.cyclic.digits import StillRule
from benchpipe.config.rig import AxisConfig, RigConfig
from benchpipe.samples.signals import to_signals
from benchpipe.samples.stream import SampleBatch

STEP = 0.01
FALLING = [["0 mm", "40 deg"], ["50 mm", "10 deg"], ["100 mm", "0 deg"]]
TURNING = [["0 mm", "10 deg"], ["50 mm", "40 deg"], ["100 mm", "0 deg"]]
AXES: dict[str, tuple[dict[str, Any], dict[str, Any]]] = {
    "direct": ({}, {}),
    "turned": ({"sign": -1}, {"sign": -1}),
    "arms": ({"lever_arm": "80 mm"}, {"lever_arm": "80 mm", "sign": -1}),
    "bar": ({"lever_arm": "250 mm"}, {"sine_bar": "250 mm"}),
    "table": ({"lever_arm": "250 mm"}, {"table": FALLING}),
    "soft": ({"lever_arm": "250 mm"}, {"sine_bar": "250 mm", "machine_stiffness": "90 N*m/deg"}),
}


def rig(load: dict[str, Any], motion: dict[str, Any]) -> RigConfig:
    return RigConfig.model_validate({
        "name": "rig", "time": {"column": "t", "sample_rate": "100 Hz"},
        "channel": [{"name": "force", "column": "F", "unit": "N"}, {"name": "stroke", "column": "x", "unit": "mm"}],
        "load": {"channel": "force", **load}, "motion": {"channel": "stroke", **motion},
    })  # fmt: skip


def stood(made: RigConfig, force: np.ndarray, stroke: np.ndarray, *, of_load: bool) -> bool:
    """Whether a cycle of these channels stood still, by its signals at the extremes of both."""
    columns = {"force": force.astype(np.float32), "stroke": stroke.astype(np.float32)}
    signals = to_signals(SampleBatch(np.arange(len(force)) * 10_000, columns, "log"), made)
    load, motion = (np.asarray(a, np.float64) for a in (signals.load, signals.motion))
    at = [load.argmax(), load.argmin(), motion.argmax(), motion.argmin()]
    axis: AxisConfig = made.load if of_load else made.motion
    rule = StillRule(axis, STEP, of_load)
    (found,) = rule.stood([load[[k]] for k in at], [motion[[k]] for k in at])
    return bool(found)


@pytest.mark.parametrize("axes", AXES.values(), ids=AXES)
@pytest.mark.parametrize(("steps", "still"), [(0, True), (1, True), (2, True), (3, False), (40, False)])
def test_two_steps_of_the_channel_are_no_movement_whatever_the_geometry(
    axes: tuple[dict[str, Any], dict[str, Any]], steps: int, still: bool
) -> None:
    """The other channel goes through its cycle; the channel itself is at 23.45 and so many steps more."""
    wave = 100.0 * np.sin(2 * np.pi * np.arange(400) / 100)
    own = 23.45 + STEP * np.rint(0.5 * steps * (1 + np.sin(2 * np.pi * np.arange(400) / 100 - 0.3)))
    made = rig(*axes)
    assert stood(made, wave, own, of_load=False) is still
    stroke = 50.0 + 0.4 * wave
    if "machine_stiffness" not in axes[1]:
        assert stood(made, own, stroke, of_load=True) is still


def test_a_table_that_turns_back_tells_nothing_and_no_step_is_no_rule() -> None:
    made, flat = rig({"lever_arm": "250 mm"}, {"table": TURNING}), np.full(400, 23.45)
    wave = np.sin(np.arange(400.0))
    assert not stood(made, wave, flat, of_load=False)
    assert not StillRule(made.motion, 0.0, False).stood([np.zeros(3)], [np.zeros(3)]).any()
