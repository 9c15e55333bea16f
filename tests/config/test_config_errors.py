"""Every kind of mistake in a config file: file, line, key path, the value, what is allowed, the nearest known."""

from __future__ import annotations

import contextlib
import time
from pathlib import Path

import pytest

from benchpipe.check.validate_limits import limits_fit
from benchpipe.config.model import load_model
from benchpipe.config.toml import read_toml
from benchpipe.errors import ConfigError
from benchpipe.plan import PlanConfig
from benchpipe.run import find_plan, load_lab, load_run
from tests.config.written import FILES, LIMITS, PLAN, RIG, line_of, write_lab


def wrong(plan: Path) -> ConfigError:
    """The error that a plan and what it names give."""
    with pytest.raises(ConfigError) as caught:
        limits_fit(load_run(plan))
    return caught.value


def test_the_files_as_they_are_give_no_error(tmp_path: Path) -> None:
    limits_fit(load_run(write_lab(tmp_path)))
    assert load_lab(tmp_path / "lab.toml")[2] == tmp_path / "store"


# file, piece, what it is replaced by, what the error says, key path
KEYS = [
    ("rig", 'unit = "deg"', 'units = "deg"', "unknown key 'units'", "channel[1].units"),
    ("plan", "baseline", "base_line", "unknown key 'base_line'", "block[0].base_line"),
    ("plan", "report_at", "reportat", "unknown key 'reportat'", "block[1].reportat"),
    ("limits", "at_time", "at_times", "unknown key 'at_times'", "limit[0].at_times"),
    ("lab", "store", "stor", "unknown key 'stor'", "stor"),
]


@pytest.mark.parametrize(("file", "old", "new", "what", "path"), KEYS)
def test_an_unknown_key_names_file_line_path_and_the_nearest(
    tmp_path: Path, file: str, old: str, new: str, what: str, path: str
) -> None:
    plan = write_lab(tmp_path, **{file: (old, new)})
    with pytest.raises(ConfigError) as caught:
        load_lab(tmp_path / "lab.toml") if file == "lab" else load_run(plan)
    text = str(caught.value)
    assert what in text
    assert f"{tmp_path / file}.toml:{line_of(file + '.toml', old)}, key {path}" in text
    assert f"did you mean '{old.strip('[]').split(' ')[0]}'?" in text


