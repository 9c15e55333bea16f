"""Odd input to bumper fits, predictions and choices: a clear error, or a stated limit."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from math import inf, nan
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchpipe.bumper.choose import choose
from benchpipe.bumper.config import load_bumper_file
from benchpipe.bumper.fit import fit_bumper_file, fit_loops
from benchpipe.bumper.groups import grouped
from benchpipe.bumper.model import BumperModel, SettingLoop, load_bumper_model
from benchpipe.bumper.predict import predict
from benchpipe.bumper.target import load_targets, target_for
from benchpipe.config.starter import starter_files
from benchpipe.errors import ConfigError, ExitCode
from benchpipe.kernels.loop_branches import Branches
from benchpipe.views.bumpers import choice_lines, model_lines, prediction_lines
from tests.bumper.invented import SAMPLE, config, loop, loops, model
from tests.bumper.test_bumper_fit import text_of
from tests.cli.commands import called

TARGETS = Path(__file__).parents[2] / "configs" / "targets" / "able-bodied-walking.toml"
WEARER = {"mass_kg": 80.0, "activity": 3, "leg_length_m": 0.9}


def cut(whole: Branches, share: float) -> Branches:
    """The same loop over a part of its motion."""
    motion = np.linspace(share * whole.low, share * whole.high, whole.motion.size)
    return Branches(motion, *(np.interp(motion, whole.motion, y) for y in (whole.rising, whole.falling)))


def setting_loop(setting: float, branches: Branches, specimen: str = "s", rate: float = 5.0) -> SettingLoop:
    return SettingLoop(setting, "b", rate, 23.0, (specimen,), nan, branches)


# --- loops ---------------------------------------------------------------------------------------------------


def test_a_smaller_amplitude_is_no_repeat_and_shows_loss() -> None:
    whole = loop(3.0, 5.0, 0.04)
    some = [setting_loop(s, cut(whole, part)) for s in (50.0, 60.0) for part in (1.0, 0.5, 0.25)]
    found = fit_loops(config(), some)
    assert found.loops[0].branches.high == pytest.approx(whole.high)
    assert found.remarks[0] == "setting 50: 2 loop(s) of smaller amplitude are used for loss alone"
    berg = next(law for law in found.losses[0].laws if law.name == "berg")
    assert berg.refused == ""  # at one rate of motion
    parts = [1.0, 0.5, 0.25] * 2
    of_cycles = [replace(one, rate_deg_s=5.0 * part) for one, part in zip(some, parts, strict=True)]
    same = fit_loops(config(), of_cycles)
    assert same.rates() == [5.0]
    assert next(law for law in same.losses[0].laws if law.name == "berg").refused == ""


def test_stiffer_specimens_that_move_less_at_the_same_torque_are_no_smaller_amplitude() -> None:
    family = ((50.0, 3.0), (60.0, 4.0))
    some = [setting_loop(s, loop(k * by, 5.0, 0.04), f"s{by}") for s, k in family for by in (1, 1.3)]
    found = grouped(some)
    assert found.remarks == ()
    assert found.by_rate[5.0][0].specimens == ("s1", "s1.3")


def test_a_rig_that_cycles_to_a_torque_at_one_frequency_has_one_rate() -> None:
    """At 0.25 Hz a bumper twice as stiff moves half as fast: the rates of motion are of one test all the same."""
    curves = {50.0: loop(3.0, 5.0, 0.04), 60.0: loop(4.0, 5.0, 0.04), 70.0: loop(6.0, 5.0, 0.04)}
    some = [
        setting_loop(s, c, rate=2.0 * (c.high - c.low) * hertz) for s, c in curves.items() for hertz in (0.025, 0.25)
    ]
    found = fit_loops(config(), some)
    slow, fast = found.rates()
    assert fast / slow == pytest.approx(10.0)
    assert [len(found.at_rate(rate)) for rate in (slow, fast)] == [3, 3]
    assert "settings were cycled at one frequency, 0.025 Hz: their rates of motion, 1" in found.remarks[0]
    assert predict(found, 55.0, rate=fast).neighbours == ("b",)


def test_settings_of_different_amplitudes_are_a_remark() -> None:
    some = [setting_loop(50.0, loop(3.0, 5.0, 0.04)), setting_loop(60.0, cut(loop(4.0, 5.0, 0.04), 0.5))]
    assert grouped(some).remarks == (
        "loops at different amplitudes at 5 deg/s: setting 60 less far in load and in motion than another; between "
        "them stiffness is of neither",
    )


def test_runs_of_one_specimen_are_repeats_and_show_no_scatter_of_specimens() -> None:
    some = [setting_loop(s, loop(k * by, 5.0, 0.04)) for s, k in ((50.0, 3.0), (60.0, 4.0)) for by in (1.0, 1.02)]
    found = fit_loops(config(), some)
    assert [one.specimens for one in found.loops] == [("s",), ("s",)]
    assert all(np.isnan(one.scatter_u) for one in found.loops)


def test_two_settings_at_two_rates_are_no_family(sample_lab: Path, tmp_path: Path, monkeypatch: Any) -> None:
    path = tmp_path / "b.toml"
    plans = [(str(sample_lab.parent / n / "plan.toml"), s) for n, s in (("healthy", 1.0), ("creeping-lock", 2.0))]
    path.write_text(text_of(plans), encoding="utf-8")
    from benchpipe.bumper import fit

    whole = fit.loop_of_run

    def of_run(file: Any, at: int) -> Any:
        found, source = whole(file, at)
        return replace(found, rate_deg_s=found.rate_deg_s * (1.0 + at)), source

    monkeypatch.setattr(fit, "loop_of_run", of_run)
    with pytest.raises(ConfigError, match="no rate was measured at two settings") as caught:
        fit_bumper_file(load_bumper_file(path))
    assert "setting 2 at" in str(caught.value)


def test_unfinished_and_failing_runs_are_marked(sample_lab: Path, tmp_path: Path) -> None:
    path = tmp_path / "b.toml"
    plans = [(str(sample_lab.parent / n / "plan.toml"), s) for n, s in (("healthy", 1.0), ("creeping-lock", 2.0))]
    path.write_text(text_of(plans), encoding="utf-8")
    found = fit_bumper_file(load_bumper_file(path))
    assert [one.state for one in found.sources] == ["unfinished", "unfinished and failing"]
    text = " ".join(" ".join(model_lines(found)).split())
    assert "remark: unfinished, in by name: healthy" in text
    assert "remark: unfinished and failing, in by name: creeping-lock" in text


@pytest.mark.parametrize(
    ("change", "said", "key"),
    [
        ({"diameters": ["9 mm", "9 mm"]}, "diameters go with arms and heights", "diameters"),
        ({"holes": ["9 mm", "9 mm"]}, "holes go with diameters", "holes"),
        ({"hardness": [60, 81]}, "less than or equal to 80", "hardness"),
        ({"hardness": True}, "should be a list", "hardness"),
        ({"faces": "wet"}, "cannot be used", "faces"),
    ],
)
def test_hardness_and_geometry_that_do_not_fit_are_named(tmp_path: Path, change: dict, said: str, key: str) -> None:
    path = tmp_path / "b.toml"
    head = "".join(f"{k} = {json.dumps(v)}\n" for k, v in change.items())
    path.write_text(text_of([("a", 1.0), ("b", 2.0)], head='name = "b"\nsetting = "x"\n' + head), encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        load_bumper_file(path)
    assert said in str(caught.value)
    assert key in str(caught.value)


def test_a_hole_as_wide_as_its_block_is_refused() -> None:
    sizes = {"arms": ["30 mm", "30 mm"], "heights": ["9 mm", "9 mm"], "diameters": ["20 mm", "20 mm"]}
    with pytest.raises(ValueError, match="a hole is smaller than its diameter"):
        config(**sizes, holes=["20 mm", "0 mm"])


def test_two_labels_of_a_setting_and_a_block_named_twice_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "b.toml"
    plans = [("a", 1.0), ("b", 2.0), ("c", 2.0)]
    text = text_of(plans).replace('specimen = "s"', 'specimen = "s"\nlabel = "red"', 2)
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match="setting 2 is called 'red' and ''") as caught:
        load_bumper_file(path)
    assert "loop[2].label" in str(caught.value.where)
    path.write_text(text_of([("a", 1.0), ("a", 2.0)]), encoding="utf-8")
    with pytest.raises(ConfigError, match="this block of this run is named twice"):
        load_bumper_file(path)


def test_hardness_alone_is_recorded_and_said_to_give_no_stiffness() -> None:
    some = [{"plan": f"{s:g}.toml", "block": "b", "setting": s, "specimen": "s", "hardness": s} for s in (50.0, 60.0)]
    own = config(loop=[*some, {**some[1], "plan": "c.toml", "hardness": [60, 70]}])
    assert own.hardness_of(60.0) == (60.0, 65.0)
    found = fit_loops(own, [one for one in loops() if one.setting < 65.0])
    assert found.hardness == ((50.0, 50.0, 50.0), (60.0, 60.0, 65.0))
    assert found.remarks == (
        "hardness without arms, heights and diameters gives no stiffness: recorded, and compared with nothing",
    )


# --- models --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "change",
    [
        lambda d: d.update(loops=[]),
        lambda d: d["loops"][0]["branches"].update(rising=[None] * 61),
        lambda d: d["loops"][0]["branches"].update(rising=[1.0]),
        lambda d: d["loops"][0]["branches"]["motion"].reverse(),
        lambda d: d["loops"][0].update(rate_deg_s=None),
        lambda d: d["loops"][0].update(label=3),
        lambda d: d.update(hardness=60),
        lambda d: d.update(arms="wide"),
        lambda d: d.update(structural_limit="much"),
        lambda d: d.update(loops="none"),
    ],
)
def test_a_damaged_model_is_refused(tmp_path: Path, change: Callable[[dict], object]) -> None:
    document = json.loads(SAMPLE.read_text(encoding="utf-8"))
    change(document)
    (tmp_path / "m.json").write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(ConfigError, match="the model is damaged"):
        load_bumper_model(tmp_path / "m.json")


@pytest.fixture(scope="module")
def five() -> BumperModel:
    return model()


def test_names_with_markup_stay_text_and_short(five: BumperModel, tmp_path: Path) -> None:
    odd = "[red]<b>\x1b[2J</b>"
    document = json.loads(SAMPLE.read_text(encoding="utf-8").replace('"blue"', json.dumps(odd)))
    (tmp_path / "m.json").write_text(json.dumps(document | {"name": odd}), encoding="utf-8")
    shutil.copy(TARGETS, tmp_path / "t.toml")
    wearer = ["--target", "t.toml", "--mass", "80", "--activity", "3", "--leg-length", "0.9"]
    code, out, err = called(["bumper", "choose", "m.json", *wearer], tmp_path, COLUMNS="80", NO_COLOR="1")
    assert (code, err) == (0, "")
    assert "\x1b" not in out
    assert "[red]<b>\\x1b[2J</b>" in out


def test_screens_fit_80_columns(five: BumperModel) -> None:
    target = target_for(load_targets([TARGETS]), **WEARER)  # type: ignore[arg-type]
    lines = [*choice_lines(choose(five, target)), *model_lines(five)]
    lines += prediction_lines(predict(five, 65.0, torque=80.0), five.setting)
    assert max(map(len, lines)) <= 80


def test_temperatures_are_those_of_the_neighbours(five: BumperModel) -> None:
    warm = tuple(replace(one, temperature_c=23.0 if one.setting < 75.0 else 40.0) for one in five.loops)
    mixed = replace(five, loops=warm)
    assert predict(mixed, 65.0, temperature=24.0).notes == predict(five, 65.0).notes
    with pytest.raises(ConfigError, match="outside the temperatures measured of blue, green, 23"):
        predict(mixed, 65.0, temperature=40.0)
    for temperature in (None, 30.0):
        notes = " ".join(predict(mixed, 75.0, temperature=temperature).notes)
        assert "loops of different temperatures, 23.0 to 40.0 °C" in notes


@pytest.mark.parametrize("torque", [nan, inf, -inf])
def test_a_torque_that_is_no_number_is_refused(five: BumperModel, torque: float) -> None:
    with pytest.raises(ConfigError, match="beyond 1"):
        predict(five, 65.0, torque=torque)


# --- targets and choices -------------------------------------------------------------------------------------


@pytest.mark.parametrize("rate", [0.0, -5.0, nan, inf])
def test_a_rate_that_is_none_is_refused(five: BumperModel, rate: float) -> None:
    target = target_for(load_targets([TARGETS]), **WEARER)  # type: ignore[arg-type]
    with pytest.raises(ConfigError, match="deg/s is none"):
        choose(five, target, rate=rate)


def raised(whole: Branches, by: float) -> Branches:
    """The same loop at a higher torque: it begins above zero load."""
    return Branches(whole.motion, whole.rising + by, whole.falling + by)


def test_a_loop_that_begins_above_the_target_torque_is_left_out_and_named(five: BumperModel) -> None:
    target = target_for(load_targets([TARGETS]), **WEARER)  # type: ignore[arg-type]
    high = tuple(
        replace(one, branches=raised(one.branches, 200.0)) if one.label == "blue" else one for one in five.loops
    )
    found = choose(replace(five, loops=high), target)
    assert "left out, their loops do not pass 97.9 N·m: blue" in found.notes
    assert [one.label for one in found.candidates if not np.isfinite(one.stiffness)] == []
    assert found.try_next == ("white", "green")
    with pytest.raises(ConfigError, match="no loop of the model passes"):
        choose(replace(five, loops=tuple(replace(o, branches=raised(o.branches, 200.0)) for o in five.loops)), target)


@pytest.mark.parametrize("leg", [0.0, -1.0, 90.0, nan, inf])
def test_a_leg_length_in_another_unit_is_refused(leg: float) -> None:
    with pytest.raises(ConfigError, match="a leg length of") as caught:
        target_for(load_targets([TARGETS]), 80.0, speed_m_s=1.3, leg_length_m=leg)
    assert "in metres" in str(caught.value)


def test_what_no_target_file_covers_is_said_of_each(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    text = TARGETS.read_text(encoding="utf-8").replace("own = false", "own = true").replace("able-bodied ankle", "ours")
    own.write_text(text.replace("mass_kg = [40, 125]", "mass_kg = [100, 140]"), encoding="utf-8")
    files = load_targets([TARGETS, own])
    with pytest.raises(ConfigError) as caught:
        target_for(files, 150.0, activity=3, leg_length_m=0.9)
    assert "table of 'ours" in str(caught.value)
    assert "table of 'able-bodied" in str(caught.value)
    found = target_for(files, 80.0, activity=3, leg_length_m=0.9)
    assert found.notes[0].startswith("another target file does not cover this wearer: a mass of 80 kg is outside the")
    twice = tmp_path / "twice.toml"
    twice.write_text(TARGETS.read_text(encoding="utf-8").replace("level = 3", "level = 1"), encoding="utf-8")
    with pytest.raises(ConfigError, match="activity 1 has two walking speeds"):
        load_targets([twice])


def test_a_new_lab_has_the_target_file_and_the_command_names_one(tmp_path: Path) -> None:
    files = starter_files("lab")
    assert files["targets/able-bodied-walking.toml"] == TARGETS.read_text(encoding="utf-8")
    assert "5. `targets/`" in files["README.md"]
    assert "verified" in files["README.md"]
    assert "every-key/bumpers.toml" in files
    code, _, err = called(["bumper", "choose", str(SAMPLE), "--mass", "80"], tmp_path)
    assert code == ExitCode.USAGE
    named = err[err.index("such as ") + 8 :].split("\n")[0]
    assert Path(named).is_file()


def test_the_model_never_replaces_the_bumper_file(sample_lab: Path, tmp_path: Path) -> None:
    plans = [(str(sample_lab.parent / n / "plan.toml"), s) for n, s in (("healthy", 1.0), ("creeping-lock", 2.0))]
    text = text_of(plans)
    (tmp_path / "b.toml").write_text(text, encoding="utf-8")
    code, _, err = called(["bumper", "fit", "b.toml", "--out", "b.toml"], tmp_path)
    assert (code, "another file is there, and is not overwritten" in err) == (ExitCode.USAGE, True)
    assert (tmp_path / "b.toml").read_text(encoding="utf-8") == text
