"""Models, predictions and their refusals, choices, on invented bumpers."""

from __future__ import annotations

import json
from dataclasses import replace
from math import isfinite, nan, pi
from pathlib import Path

import numpy as np
import pytest

from benchpipe.bumper.choose import CAUTION, choose
from benchpipe.bumper.fit import fit_loops
from benchpipe.bumper.model import BumperModel, load_bumper_model, model_text
from benchpipe.bumper.predict import predict
from benchpipe.bumper.settings import errors_left_out, left_out_bands
from benchpipe.bumper.target import load_targets, target_for
from benchpipe.errors import ConfigError
from benchpipe.views.bumpers import model_lines
from tests.bumper.invented import HARDNESS, SAMPLE, STIFFNESS, config, loop, loops, model

REPO = Path(__file__).parents[2]
TARGETS = REPO / "configs" / "targets" / "able-bodied-walking.toml"


@pytest.fixture(scope="module")
def five() -> BumperModel:
    return model()


def test_the_model_among_the_sample_runs_is_what_its_generator_makes(five: BumperModel) -> None:
    kept, made = load_bumper_model(SAMPLE), model_text(five)
    again = json.loads(made)
    for one, other in zip(kept.loops, again["loops"], strict=True):
        assert one.branches.rising == pytest.approx(other["branches"]["rising"], rel=1e-5, abs=1e-4)
        assert one.specimens == tuple(other["specimens"])
    assert (kept.name, kept.structural_limit) == ("five invented bumpers", 160.0)


def test_a_model_is_the_same_after_it_was_written(five: BumperModel, tmp_path: Path) -> None:
    path = tmp_path / "m.json"
    path.write_text(model_text(five), encoding="utf-8")
    back = load_bumper_model(path)
    assert back.rates() == pytest.approx(five.rates())
    assert back.errors.rms == pytest.approx(five.errors.rms, rel=1e-5)
    assert [law.law for law in back.laws] == [law.law for law in five.laws]
    assert back.losses[0].laws[0].refused == five.losses[0].laws[0].refused
    assert back.sources == five.sources


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{", "no JSON document"),
        ('{"document": "another"}', "another document"),
        ('{"document": "benchpipe bumper model", "version": 1}', "is of version 1"),
        ('{"document": "benchpipe bumper model", "version": 2}', "is damaged"),
    ],
)
def test_another_document_or_version_is_refused(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "m.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match=said) as caught:
        load_bumper_model(path)
    assert "benchpipe bumper fit" in str(caught.value.do_next)
    with pytest.raises(ConfigError, match="cannot be read"):
        load_bumper_model(tmp_path / "none.json")


def test_a_setting_between_is_predicted_within_its_interval(five: BumperModel) -> None:
    found = predict(five, 65.0, rate=5.0, torque=80.0)
    truth = loop(float(np.sqrt(3.5 * 4.7)), 5.0, 0.03 + 0.0002 * 65)
    assert found.secant.low < truth.secant < found.secant.high
    assert found.area.low < truth.area < found.area.high
    assert found.area.high / found.area.low > 1.0
    assert found.motion_at_torque is not None
    assert found.motion_at_torque.low < float(np.interp(80.0, truth.rising, truth.motion)) < found.motion_at_torque.high
    assert found.energy_return.low < found.energy_return.value < found.energy_return.high < 1.0
    assert (
        np.abs(np.interp(truth.motion, found.branches.motion, found.branches.rising) - truth.rising).max() < found.band
    )
    assert found.neighbours == ("blue", "green")


def test_a_rate_between_lies_between(five: BumperModel) -> None:
    slow, middle, fast = (predict(five, 60.0, rate=r).secant.value for r in (5.0, 18.0, 60.0))
    assert slow < middle < fast
    assert predict(five, 60.0).rate_deg_s == pytest.approx(5.0)
    assert "slowest rate" in predict(five, 60.0).notes[0]


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"setting": 95.0}, "outside those measured"),
        ({"setting": 45.0}, "outside those measured"),
        ({"setting": 60.0, "torque": 122.0}, "beyond 1.1"),
        ({"setting": 60.0, "torque": -122.0}, "beyond 1.1"),
        ({"setting": 60.0, "rate": 100.0}, "outside the rates measured"),
        ({"setting": 60.0, "rate": 1.0}, "outside the rates measured"),
        ({"setting": 60.0, "temperature": 40.0}, "outside the temperatures measured"),
    ],
)
def test_what_was_not_measured_is_refused(five: BumperModel, asked: dict[str, float], said: str) -> None:
    with pytest.raises(ConfigError, match=said):
        predict(five, **asked)  # type: ignore[arg-type]


def test_a_temperature_that_no_run_logged_is_refused(five: BumperModel) -> None:
    blind = replace(five, loops=tuple(replace(one, temperature_c=nan) for one in five.loops))
    with pytest.raises(ConfigError, match="logged no temperature"):
        predict(blind, 60.0, temperature=23.0)


def test_a_torque_that_is_not_reached_has_no_motion(five: BumperModel) -> None:
    found = predict(five, 60.0, rate=5.0, torque=115.0)
    assert found.motion_at_torque is not None
    assert not isfinite(found.motion_at_torque.value)
    assert "115 N·m is not reached inside the motion measured" in found.notes


def test_two_settings_show_no_error() -> None:
    two = fit_loops(
        config(), [one for one in loops() if one.setting in (50.0, 70.0) and one.specimens[0].endswith("1")]
    )
    found = predict(two, 60.0, rate=5.0)
    assert not isfinite(found.band)
    assert not isfinite(found.secant.low)
    assert "fewer than two interior settings" in found.notes[0]