# file, piece, what it is replaced by, what the error must hold
VALUES = [
    ("plan", '"80 N*m"', '"80 mm"', "'80 mm' is a length", "a torque, such as '1 N*m' or a force"),
    ("plan", '"80 N*m"', '"80 Nn"', "unknown unit 'Nn'", "did you mean 'N'?"),
    ("plan", '"80 N*m"', "80.0", "write it as text with a unit, such as '80.0 N*m'", "got:      80.0"),
    ("plan", '"1 Hz"', "1.0", "write it as text with a unit, such as '1.0 Hz'", "got:      1.0"),
    ("plan", '"1 Hz"', '"-1 Hz"', "greater than 0", "'-1 Hz'"),
    ("plan", '"1 Hz"', '"1e999 Hz"', "too large", "'1e999 Hz'"),
    ("plan", '"80 N*m"', '"4 N*m"', "load_min must be below load_max", "key block[0]"),
    ("plan", '"80 N*m"', '"4 N"', "load_min must be below load_max, in the same quantity", "key block[0]"),
    ("plan", 'load_max = "80 N*m"\n', "", "give both load_min and load_max", "key block[0]"),
    ("plan", 'load_min = "5', 'control = "motion"\nload_min = "5', "control is motion, and the", "key block[0]"),
    ("plan", 'frequency = "1 Hz"\n', "", "the key 'block[0].frequency' is missing", "add 'frequency'"),
    ("plan", "[10, 20]", "[20, 10]", "baseline: the first cycle must be below the last", "key block[0]"),
    ("plan", "[10, 20]", "[10, 2000]", "baseline ends at cycle 2000, the plan at 1000", "key block[0]"),
    ("plan", "[10, 20]", "[10]", "'block[0].baseline' has too few values", "plan.toml:14"),
    ("plan", "1000", '"1000"', "valid integer", "got:      '1000'"),
    ("plan", "1000", '1000\nplanned_by = "counted"', "planned_by' cannot be used", "known: counter, detected"),
    ("plan", "1000", '1000\nplanned_by = "counter"', "'small rig' names no counter", "key block[0].planned_by"),
    ("plan", "1000", "0", "greater than or equal to 1", "got:      0"),
    ("plan", '"cyclic"', '"cylic"', "'block[0].kind' cannot be used", "did you mean 'cyclic'?"),
    ("plan", 'kind = "cyclic"\n', "", "the key 'block[0].kind' is missing",
     "known: cyclic, hold, idle, locking, proof, relaxation, roll, stance, sweep"),
    ("plan", '"held"', '"durability"', "block names must differ", "plan.toml"),
    ("plan", '"60 N*m"', '"0 N*m"', "load must not be zero", "key block[1]"),
    ("plan", '["1 min", "10 min"]', '["10 min", "1 min"]', "report_at must be rising", "key block[1]"),
    ("plan", '["-5 deg", "12 deg"]', '["12 deg", "-5 deg"]', "resistance_between", "key block[2]"),
    ("plan", '"3 N*m"', '"-3 N*m"', "usable_load must be above zero", "key block[2]"),
    ("plan", '"one"', '"../one"', "'name' cannot be used", "got:      '../one'"),
    ("plan", '["logs/*.csv"]', '"logs/*.csv"', "should be a list", "got:      'logs/*.csv'"),
    ("plan", '["logs/*.csv"]', "[]", "'logs' cannot be used", "got:      []"),
    ("plan", '["limits.toml"]', '["limits.toml", "limits.toml"]', "a limit file is listed twice", "plan.toml"),
    ("plan", '"1 Hz"', '"10 Hz"', "5 samples a cycle, least_samples asks for 10", "key block[0].frequency"),
    ("plan", '"0.2 Hz"', '"0.2 Hz"\nlowpass = "25 Hz"', "filters nothing at 50 samples", "less than 25 Hz"),
    ("plan", '"0.2 Hz"', '"0.2 Hz"\nmode = 1', "names no mode channel", "add mode ="),
    ("plan", '"60 N*m"', '"60 N"', "load is a force, the rig 'small rig' measures torque against", "block[1].load"),
    ("rig", '"utf-8"', '"utf8"', "'log.encoding' cannot be used", "did you mean 'utf-8'?"),
    ("rig", '"N*m"\nunc', '"N.mm"\nunc', "unknown unit 'N.mm'", "did you mean 'N/mm'?"),
    ("rig", '"0.5 %"', '"0.5 N*m"', "'0.5 N*m' is a torque", "a ratio, such as '1 1'"),
    ("rig", '"0.1 N*m"', '"0.1 deg"', "uncertainty_floor is", "key channel[0]"),
    ("rig", '"0.5 %"', '"0.5 %"\nscale = nan', "finite number", "got:      nan"),
    ("rig", '"50 Hz"', '"50 Hz"\ngap_samples = inf', "finite number", "got:      inf"),
    ("rig", '"0.5 %"', '"0.5 %"\nscale = 0', "must not be 0", "key channel[0].scale"),
    ("rig", '"0.1 N*m"', '"-0.1 N*m"', "uncertainty_floor must not be below zero", "key channel[0]"),
    ("rig", '"0.1 N*m"', '"0.1 N*m"\nrange = ["5 N*m", "-5 N*m"]', "range: the first value must be", "channel[0]"),
    ("rig", '"0.1 N*m"', '"0.1 N*m"\nrange = ["5 deg", "6 deg"]', "range is an angle, the channel's", "channel[0]"),
    ("rig", '"temperature"\n\n', '"angle"\n\n', "temperature: 'angle' is an angle", "rig.toml"),
    ("rig", 'name = "angle"', 'name = "torque"', "channel names must differ", "rig.toml"),
    ("rig", 'name = "angle"', 'name = "row"', "used by the samples table itself", "rig.toml"),
    ("rig", 'channel = "angle"', 'channel = "temperature"', "motion: it is a temperature", "rig.toml"),
    ("rig", 'channel = "angle"', 'channel = "angle"\nlever_arm = "80 mm"', "need a length channel", "is an angle"),
    ("rig", 'channel = "angle"', 'channel = "angle"\nmachine_stiffness = "0 N*m/deg"', "above zero", "rig.toml"),
    ("rig", 'channel = "angle"', 'channel = "angle"\nmachine_stiffness = "9 N/mm"', "is a stiffness (linear)", "rig"),
    ("rig", 'channel = "torque"', 'channel = "torque"\nsign = 2', "'load.sign' cannot be used", "got:      2"),
    ("rig", '"utf-8"', '"utf-8"\ndecimal = ","', "decimal ',' and thousands '' must differ", "key log"),
    ("rig", 'column = "t"\n', 'kind = "datetime"\ncolumn = "t"\n', "needs 'format'", "key time"),
    ("rig", 'column = "t"\n', "", "kind 'elapsed' needs 'column'", "key time"),
    ("rig", '"utf-8"', '"utf-8"\nheader = false', "a number from 1, without quotes, such as 1", "key time.column"),
    ("rig", '"deg"', '"deg"\ndue = "2032-01-15"', "valid date", "got:      '2032-01-15'"),
    ("rig", '"torque"\n\n', '"torsion"\n\n', "load names the channel 'torsion'", "known: torque, angle, temperature"),
    ("rig", '[time]\ncolumn = "t"\nsample_rate = "50 Hz"\n', "", "the key 'time' is missing", "add 'time'"),
    ("limits", '"<="', '"=="', "'limit[0].operator' cannot be used", "known: <=, >="),
    ("limits", '"0.1 deg"', '"0.1 mm"', "the value is in mm, creep (median) in deg", "a value in deg"),
    ("limits", '"-15 %"', '"-15 N*m/deg"', "secant_stiffness (change) in 1", "key limit[1].value"),
    ("limits", '"secant_stiffness"', '"secant_stifness"', "unknown measure", "did you mean 'secant_stiffness'?"),
    ("limits", '"durability"', '"durable"', "which plan 'one' does not have", "did you mean 'durability'?"),
    ("limits", '"durability"', '"held"', "secant_stiffness is a measure of cyclic blocks, 'held' is not one",
     "known: cyclic, durability"),
    ("limits", '"hold"', '"cyclic"', "creep is a measure of hold blocks, 'cyclic' is not one", "known: hold, held"),
    ("limits", 'at_time = "10 min"\n', "", "creep needs at_time", "key limit[0].measure"),
    ("limits", '"10 min"', '"9 min"', "does not report at 540 s: add it to report_at", "key limit[0].at_time"),
    ("limits", '"change"', '"count"', "'count' goes with cycles_done", "key limit[1].statistic"),
    ("limits", '"change"', '"share"', "'share' goes with off_target", "key limit[1].statistic"),
    ("limits", "last_cycles = 100", "last_cycles = 100\ncycles = [1, 2]", "last_cycles or cycles, not both", "[1]"),
    ("limits", "last_cycles = 100", "cycles = [2, 1]", "two rising cycle numbers", "key limit[1]"),
    ("limits", "last_cycles = 100", 'decision = "risk"', "write risk = \"5 %\"", "key limit[1].decision"),
    ("limits", "last_cycles = 100", "cycles = [1]", "'limit[1].cycles' has too few values", "a list of 2 values"),
    ("limits", "last_cycles = 100", 'between = ["1 %"]', "'limit[1].between' has too few values", "got:      ['1 %']"),
    ("limits", "last_cycles = 100", 'between = ["1 %", "2 %", "3 %"]', "has too many values", "a list of 2 values"),
    ("limits", "last_cycles = 100", 'between = ["2 %", "1 %"]\n', "'<=' and '>=' go with 'value'", "key limit[1]"),
    ("limits", '"stiffness lost"', '"creep"', "limit names must differ: creep", "limits.toml"),
    ("limits", 'source = "the lab\'s own"\n\n', "\n", "the key 'limit[0].source' is missing", "limits.toml"),
]  # fmt: skip


