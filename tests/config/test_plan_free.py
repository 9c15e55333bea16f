"""Contradictions in sweep and stance blocks are named by file, key and value."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchpipe.blocks.stance.plan import StanceBlock
from benchpipe.blocks.sweep.plan import SweepBlock
from benchpipe.errors import ConfigError
from benchpipe.run import load_run
from tests.config.written import write_lab

SWEEP = 'usable_load = "3 N*m"\n'
STANCE = '[[block]]\nname = "stood"\nkind = "stance"\n'


@pytest.mark.parametrize(
    ("more", "told"),
    [
        ('reference_speed = "24 mm/s"', "reference_speed is a length rate"),
        ('speed_dead_band = "1 deg"', "'1 deg' is an angle"),
        ('speed_dead_band = "0 deg/s"', "speed_dead_band must be above zero"),
        ('breakaway_within = "2 mm"', "breakaway_within is a length"),
        ('stops_beyond = ["4 deg", "2 deg"]', "stops_beyond must be two motions"),
        ('stops_beyond = ["4 mm", "5 mm"]', "stops_beyond must be two motions"),
        (STANCE, "something must tell where a stance is"),
        (STANCE + 'load_min = "5 N*m"', "give both load_min and load_max"),
        (STANCE + 'load_min = "5 N*m"\nload_max = "5 N*m"', "load_min must be below load_max"),
        (STANCE + 'load_min = "5 N"\nload_max = "6 N"', "load_min is a force"),
        (STANCE + 'files = "stance*"\nwindow = "0 s"', "window"),
        (STANCE + 'files = ["stance*"]\nposture = "swaying"', "sway"),
        (STANCE + "mode = 1", "names no mode channel"),
    ],
)
def test_a_contradiction_is_named(tmp_path: Path, more: str, told: str) -> None:
    plan = write_lab(tmp_path, plan=(SWEEP, SWEEP + more + "\n"))
    with pytest.raises(ConfigError) as caught:
        load_run(plan)
    assert told in str(caught.value)
    assert "plan.toml" in str(caught.value)


def test_speeds_are_per_second_inside_and_windows_have_their_lengths(tmp_path: Path) -> None:
    more = 'reference_speed = "24 deg/s"\nspeed_dead_band = "30 deg/min"\n'
    more += STANCE + 'files = ["s*"]\n' + STANCE.replace("stood", "swayed") + 'files = ["s*"]\nposture = "sway"\n'
    run = load_run(write_lab(tmp_path, plan=(SWEEP, SWEEP + more)))
    sweep = next(b for b in run.plan.block if isinstance(b, SweepBlock))
    assert (sweep.reference_speed_per_s, sweep.speed_dead_band_per_s) == pytest.approx((24.0, 0.5))
    assert [b.window_s for b in run.plan.block if isinstance(b, StanceBlock)] == [8.0, 30.0]