def test_one_rate_and_one_setting(five: BumperModel) -> None:
    one_rate = fit_loops(config(), loops(rates=(5.0,)))
    refused = [law.refused for law in one_rate.losses[0].laws]
    assert "one rate cannot tell friction from viscosity" in refused[0]
    assert five.losses[0].laws[0].refused == ""
    with pytest.raises(ValueError, match="two settings"):
        fit_loops(config(), [one for one in loops() if one.setting == 50.0])


def test_specimens_of_a_setting_are_averaged_and_their_scatter_kept(five: BumperModel) -> None:
    assert all(len(one.specimens) == 2 for one in five.loops)
    assert all(0.0 < one.scatter_u < 0.1 for one in five.loops)


def test_bands_know_nothing_of_the_setting_that_they_are_for() -> None:
    settings = list(HARDNESS)
    curves = [loop(k, 5.0, 0.04) for k in STIFFNESS]
    before = left_out_bands(settings, curves)[1].half_width
    curves[2] = loop(STIFFNESS[2] * 1.3, 5.0, 0.04)
    after = left_out_bands(settings, curves)[1]
    assert after.half_width == pytest.approx(before)
    assert not after.whole_curve_inside
    assert errors_left_out(settings, curves).left_out[1].secant < -0.15


# --- targets and choices ------------------------------------------------------------------------------------


def test_the_shipped_target_at_free_speed() -> None:
    found = target_for(load_targets([TARGETS]), 80.0, speed_m_s=0.43 * np.sqrt(9.80665 * 0.9), leg_length_m=0.9)
    assert found.torque_nm == pytest.approx(98, abs=0.5)
    assert found.stiffness_nm_per_deg * 180 / pi == pytest.approx(334, abs=0.5)
    assert not found.verified
    assert "Schwartz" in found.source


@pytest.mark.parametrize(
    ("wearer", "said"),
    [
        ({"mass_kg": 30.0, "speed_m_s": 1.0, "leg_length_m": 0.9}, "a mass of 30 kg is outside the table"),
        ({"mass_kg": 80.0, "speed_m_s": 3.0, "leg_length_m": 0.9}, "a walking speed of 3 m/s is outside"),
        ({"mass_kg": 80.0, "activity": 4, "leg_length_m": 0.9}, "activity 4 is not in the table"),
        ({"mass_kg": 80.0, "speed_m_s": 1.0}, "goes by speed over"),
        ({"mass_kg": 80.0, "leg_length_m": 0.9}, "neither a walking speed nor an activity"),
    ],
)
def test_a_wearer_outside_the_table_is_refused(wearer: dict[str, float], said: str) -> None:
    with pytest.raises(ConfigError, match=said):
        target_for(load_targets([TARGETS]), **wearer)  # type: ignore[arg-type]


def test_a_target_without_a_source_is_refused_and_the_labs_own_comes_first(tmp_path: Path) -> None:
    text = TARGETS.read_text(encoding="utf-8")
    bare = tmp_path / "bare.toml"
    bare.write_text(text.replace("source = \"Schwartz, Rozumalski and Trost 2008, J. Biomech., tables of mean curves\"",
                                 'source = " "', 1), encoding="utf-8")  # fmt: skip
    with pytest.raises(ConfigError, match="has no source"):
        load_targets([bare])
    own = tmp_path / "own.toml"
    own.write_text(
        text.replace("own = false", "own = true").replace('"able-bodied ankle', '"our ankle'), encoding="utf-8"
    )
    found = target_for(load_targets([TARGETS, own]), 80.0, speed_m_s=1.0, leg_length_m=0.9)
    assert found.file.startswith("our ankle")


def test_a_choice_names_the_two_to_try_next_and_prescribes_nothing(five: BumperModel) -> None:
    target = target_for(load_targets([TARGETS]), 80.0, activity=3, leg_length_m=0.9)
    found = choose(five, target)
    assert found.try_next == ("blue", "green")
    assert 60.0 < found.between < 70.0
    assert found.words.startswith("try blue (")
    assert [one.label for one in found.candidates][-1] == "red"
    assert sum(one.best for one in found.candidates) == pytest.approx(1.0)
    assert found.candidates[0].margin == pytest.approx(160.0 / target.torque_nm)
    assert found.caution == CAUTION
    assert "prescribes nothing" in CAUTION


def test_a_target_beyond_all_bumpers_is_said_to_be(five: BumperModel) -> None:
    light = choose(five, target_for(load_targets([TARGETS]), 41.0, speed_m_s=1.0, leg_length_m=0.9))
    assert (
        light.words
        == "the target is softer than all that was measured: try white first, and measure one softer than it"
    )
    heavy = choose(five, target_for(load_targets([TARGETS]), 125.0, speed_m_s=1.0, leg_length_m=0.9))
    assert heavy.compared_at_nm < heavy.target.torque_nm
    assert any("compared at" in note for note in heavy.notes)
    assert "target torque not reached in what was measured" in heavy.candidates[0].notes
    with pytest.raises(ConfigError, match="was not measured"):
        choose(five, light.target, rate=20.0)


def test_what_was_fitted_is_shown_beside_the_reference(five: BumperModel) -> None:
    lines = list(model_lines(five))
    assert lines[0] == "five invented bumpers: 10 loops, hardness [Shore A] 50 to 90"
    assert any("interpolated branches" in line and "(the reference)" in line for line in lines)
    assert sum(", profile" in line or ", friction" in line for line in lines) == 6
    assert any(line.startswith("  loss, coulomb: misses the loops by") for line in lines)
    assert any("spring-pot: not identified: 2 rate(s)" in line for line in lines)
