"""Bumper files, loops of runs, and the command."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pyarrow as pa
import pytest

from benchpipe.bumper.config import load_bumper_file
from benchpipe.bumper.fit import fit_bumper_file
from benchpipe.bumper.loops import _newly_high
from benchpipe.errors import ConfigError, ExitCode
from benchpipe.views.bumpers import model_lines
from tests.bumper.invented import SAMPLE
from tests.cli.commands import run

HEAD = 'name = "b"\nsetting = "preload [mm]"\n'


def text_of(plans: list[tuple[str, float]], more: str = "", head: str = HEAD) -> str:
    """A bumper file of runs and settings."""
    return head + "\n".join(
        f'[[loop]]\nplan = "{plan}"\nblock = "durability"\nsetting = {setting}\nspecimen = "s"\n{more}'
        for plan, setting in plans
    )


@pytest.mark.parametrize(
    ("text", "said", "key"),
    [
        (text_of([("a", 1.0), ("b", 1.0)]), "one setting alone", "loop"),
        (
            text_of([("a", 1.0), ("b", 2.0)], head=HEAD + 'heights = ["9 mm", "9 mm"]\n'),
            "heights go with arms",
            "heights",
        ),
        (text_of([("a", 1.0), ("b", 2.0)], head=HEAD + 'arms = ["0 mm", "9 mm"]\n'), "arms must be above zero", "arms"),
        (text_of([("a", 1.0), ("b", 2.0)], "cycles = [9, 5]"), "two rising cycle numbers", "loop[0].cycles"),
        (
            text_of([("a", 1.0), ("b", 2.0)], head=HEAD + 'structural_limit = "9 N"\n'),
            "is a torque",
            "structural_limit",
        ),
        (text_of([("a", 1.0), ("b", 2.0)], head=HEAD + "hardness = 95\n"), "less than or equal to 80", "hardness"),
    ],
)
def test_what_is_wrong_with_a_bumper_file_is_named(tmp_path: Path, text: str, said: str, key: str) -> None:
    path = tmp_path / "b.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        load_bumper_file(path)
    assert said in str(caught.value)
    assert key in str(caught.value.where)


def test_a_higher_peak_than_ever_before_softens_again() -> None:
    peaks = [50.0, 50.1, 50.0, 50.0, 60.0, 60.0, 60.0, 60.0]
    table = pa.table({"cycle": list(range(1, 9)), "peak_load": peaks, "valley_load": [-1.0] * 8})
    assert _newly_high(table) == {5, 6, 7}
    down = pa.table({"cycle": list(range(1, 9)), "peak_load": [50.0] * 8, "valley_load": [-1.0] * 5 + [-2.0] * 3})
    assert _newly_high(down) == {6, 7, 8}


def test_a_slow_ramp_softens_again_and_again() -> None:
    """Each cycle 1 % above the one before: none is 2 % above it, and all are above what the rubber knows."""
    peaks = [50.0 * 1.01**k for k in range(12)]
    table = pa.table({"cycle": list(range(1, 13)), "peak_load": peaks, "valley_load": [-1.0] * 12})
    assert _newly_high(table) == set(range(3, 13))
    flat = pa.table({"cycle": list(range(1, 7)), "peak_load": [None, *[50.0] * 5], "valley_load": [-1.0] * 6})
    assert _newly_high(flat) == set()


def test_loops_of_runs_are_fitted_with_their_origin(sample_lab: Path, tmp_path: Path) -> None:
    path = tmp_path / "b.toml"
    plans = [(str(sample_lab.parent / n / "plan.toml"), s) for n, s in (("healthy", 1.0), ("creeping-lock", 2.0))]
    path.write_text(text_of(plans), encoding="utf-8")
    found = fit_bumper_file(load_bumper_file(path))
    assert [one.setting for one in found.loops] == [1.0, 2.0]
    source = found.sources[0]
    assert (source.run, source.block, min(source.cycles) >= 4, len(source.key) > 10) == (
        "healthy",
        "durability",
        True,
        True,
    )
    assert found.loops[0].branches.secant == pytest.approx(21.0, rel=0.1)
    lines = "\n".join(model_lines(found))
    assert "too few settings to leave one out" in lines
    assert "one rate cannot tell friction from viscosity" in lines


def test_runs_that_cannot_be_used_are_named_together(sample_lab: Path, tmp_path: Path) -> None:
    path = tmp_path / "b.toml"
    plans = [(str(sample_lab.parent / n / "plan.toml"), float(i)) for i, n in enumerate(("healthy", "wearing", "none"))]
    path.write_text(text_of(plans, "cycles = [1, 3]"), encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        fit_bumper_file(load_bumper_file(path))
    text = str(caught.value)
    assert "no preconditioned loop from cycle 4 on" in text
    assert "measures N against mm" in text
    assert "does not exist" in text


def test_the_command_fits_predicts_and_chooses(sample_lab: Path, tmp_path: Path) -> None:
    plans = [(str(sample_lab.parent / n / "plan.toml"), s) for n, s in (("healthy", 1.0), ("creeping-lock", 2.0))]
    (tmp_path / "b.toml").write_text(text_of(plans), encoding="utf-8")
    code, out, err = run(["bumper", "fit", "b.toml", "--out", "m.json"], tmp_path)
    assert (code, err) == (0, "")
    assert "2 loops, preload [mm] 1 to 2" in out
    code, out, _ = run(["bumper", "predict", "m.json", "--setting", "1.5", "--torque", "70"], tmp_path)
    assert code == 0
    assert "whole curve       not known" in out
    code, _, err = run(["bumper", "predict", "m.json", "--setting", "3"], tmp_path)
    assert (code, "outside those measured" in err) == (ExitCode.USAGE, True)
    code, _, err = run(["bumper", "predict", "m.json"], tmp_path)
    assert (code, "give --setting" in err) == (ExitCode.USAGE, True)
    shutil.copy(SAMPLE, tmp_path)
    target = Path(__file__).parents[2] / "configs" / "targets" / "able-bodied-walking.toml"
    wearer = ["--target", str(target), "--mass", "80", "--activity", "3", "--leg-length", "0.9"]
    code, out, _ = run(["bumper", "choose", "bumpers.json", *wearer], tmp_path)
    assert code == 0
    assert "try blue" in out
    assert "prescribes nothing" in out
    code, out, _ = run(["bumper", "choose", "bumpers.json", *wearer, "--json"], tmp_path)
    document = json.loads(out)
    assert (document["document"], document["try_next"]) == ("benchpipe bumper choice", ["blue", "green"])
    code, out, _ = run(["bumper", "predict", "bumpers.json", "--setting", "65", "--json"], tmp_path)
    assert len(json.loads(out)["branches"]["rising"]) == 41
    code, _, err = run(["bumper", "choose", "bumpers.json"], tmp_path)
    assert (code, "give --mass and --target FILE" in err) == (ExitCode.USAGE, True)