@pytest.mark.parametrize(("file", "old", "new", "what", "more"), VALUES)
def test_an_impossible_value_is_named_with_what_is_allowed(
    tmp_path: Path, file: str, old: str, new: str, what: str, more: str
) -> None:
    text = str(wrong(write_lab(tmp_path, **{file: (old, new)})))
    assert what in text
    assert more in text
    assert f"{tmp_path / file}.toml" in text


def test_all_mistakes_of_a_file_are_told_at_once_each_with_its_line(tmp_path: Path) -> None:
    spoilt = PLAN.replace('"80 N*m"', '"80 mm"').replace('"60 N*m"', "60").replace("usable_load", "useable_load")
    write_lab(tmp_path)
    (tmp_path / "plan.toml").write_text(spoilt, encoding="utf-8")
    text = str(wrong(tmp_path / "plan.toml"))
    for piece, path in [
        ('"80 N*m"', "block[0].load_max"),
        ('"60 N*m"', "block[1].load"),
        ("usable_load", "block[2].useable_load"),
    ]:
        assert f"plan.toml:{line_of('plan.toml', piece)}, key {path}" in text
    assert text.count("\n  and: ") == 3  # and the missing usable_load


def test_a_misspelt_table_is_named_with_the_line_of_its_first_key(tmp_path: Path) -> None:
    text = str(wrong(write_lab(tmp_path, rig=("[time]", "[tiem]"))))
    assert text.startswith("the key 'time' is missing")
    assert "unknown key 'tiem'; did you mean 'time'?" in text
    assert f"rig.toml:{line_of('rig.toml', '[time]') + 1}, key tiem" in text


