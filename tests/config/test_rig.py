"""Rig files: what is refused, and what a channel with several calibrations says of itself."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from benchpipe.config.model import load_model
from benchpipe.config.rig import RigConfig
from benchpipe.errors import ConfigError

RIG = """
name = "rig"
[log]
separator = ";"
{log}
[time]
column = "Time"
sample_rate = "100 Hz"
{time}
[[channel]]
name = "force"
column = "F"
unit = "kN"
{channel}
[[channel]]
name = "stroke"
column = "x"
unit = "mm"
[load]
channel = "force"
{load}
[motion]
channel = "stroke"
{motion}
"""
DATED = "kind = \"datetime\"\nformat = \"%Y-%m-%d %H:%M:%S\""
TWO = """[[channel.calibration]]
scale = 2.0
due = 2027-01-01
uncertainty = "0.5 %"
[[channel.calibration]]
valid_from = 2026-06-01
polynomial = [0.0, 2.1]
due = 2028-01-01
uncertainty = "0.2 %"
uncertainty_floor = "3 N"
"""
ARMS = {"load": 'lever_arm = "80 mm"', "motion": 'lever_arm = "80 mm"'}


def rig(tmp_path: Path, **parts: str) -> RigConfig:
    """A rig file with these lines in its places."""
    empty = dict.fromkeys(("log", "time", "channel", "load", "motion"), "")
    (tmp_path / "rig.toml").write_text(RIG.format(**(empty | parts)), "utf-8")
    return load_model(RigConfig, tmp_path / "rig.toml")[0]


def test_one_calibration_is_what_the_channel_says(tmp_path: Path) -> None:
    channel = rig(tmp_path, channel='scale = 2.0\noffset = 1.0\ndue = 2027-01-01\nuncertainty = "0.5 %"').find("force")
    (only,) = channel.calibrations
    assert (only.scale, only.offset, only.due, only.uncertainty) == (2.0, 1.0, date(2027, 1, 1), 0.005)
    assert only.valid_from is None


def test_several_calibrations_give_the_last_due_date_and_the_largest_uncertainty(tmp_path: Path) -> None:
    channel = rig(tmp_path, time=DATED, channel=TWO).find("force")
    assert [c.valid_from for c in channel.calibrations] == [None, date(2026, 6, 1)]
    assert (channel.due, channel.uncertainty) == (date(2028, 1, 1), 0.005)
    assert channel.uncertainty_floor is not None
    assert channel.uncertainty_floor.value == 3.0


def test_a_table_turns_force_into_torque_and_stroke_into_angle(tmp_path: Path) -> None:
    made = rig(
        tmp_path,
        load='table = [["0 N", "0 N*m"], ["100 N", "8 N*m"]]',
        motion='table = [["0 mm", "0 deg"], ["10 mm", "7 deg"]]',
    )
    assert (made.load_quantity, made.motion_quantity) == ("torque", "angle")
    assert not made.load.direct
    assert made.find("force").quantity == "force"


def test_thousands_by_space_are_no_separator_here(tmp_path: Path) -> None:
    assert rig(tmp_path, log='thousands = " "').log.thousands == " "


@pytest.mark.parametrize(
    ("parts", "says"),
    [
        ({"channel": TWO}, "no dates"),
        ({"time": DATED, "channel": "scale = 2.0\n" + TWO}, "'scale' is given beside"),
        ({"time": DATED, "channel": TWO.replace("valid_from = 2026-06-01", "")}, "needs a valid_from"),
        ({"channel": "[[channel.calibration]]\nscale = 2.0\npolynomial = [1.0]"}, "one of them"),
        ({"channel": "[[channel.calibration]]\ntable = [[0.0, 1.0], [0.0, 2.0]]"}, "rising raw numbers"),
        ({"channel": "[[channel.calibration]]\ntable = [[0.0, 1.0], [1.0, 2.0]]\ndegree = 2"}, "at least 4 points"),
        ({"channel": 'delay = "-1 ms"'}, "zero or more"),
        ({"channel": "[[channel.calibration]]\nuncertainty_floor = \"1 mm\""}, "uncertainty_floor is a length"),
        ({"log": 'thousands = ";"'}, "thousands"),
        ({"time": 'kind = "datetime"\nformat = "%Y;%m"'}, "holds the separator"),
        ({"time": 'date_column = "Date"'}, "date_column needs kind"),
        ({"load": 'sine_bar = "80 mm"', "motion": 'lever_arm = "80 mm"'}, "sine_bar belongs to [motion]"),
        (ARMS | {"motion": 'lever_arm = "80 mm"\nsine_bar = "80 mm"'}, "one of them"),
        ({"motion": 'table = [["0 N", "0 deg"], ["1 N", "1 deg"]]'}, "table is for a force"),
        ({"motion": 'table = [["0 mm", "0 deg"], ["0 mm", "1 deg"]]'}, "rising channel values"),
        ({"motion": 'table = [["0 mm", "0 deg"], ["1 mm", "1 mm"]]'}, "same two quantities"),
    ],
)
def test_what_cannot_be_is_refused_by_name(tmp_path: Path, parts: dict[str, str], says: str) -> None:
    with pytest.raises(ConfigError) as caught:
        rig(tmp_path, **parts)
    assert says in str(caught.value)
    assert "rig.toml" in str(caught.value)
