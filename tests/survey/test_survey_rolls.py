"""What a survey makes of rolls: their channels and tilts are drafted, and a spring's cycles are none."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest

from benchpipe.blocks.roll.plan import RollBlock
from benchpipe.config.rig import RigConfig
from benchpipe.plan import PlanConfig
from benchpipe.report.survey_lines import survey_lines
from benchpipe.samples.signals import signal_units
from benchpipe.survey.blocks import find_blocks
from benchpipe.survey.draft import PlanHead, draft_plan
from benchpipe.survey.roll_ways import roll_ways
from benchpipe.survey.stretches import survey_logs

SAMPLE = Path(__file__).parents[2] / "sample_runs" / "rocker"


@pytest.fixture(scope="module")
def rig() -> RigConfig:
    return RigConfig.model_validate(tomllib.loads((SAMPLE / "rig-four.toml").read_text()))


def test_rolls_of_the_sample_are_drafted_with_their_channels(rig: RigConfig) -> None:
    logs = {path.name: path for path in sorted((SAMPLE / "flat-when-locked" / "logs").iterdir())}
    surveyed = survey_logs(rig, logs)
    seen = find_blocks(surveyed)
    assert [(type(one).__name__, one.where.mode) for one in seen.blocks] == [("RollSeen", 0), ("RollSeen", 1)]
    assert [one.count for one in seen.rolls] == [10, 10]  # five passes each way
    assert "10 ways of a roll" in survey_lines(seen, surveyed, signal_units(rig))[0][0]
    head = PlanHead("r", "invented", "rig.toml", (), ("logs/*",))
    draft = draft_plan(head, seen, surveyed, signal_units(rig), change=False)
    assert len(draft.questions) == 2
    assert "axes" in draft.questions[0]
    plan = PlanConfig.model_validate(tomllib.loads(draft.text.replace('axes = "?"', 'axes = "ankle-foot"')))
    free, locked = plan.block
    assert isinstance(free, RollBlock)
    assert isinstance(locked, RollBlock)
    assert (free.cop, free.force, free.tilt, free.ankle) == ("cop", "force", "tilt", (("ankle_x", "ankle_y"),))
    assert free.tilts == pytest.approx((-15.0, 20.0), abs=0.2)
    assert locked.tilts == pytest.approx((-1.5, 1.5), abs=0.2)
    assert free.drafted == ("tilt_between",)


def test_the_ankle_is_asked_for_where_the_lengths_do_not_tell(rig: RigConfig) -> None:
    from benchpipe.survey.draft_roll import roll_lines
    from benchpipe.survey.draft_sheet import Sheet
    from benchpipe.survey.seen import RollSeen, Where

    one = RollSeen(Where((0, 0)), 6, "force", "tilt", {"cop": 180.0}, (), (-12.0, 15.0), 800.0)
    text = "\n".join(roll_lines(Sheet(signal_units(rig), change=False), one))
    assert 'ankle = "?"' in text
    assert "QUESTION: where is the ankle" in text


@pytest.mark.parametrize(("spring", "found"), [(0.0, True), (1.0, False)])
def test_cycles_of_a_spring_are_no_roll(rig: RigConfig, spring: float, *, found: bool) -> None:
    tilt = 15.0 * np.sin(np.linspace(0.0, 12.0 * np.pi, 3000))
    rng = np.random.default_rng(2)
    force = spring * 40.0 * tilt + (1.0 - spring) * np.where(np.abs(tilt) < 14.5, 700.0, 0.0)
    columns = {
        "force": force + rng.standard_normal(tilt.size), "tilt": tilt, "cop": 5.0 * tilt, "ankle_x": 1.4 * tilt,
        "ankle_y": 0.1 * tilt**2, "locked": np.zeros(tilt.size),
    }  # fmt: skip
    ways = roll_ways(rig, columns)
    assert (ways is not None) is found
    if ways is not None:
        assert set(ways.travel) == {"cop", "ankle_x"}
        assert ways.others == ("ankle_y",)