def test_a_limit_file_tells_all_misfits_at_once(tmp_path: Path) -> None:
    spoilt = LIMITS.replace('"0.1 deg"', '"0.1 mm"').replace('"secant_stiffness"', '"stiffness"')
    write_lab(tmp_path)
    (tmp_path / "limits.toml").write_text(spoilt, encoding="utf-8")
    text = str(wrong(tmp_path / "plan.toml"))
    assert f"limits.toml:{line_of('limits.toml', 'value')}, key limit[0].value" in text
    assert "unknown measure 'stiffness'" in text


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ('specimen = "S-1"', 'specimen "S-1"', 2),
        ('specimen = "S-1"', 'specimen = "S-1', 2),
        ('specimen = "S-1"', 'specimen = "S-1"\nspecimen = "S-2"', 3),
        ("[[block]]", "[[block]", 7),
    ],
)
def test_bad_toml_names_the_line(tmp_path: Path, old: str, new: str, line: int) -> None:
    error = wrong(write_lab(tmp_path, plan=(old, new)))
    assert error.what.startswith("not valid TOML: ")
    assert error.where == f"{tmp_path}/plan.toml:{line}"


@pytest.mark.parametrize(
    "path",
    [r'"C:\rigs\rig.toml"', r'"C:\Users\rig.toml"', r'"..\logs\rig.toml"', r'"..\rig.toml"', r'"rigs\temp.toml"',
     r"'..\rig.toml'", r"'C:\rigs\rig.toml'", r'"\\share\rig.toml"'],
)  # fmt: skip
def test_a_windows_path_gets_a_hint(tmp_path: Path, path: str) -> None:
    text = str(wrong(write_lab(tmp_path, plan=('"rig.toml"', path))))
    assert "with /" in text
    assert f"{tmp_path / 'plan.toml'}:3" in text


def test_a_windows_pattern_gets_a_hint(tmp_path: Path) -> None:
    assert "with /" in str(wrong(write_lab(tmp_path, plan=('"logs/*.csv"', r"'logs\*.csv'"))))


@pytest.mark.parametrize("pattern", ["**/" * 5000 + "*", "[a" * 5000])
def test_a_pattern_that_takes_for_ever_is_refused(tmp_path: Path, pattern: str) -> None:
    plan = write_lab(tmp_path, plan=('logs = ["', f'logs = ["{pattern}", "'))
    with pytest.raises(ConfigError, match=r"a pattern of 1[05],00[01] letters: at most 500"):
        load_run(plan)


def test_a_missing_file_names_who_asks_for_it(tmp_path: Path) -> None:
    plan = write_lab(tmp_path)
    (tmp_path / "rig.toml").unlink()
    error = wrong(plan)
    assert error.what == f"the file '{tmp_path / 'rig.toml'}' does not exist"
    assert error.where == f"{plan}:3, key rig"


