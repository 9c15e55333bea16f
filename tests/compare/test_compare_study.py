"""Study files: what is wrong is named with file, line and key; a draft asks its questions; lives; whole studies."""

from __future__ import annotations

import json
import math
import shutil
from pathlib import Path

import pytest

from benchpipe.check.budget import Budget, BudgetPart
from benchpipe.check.figure import JudgedFigure
from benchpipe.compare.lives import Life, compare_lives
from benchpipe.compare.readings import parts_of
from benchpipe.compare.run import compare_study
from benchpipe.compare.study import load_study
from benchpipe.errors import ConfigError, ExitCode
from tests.cli.commands import called, run
from tests.compare.invented import cloned, study

HEAD = """
name = "stiffer bumper"
variants = ["A", "B"]
reference = "A"
family = "single"
"""
MEASURE = """
[[measure]]
name = "secant_stiffness"
block = "durability"
window = 50
"""


def text_of(runs: list[tuple[str, str, str]], more: str = "", head: str = HEAD, measure: str = MEASURE) -> str:
    """A study file of runs: plan, variant, specimen."""
    lines = [f'[[run]]\nplan = "{p}"\nvariant = "{v}"\nspecimen = "{s}"\n{more}' for p, v, s in runs]
    return head + measure + "\n" + "\n".join(lines)


TWO = [("a/plan.toml", "A", "a"), ("b/plan.toml", "B", "b")]


