"""The plan's section of rolls: what it refuses, and what a rig file must have."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from benchpipe.blocks.roll.plan import RollBlock, roll_fits
from benchpipe.config.rig import AxisConfig, ChannelConfig, RigConfig, TimeConfig
from benchpipe.errors import ConfigError
from benchpipe.plan import load_plan

PLAIN: dict[str, Any] = {
    "name": "r", "kind": "roll", "axes": "ankle-foot", "cop": "cop", "force": "force", "tilt": "tilt",
    "ankle": (("ax", "ay"),), "window": "force",
}  # fmt: skip


def rig(**delays: float) -> RigConfig:
    units = {"force": "N", "cop": "mm", "tilt": "deg", "ax": "mm", "ay": "mm"}
    channels = tuple(ChannelConfig(name=n, column=n, unit=u, delay=delays.get(n, 0.0)) for n, u in units.items())
    return RigConfig(
        name="r", time=TimeConfig(column="t", sample_rate="100 Hz"), channel=channels,
        load=AxisConfig(channel="force"), motion=AxisConfig(channel="cop"),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"tilt": None}, "the shank's tilt, or the points"),
        ({"shank": (("kx", "ky"),)}, "one of them"),
        ({"ankle": ()}, "the channels of the ankle"),
        ({"ankle_at": (0.0, 80.0)}, "one of them"),
        ({"tilt": None, "shank": (("kx", "ky"),), "ankle": (), "ankle_at": (0.0, 80.0)}, "channels of the ankle too"),
        ({"window": "tilt"}, "go together"),
        ({"tilt_between": (-10.0, 10.0)}, "go together"),
        ({"window": "tilt", "tilt_between": (10.0, -10.0)}, "below the second"),
        ({"stance_between": (0.1, 0.8)}, "goes with window"),
        ({"window": "opposite-contact", "stance_between": (0.8, 0.1)}, "two rising parts"),
        ({"foot_length": 250.0}, "needs both"),
        ({"compare_with": "r"}, "not compared with itself"),
        ({"person": {"published": "adults"}}, "parts of stature"),
        ({"contact_force": 0.0}, "greater than 0"),
    ],
)
def test_what_contradicts_itself_is_refused(changed: dict[str, Any], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        RollBlock.model_validate({**PLAIN, **changed})


def test_channels_of_the_rig_file_are_there_and_measure_the_right_thing() -> None:
    assert list(roll_fits(RollBlock.model_validate(PLAIN), rig())) == []
    wrong = RollBlock.model_validate({**PLAIN, "cop": "tilt", "force": "fz"})
    found = list(roll_fits(wrong, rig()))
    assert [(one.key, one.expected) for one in found] == [
        ("cop", "a channel of a length"), ("force", "one of force, cop, tilt, ax, ay"),
    ]  # fmt: skip
    late = list(roll_fits(RollBlock.model_validate(PLAIN), rig(tilt=0.01)))
    assert ["different delays" in one.what for one in late] == [True]


@pytest.mark.parametrize(("other", "words"), [("fre", "known: free"), ("z", "known: free")])
def test_the_block_it_is_compared_with_is_another_roll_of_the_plan(tmp_path: Path, other: str, words: str) -> None:
    block = (
        '[[block]]\nname = "{}"\nkind = "roll"\naxes = "foot"\ncop = "c"\nforce = "f"\ntilt = "t"\n'
        'ankle_at = ["0 mm", "80 mm"]\nwindow = "force"\n'
    )
    text = 'name = "p"\nspecimen = "s"\nrig = "rig.toml"\nlogs = ["*.csv"]\n' + block.format("free")
    text += block.format("locked") + f'compare_with = "{other}"\n[[block]]\nname = "z"\nkind = "idle"\n'
    path = tmp_path / "plan.toml"
    path.write_text(text)
    with pytest.raises(ConfigError) as error:
        load_plan(path)
    assert f"'{other}' is no other roll block" in error.value.what
    assert words in error.value.what
    assert "compare_with" in str(error.value.where)
    path.write_text(text.replace(f'compare_with = "{other}"', 'compare_with = "free"'))
    assert load_plan(path)[0].block[1].other_blocks == {"compare_with": "free"}


def test_a_column_may_count_samples() -> None:
    with pytest.raises(ValueError, match="goes with kind 'elapsed'"):
        TimeConfig(kind="sample", unit="samples", sample_rate="450 Hz")
    assert TimeConfig(column="n", unit="samples", sample_rate="450 Hz").unit == "samples"