def test_a_missing_limit_file_names_who_asks_for_it(tmp_path: Path) -> None:
    plan = write_lab(tmp_path, plan=('"limits.toml"', '"limits.toml", "no.toml"'))
    error = wrong(plan)
    assert error.where == f"{plan}:4, key limits[1]"


@pytest.mark.parametrize("what", ["missing", "folder"])
def test_a_plan_that_is_no_file(tmp_path: Path, what: str) -> None:
    place = tmp_path / "plan.toml"
    if what == "folder":
        place.mkdir()
    error = wrong(place)
    assert error.where == str(place)


@pytest.mark.parametrize("encoding", ["utf-16", "latin-1"])
def test_another_encoding_says_save_as_utf8(tmp_path: Path, encoding: str) -> None:
    write_lab(tmp_path)
    (tmp_path / "plan.toml").write_bytes(PLAN.replace("S-1", "Kugelfuß").encode(encoding))
    error = wrong(tmp_path / "plan.toml")
    assert error.what == "the file is not UTF-8 text"
    assert error.do_next == "save it as UTF-8"
    assert error.where is not None
    assert error.where.startswith(f"{tmp_path / 'plan.toml'}, byte ")


def test_a_byte_order_mark_and_windows_line_ends_are_fine(tmp_path: Path) -> None:
    write_lab(tmp_path)
    spoilt = PLAN.replace('"80 N*m"', '"80 mm"')
    (tmp_path / "plan.toml").write_bytes(b"\xef\xbb\xbf" + spoilt.replace("\n", "\r\n").encode())
    assert f"plan.toml:{line_of('plan.toml', '80 N*m')}, key block[0].load_max" in str(wrong(tmp_path / "plan.toml"))


def test_brackets_without_end_are_no_crash(tmp_path: Path) -> None:
    (tmp_path / "deep.toml").write_text("a = " + "[" * 100_000, encoding="utf-8")
    with pytest.raises(ConfigError, match="TOML"):
        read_toml(tmp_path / "deep.toml")


def test_without_line_numbers_the_key_path_is_still_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "toml_rs", None)
    error = wrong(write_lab(tmp_path, plan=('"80 N*m"', '"80 mm"')))
    assert error.where == f"{tmp_path / 'plan.toml'}, key block[0].load_max"


def test_a_run_name_the_lab_does_not_have_names_the_nearest(tmp_path: Path) -> None:
    write_lab(tmp_path)
    assert find_plan("one", tmp_path / "lab.toml") == tmp_path / "plan.toml"
    with pytest.raises(ConfigError, match="the lab has no run 'on'") as caught:
        find_plan("on", tmp_path / "lab.toml")
    assert "did you mean 'one'?" in str(caught.value)


def test_a_broken_plan_does_not_hide_the_other_runs_of_a_lab(tmp_path: Path) -> None:
    write_lab(tmp_path, lab=('["plan.toml"]', '["no.toml", "broken.toml", "plan.toml"]'))
    (tmp_path / "broken.toml").write_text("name =", encoding="utf-8")
    assert find_plan("one", tmp_path / "lab.toml") == tmp_path / "plan.toml"
    with pytest.raises(ConfigError, match=r"and 2 plan\(s\) cannot be read"):
        find_plan("two", tmp_path / "lab.toml")


def test_a_lab_whose_only_plan_is_wrong_has_no_run_to_name(tmp_path: Path) -> None:
    write_lab(tmp_path, plan=("name =", "nam ="))
    with pytest.raises(ConfigError, match=r"and 1 plan\(s\) cannot be read") as caught:
        find_plan("one", tmp_path / "lab.toml")
    assert caught.value.expected == "a run whose plan can be read; there is none"
    assert caught.value.do_next == "correct the plan first: benchpipe doctor LAB names all that is wrong"


def test_no_lab_file_anywhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(ConfigError, match=r"no lab\.toml is here or above"):
        find_plan("one", None)


def test_every_file_spoilt_at_any_byte_gives_a_config_error_or_loads(tmp_path: Path) -> None:
    write_lab(tmp_path)
    data = PLAN.encode()
    for at in range(0, len(data), 3):
        (tmp_path / "plan.toml").write_bytes(data[:at] + bytes([data[at] ^ 0x15]) + data[at + 1 :])
        with contextlib.suppress(ConfigError):
            load_model(PlanConfig, tmp_path / "plan.toml")


