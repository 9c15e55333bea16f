"""[[test]] of a lab file: what it may say, and that each mistake is named with file, line, key and the nearest name."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchpipe.errors import ConfigError
from benchpipe.run import find_plan, load_lab, load_run
from tests.config.written import PLAN, write_lab

TEST = """
[[test]]
name = "two ankles"
required = 2
allow_substitute = 1
allow_repeat = 1
weibull_shape = 2

[[test.specimen]]
name = "A"
stage = [{ run = "one", blocks = ["durability"] }, { run = "one", name = "held", blocks = ["held"], limits = ["own"] }]

[[test.specimen]]
name = "B"
replaced_by = "C"
reason = "the clamp slipped"

[[test.specimen.stage]]
run = "two"

[[test.specimen]]
name = "C"

[[test.specimen.stage]]
run = "three"
repeated_by = "four"
reason = "the load cell's cable came off"

[[test.specimen.stage]]
run = "four"
"""
RUNS = {"one": "S-1", "two": "S-2", "three": "S-3", "four": "S-3"}


def lab(folder: Path, text: str = TEST, **specimens: str) -> Path:
    """A lab of four runs with that text at the end of its lab file."""
    write_lab(folder)
    for name, specimen in (RUNS | specimens).items():
        plan = PLAN.replace('name = "one"', f'name = "{name}"').replace('"S-1"', f'"{specimen}"')
        (folder / f"{name}.toml").write_text(plan, encoding="utf-8")
    path = folder / "lab.toml"
    plans = ", ".join(f'"{name}.toml"' for name in RUNS)
    path.write_text(f'name = "lab"\nstore = "store"\nplans = [{plans}]\n{text}', encoding="utf-8")
    return path


def line_of(piece: str, text: str = TEST) -> int:
    """Line of a piece in the lab file."""
    return 3 + text[: text.index(piece)].count("\n") + 1


def test_a_test_is_read(tmp_path: Path) -> None:
    (test,) = load_lab(lab(tmp_path), with_tests=True)[0].test
    assert (test.name, test.required, test.confidence, test.weibull_shape) == ("two ankles", 2, 0.9, 2.0)
    stages = [[stage.called for stage in one.stage] for one in test.specimen]
    assert stages == [["one", "held"], ["two"], ["three", "four"]]
    assert [one.replaced_by for one in test.specimen] == [None, "C", None]


# piece of TEST, what stands there instead, what the error says, key, nearest
WRONG = [
    ('run = "one", blocks', 'run = "on", blocks', "the lab has no run 'on'", "[0].specimen[0].stage[0].run", "'one'"),
    ('run = "two"', 'run = "Two"', "no run 'Two'", "specimen[1].stage[0].run", "did you mean 'two'?"),
    ('["durability"]', '["durable"]', "run 'one' has no block 'durable'", "stage[0].blocks[0]", "'durability'"),
    ('limits = ["own"]', 'limits = ["owm"]', "no limit file 'owm'", "stage[1].limits[0]", "'own'"),
    ('replaced_by = "C"', 'replaced_by = "c"', "'B' is replaced by 'c', which is not there", "replaced_by", "'C'"),
    ('repeated_by = "four"', 'repeated_by = "fore"', "'three' is repeated by 'fore'", "stage[0].repeated_by", "'four'"),
    ('"the clamp slipped"', '" "', "'B' is replaced by 'C' for no reason", "replaced_by", "add reason"),
    ('replaced_by = "C"\n', "", "'B' has a reason, and no replaced_by", "specimen[1].reason", "add replaced_by"),
    ("required", "requiered", "unknown key 'requiered'", "test[0].requiered", "did you mean 'required'?"),
    ("weibull_shape = 2", "weibull_shape = 0", "greater than 0", "test[0].weibull_shape", "got:      0"),
    ("weibull_shape = 2", "confidence = 0.9", "write it as text with a unit", "test[0].confidence", "0.9"),
    ("weibull_shape = 2", 'confidence = "100 %"', "less than 1", "test[0].confidence", "100 %"),
    ("allow_substitute = 1\n", "", "1 specimen(s) are replaced, allow_substitute = 0", "test[0]", "set up for"),
    ("allow_repeat = 1\n", "", "1 stage(s) are repeated, allow_repeat = 0", "test[0]", "set up for"),
    ('name = "C"', 'name = "A"', "the names of specimens must differ: A, B, A", "test[0]", ""),
    ('run = "four"', 'run = "one"', "run 'one' is of one specimen; got 'A' and 'C'", "test[0]", ""),
    ('name = "held", blocks = ["held"]', 'name = "held", blocks = ["durability"]', "different blocks", "men[0]", ""),
    ('name = "held", blocks = ["held"]', 'name = "held"', "must name different blocks", "specimen[0]", ""),
    ('name = "held", ', "", "the names of stages must differ", "specimen[0]", ""),
    ('run = "four"', 'run = "four"\nrepeated_by = "three"\nreason = "x"', "2 stage(s) are repeated", "test[0]", ""),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "what", "key", "more"), WRONG)
def test_a_mistake_is_named_with_its_place(tmp_path: Path, old: str, new: str, what: str, key: str, more: str) -> None:
    assert old in TEST
    with pytest.raises(ConfigError) as caught:
        load_lab(lab(tmp_path, TEST.replace(old, new, 1)), with_tests=True)
    text = str(caught.value)
    assert what in text
    assert more in text
    assert key in text
    assert f"{tmp_path / 'lab.toml'}:" in text


def test_the_line_is_that_of_the_name(tmp_path: Path) -> None:
    text = TEST.replace('run = "two"', 'run = "tow"')
    with pytest.raises(ConfigError) as caught:
        load_lab(lab(tmp_path, text), with_tests=True)
    line = line_of('run = "tow"', text)
    assert caught.value.where == f"{tmp_path / 'lab.toml'}:{line}, key test[0].specimen[1].stage[0].run"
    assert "did you mean 'two'? (known: four, one, three, two)" in str(caught.value)


def test_stand_ins_never_go_in_a_circle(tmp_path: Path) -> None:
    text = TEST.replace("allow_substitute = 1", "allow_substitute = 3")
    ring = text.replace('name = "C"\n', 'name = "C"\nreplaced_by = "B"\nreason = "x"\n')
    with pytest.raises(ConfigError, match="leads back to it"):
        load_lab(lab(tmp_path, ring), with_tests=True)
    both = text.replace('name = "A"\n', 'name = "A"\nreplaced_by = "C"\nreason = "x"\n')
    with pytest.raises(ConfigError, match="'C' stands in for more than one"):
        load_lab(lab(tmp_path, both), with_tests=True)
    chain = text.replace('name = "C"\n', 'name = "C"\nreplaced_by = "A"\nreason = "x"\n')
    assert load_lab(lab(tmp_path, chain), with_tests=True)[0].test[0].specimen[2].replaced_by == "A"


def test_one_specimen_counts_once_and_all_its_runs_are_of_it(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"'B' and 'A' are one specimen by their plans \('S-1'\): it would"):
        load_lab(lab(tmp_path, two="S-1"), with_tests=True)
    with pytest.raises(ConfigError, match="the runs of 'C' are of different specimens by their plans: 'S-3' and 'S-4'"):
        load_lab(lab(tmp_path, four="S-4"), with_tests=True)


def test_a_plan_that_cannot_be_read_is_no_mistake_of_the_test(tmp_path: Path) -> None:
    path = lab(tmp_path)
    (tmp_path / "two.toml").write_text("name = ", encoding="utf-8")
    assert len(load_lab(path, with_tests=True)[1]) == 4
    (tmp_path / "limits.toml").unlink()
    assert len(load_lab(path, with_tests=True)[1]) == 4


def test_two_tests_have_two_names(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"the names of \[\[test\]\] must differ: two ankles, two ankles"):
        load_lab(lab(tmp_path, TEST + TEST), with_tests=True)


def test_a_run_is_found_whatever_the_lab_says_of_tests(tmp_path: Path) -> None:
    path = lab(tmp_path, TEST.replace('run = "two"', 'run = "tow"'))
    assert find_plan("two", path) == tmp_path / "two.toml"
    assert load_run(tmp_path / "two.toml").store == tmp_path / "store"