@pytest.mark.parametrize(
    ("text", "said", "key"),
    [
        (text_of(TWO, head=HEAD.replace('e = "A"', 'e = "C"')), "the reference 'C' is no variant", "reference"),
        (text_of([TWO[0], ("b.toml", "b", "b")]), "'b' is no variant; did you mean 'B'?", "run[1].variant"),
        (text_of([TWO[0]]), "no run is of variant 'B'", "variants"),
        (text_of(TWO, head=HEAD + 'question = "life"'), "say failed = true or false", "run[0]"),
        (text_of(TWO, measure=""), "no measure to compare", ""),
        (text_of(TWO, head=HEAD + 'question = "ranking"'), "say which is better", "measure[0]"),
        (text_of(TWO, measure=MEASURE + 'stage = "after"'), "'cycles' goes with stage", "measure[0]"),
        (text_of(TWO, measure=MEASURE + 'scale = "difference"'), "needs its own margin", "measure[0]"),
        (text_of(TWO, measure=MEASURE + 'margin = "2 N*m"'), "goes with a margin that is a share", "measure[0].margin"),
        (text_of(TWO, measure=MEASURE + 'margin = "0 %"'), "the margin must be above zero", "measure[0].margin"),
        (text_of(TWO, head=HEAD.replace("single", "dunnett") + 'pairs = [["B", "A"]]'), "has its own pairs", "pairs"),
        (text_of([*TWO, ("c", "C", "c")], head=HEAD.replace('"B"]', '"B", "C"]')), "2 comparisons are a", "family"),
        (text_of(TWO, head=HEAD + "marign = 3"), "unknown key 'marign'", "marign"),
        (text_of(TWO, head=HEAD + 'block = "day"'), 'block = "day", and this run states none', "run[0]"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_a_study_is_named(tmp_path: Path, text: str, said: str, key: str) -> None:
    path = tmp_path / "study.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        load_study(path)
    assert said in str(caught.value)
    assert key in str(caught.value.where)


def test_a_missing_plan_and_an_unknown_measure_are_named(tmp_path: Path, sample_lab: Path) -> None:
    path = tmp_path / "study.toml"
    path.write_text(text_of(TWO), encoding="utf-8")
    with pytest.raises(ConfigError, match="does not exist") as caught:
        compare_study(load_study(path))
    assert "run[0].plan" in str(caught.value.where)
    plans = [(str(sample_lab.parent / n / "plan.toml"), v, v) for n, v in (("healthy", "A"), ("wearing", "B"))]
    path.write_text(text_of(plans, 'include = ["unfinished", "failing"]'), encoding="utf-8")
    with pytest.raises(ConfigError, match="measures N against mm, run 'healthy' N\\*m against deg"):
        compare_study(load_study(path))
    plans[1] = (str(sample_lab.parent / "creeping-lock/plan.toml"), "B", "b")
    text = text_of(plans, 'include = ["unfinished", "failing"]').replace("secant_stiffness", "secant_stifness")
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match="did you mean 'secant_stiffness'"):
        compare_study(load_study(path))


def test_unfinished_and_failing_runs_are_in_by_name_only(tmp_path: Path, sample_lab: Path) -> None:
    path = tmp_path / "study.toml"
    plans = [(str(sample_lab.parent / n / "plan.toml"), v, v) for n, v in (("healthy", "A"), ("creeping-lock", "B"))]
    path.write_text(text_of(plans), encoding="utf-8")
    found = compare_study(load_study(path))
    assert [one.run for one in found.left_out] == ["healthy", "creeping-lock"]
    assert found.measures[0].comparisons[0].outcome == "not analysed"


@pytest.fixture(scope="module")
def series(sample_lab: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Lab folder with four specimens of each of two variants, B stiffer by 14 %."""
    folder = tmp_path_factory.mktemp("series")
    shutil.copytree(sample_lab.parents[1], folder, dirs_exist_ok=True)
    lab, plans = folder / "sample_runs" / "lab.toml", []
    for i, factor in enumerate((0.99, 1.0, 1.01, 1.02)):
        for variant, by in (("A", 1.0), ("B", 1.14)):
            cloned(lab, "healthy", f"{variant}{i}", factor * by)
            plans.append((f"{variant}{i}/plan.toml", variant, f"{variant}{i}"))
    text = text_of(plans, 'include = ["unfinished", "failing"]')
    (lab.parent / "study.toml").write_text(text, encoding="utf-8")
    return lab.parent


def test_a_whole_study_finds_what_was_put_in(series: Path) -> None:
    found = compare_study(load_study(series / "study.toml"))
    (measure,) = found.measures
    (one,) = measure.comparisons
    assert one.value == pytest.approx(0.14, abs=1e-6)
    assert one.outcome == "beyond the margin"
    assert one.shared_u == pytest.approx(0.0, abs=1e-9)  # one rig: its certificate cancels
    assert all(r.shared_u > 0.0 and r.own_u > 0.0 and r.n_used == 50 for r in measure.readings)
    assert found.notes[0].startswith("unfinished, in by name: A0, B0")


def test_the_command_says_what_was_found(series: Path) -> None:
    code, out, err = run(["compare", "study.toml"], series)
    assert (code, err) == (0, "")
    assert "B / A" in out
    assert "BEYOND THE MARGIN" in out
    assert "specimens apart" in out
    code, out, _ = run(["compare", "study.toml", "--json"], series)
    document = json.loads(out)
    assert (code, document["document"], document["version"]) == (0, "benchpipe comparison", 1)
    comparison = document["measures"][0]["comparisons"][0]
    assert comparison["value"] == pytest.approx(0.14, abs=1e-6)
    assert comparison["runs"][0] == "A0"


def test_screens_of_a_study_fit_80_columns(series: Path) -> None:
    code, out, _ = called(["compare", "study.toml"], series, COLUMNS="80", NO_COLOR="1")
    assert code == 0
    assert max(map(len, out.splitlines())) <= 80
    assert "\x1b" not in out


def test_a_plan_named_twice_is_refused_and_specimens_that_the_plans_name_once_are_said(series: Path) -> None:
    text = (series / "study.toml").read_text(encoding="utf-8").replace("B1/plan.toml", "./B0/plan.toml")
    (series / "twice.toml").write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match=r"run\[1\] and run\[3\] are the same plan") as caught:
        compare_study(load_study(series / "twice.toml"))
    assert "run[3].plan" in str(caught.value.where)
    notes = compare_study(load_study(series / "study.toml")).notes
    assert notes[1].startswith("the plans name one specimen, ")
    assert "where the study has several: A0, B0" in notes[1]


def test_a_run_that_is_unfinished_and_fails_needs_both_words(sample_lab: Path, tmp_path: Path) -> None:
    plans = [(str(sample_lab.parent / n / "plan.toml"), v, v) for n, v in (("healthy", "A"), ("creeping-lock", "B"))]
    for word, other in (("failing", "unfinished"), ("unfinished", "failing")):
        path = tmp_path / f"{word}.toml"
        path.write_text(text_of(plans, f'include = ["{word}"]'), encoding="utf-8")
        left = {one.run: one.why for one in compare_study(load_study(path)).left_out}
        why = f'{other}: write include = ["unfinished", "failing"] in its [[run]] to take it all the same'
        assert left["creeping-lock"] == why
        assert ("healthy" in left) == (word == "failing")


def test_a_page_replaces_no_other_file(series: Path) -> None:
    text = (series / "study.toml").read_text(encoding="utf-8")
    code, _, err = called(["compare", "study.toml", "--page", "study.toml"], series)
    assert (code, "another file is there, and is not overwritten" in err) == (ExitCode.USAGE, True)
    assert (series / "study.toml").read_text(encoding="utf-8") == text
    for _ in range(2):  # its own page is replaced
        assert called(["compare", "study.toml", "--page", "page.html"], series)[0] == 0


def test_a_comparison_that_is_refused_leaves_with_11(series: Path, tmp_path: Path) -> None:
    text = (series / "study.toml").read_text(encoding="utf-8").replace('"B1"', '"B0"').replace('"B2"', '"B0"')
    (series / "few.toml").write_text(text.replace('specimen = "B3"', 'specimen = "B0"'), encoding="utf-8")
    code, out, _ = run(["compare", "few.toml"], series)
    assert code == ExitCode.INCONCLUSIVE
    assert "NOT ANALYSED: 1 specimen of B" in out


def test_a_draft_asks_what_only_a_person_knows(series: Path) -> None:
    plans = [f"A{i}/plan.toml" for i in range(2)]
    code, out, _ = run(["compare", "--init", *plans, "--out", "drafted.toml"], series)
    assert code == 0
    assert "answer every" in out
    code, _, err = run(["compare", "drafted.toml"], series)
    assert code == ExitCode.USAGE
    assert "'variants' is still a question: which variants are compared?" in err
    text = (series / "drafted.toml").read_text(encoding="utf-8").replace('variants = "?"', 'variants = ["A", "B"]')
    text = text.replace('reference = "?"', 'reference = "A"').replace('variant = "?"', 'variant = "A"', 1)
    (series / "answered.toml").write_text(text.replace('variant = "?"', 'variant = "B"'), encoding="utf-8")
    assert [r.variant for r in load_study(series / "answered.toml").config.run] == ["A", "B"]
    code, _, err = run(["compare", "--init", *plans, "--out", "drafted.toml"], series)
    assert code == ExitCode.USAGE
    assert "not overwritten" in err
    code, _, err = run(["compare", "one.toml", "two.toml"], series)
    assert code == ExitCode.USAGE
    assert "name one study file" in err


def test_parts_that_are_not_known_are_named() -> None:
    budget = Budget((BudgetPart("noise", 3.0, 9.0, "A"), BudgetPart("certificate", 4.0), BudgetPart("zero", math.nan)))
    assert parts_of(JudgedFigure(1.0, budget)) == (3.0, 4.0, "not known, counted as nought: zero")


def lives(variant: str, cycles: list[float], failed: list[bool]) -> list[Life]:
    return [
        Life(variant, f"{variant}{i}", c, f, (f"{variant}{i}",))
        for i, (c, f) in enumerate(zip(cycles, failed, strict=True))
    ]


def test_two_and_two_with_run_outs_get_bounds_and_no_test() -> None:
    some = [*lives("A", [4e5, 9e5], [True, True]), *lives("B", [2e6, 2e6], [False, False])]
    (one,) = compare_lives(study("AB", question="difference", weibull_shape=2.0), some)
    assert "cannot reach 5 %" in one.words
    assert math.isnan(one.ratio)
    words = dict(one.survival)
    assert words["B"][0] == "2 of 2 survived 2,000,000 cycles: reliability at least 0.31 with 90 % confidence"
    assert "characteristic life at least" in words["B"][1]


def test_lives_that_differ_are_found() -> None:
    a, b = [1e5, 2e5, 3e5, 2.5e5, 1.5e5], [9e5, 1.1e6, 1.3e6, 1.2e6, 1e6]
    (one,) = compare_lives(study("AB"), [*lives("A", a, [True] * 5), *lives("B", b, [True] * 5)])
    assert one.words == "the lives differ"
    assert one.low < one.ratio < one.high
    assert one.exact
    assert one.p == pytest.approx(one.least_p)