def test_written_files_are_all_used() -> None:
    assert set(FILES) == {"rig.toml", "plan.toml", "limits.toml", "lab.toml"}
    assert all(RIG.count(word) == 1 for word in ("[time]", "[load]", "[motion]"))


def test_a_risk_that_the_whole_file_lacks_and_ends_that_fall_name_the_key(tmp_path: Path) -> None:
    from benchpipe.config.limits import LimitsConfig
    from benchpipe.config.model import load_model

    path = tmp_path / "limits.toml"
    limit = '[[limit]]\nname = "a"\nblock = "b"\nmeasure = "peak_load"\nsource = "s"\n'
    head = 'name = "own"\nbasis = "invented"\n'
    for text, line, key in (
        (head + 'decision = "risk"\n' + limit + 'operator = "<="\nvalue = "1 N"\n', 3, "decision"),
        (head + limit + 'operator = "within"\nbetween = ["3 N", "2 N"]\n', 9, "limit[0].between"),
    ):
        path.write_text(text)
        with pytest.raises(ConfigError) as caught:
            load_model(LimitsConfig, path)
        assert caught.value.where == f"{path}:{line}, key {key}"


@pytest.mark.parametrize(
    ("text", "what", "line"),
    [
        ("x = 1\ny = " + "9" * 5000 + "\n", "a number of more than 100 characters", 2),
        ("y = 0x" + "f" * 5000 + "\n", "a number of more than 100 characters", 1),
        ("y = 1." + "0" * 200_000 + "e5\n", "a number of more than 100 characters", 1),
        ("x = 1\n\n" + ".".join("a" * 50_000) + " = 1\n", "a key of more than 32 parts", 3),
        ("[" + " . ".join("a" * 50_000) + "]\nx = 1\n", "a key of more than 32 parts", 1),
        ('"a"' + ".'b'" * 50_000 + " = 1\n", "a key of more than 32 parts", 1),
        ("x = { " + ".".join("a" * 50_000) + " = 1 }\n", "a key of more than 32 parts", 1),
        ("x = " + "{ a = " * 60 + "1" + " }" * 60 + "\n", "nested too deeply", None),
        ("x = " + "[" * 60 + "]" * 60 + "\n", "nested too deeply", None),
        ("# " + "a" * 3_000_000 + "\n", "too large for a configuration", None),
        ("x = 2026-02-30\n", "not valid TOML", None),
    ],
)  # fmt: skip
def test_what_no_configuration_has_is_refused_at_once(tmp_path: Path, text: str, what: str, line: int | None) -> None:
    path = tmp_path / "odd.toml"
    path.write_text(text)
    begun = time.process_time()
    with pytest.raises(ConfigError, match=what) as told:
        read_toml(path)
    assert time.process_time() - begun < 2.0
    assert str(told.value.where).startswith(f"{path}:{line}" if line else str(path))
    assert len(str(told.value)) < 2000


def test_long_texts_and_comments_are_no_long_keys_and_numbers(tmp_path: Path) -> None:
    path = tmp_path / "plain.toml"
    words, digits = "a. b.c " * 60, "1234567890" * 30
    lines = [
        f"# {words} {digits}", f'x = "{words}{digits}" # \'', f"y = '{digits}'", f'z = """\n{digits}\n{words}\\\""""',
        f"w = \'\'\'{digits}\'\'\'", "v = 1.5",
    ]  # fmt: skip
    path.write_text("\n".join(lines) + "\n")
    assert read_toml(path).values["v"] == 1.5


@pytest.mark.parametrize("pause", ["-1 s", "1e300 d", "101000 d"])
def test_a_pause_that_no_test_has_names_its_key(tmp_path: Path, pause: str) -> None:
    plan = write_lab(tmp_path)
    plan.write_text(f'restart_pause = "{pause}"\n' + plan.read_text())
    with pytest.raises(ConfigError, match="between 0 s and 100 years") as caught:
        load_run(plan)
    assert "restart_pause" in str(caught.value.where)
