"""The page of a bumper choice, on the invented five: what it says is what the choice says."""

from __future__ import annotations

import re
from dataclasses import replace
from math import inf, nan
from pathlib import Path

import numpy as np
import pytest

from benchpipe.bumper.choose import CAUTION, BumperChoice, choose
from benchpipe.bumper.model import BumperModel, load_bumper_model
from benchpipe.bumper.predict import predict
from benchpipe.bumper.settings import Errors
from benchpipe.bumper.target import load_targets, target_for
from benchpipe.report.page.bumpers import bumper_document
from benchpipe.views.page.bumper_page import bumper_page
from tests.bumper.invented import SAMPLE
from tests.cli.commands import called

TARGETS = Path(__file__).parents[2] / "configs" / "targets" / "able-bodied-walking.toml"


@pytest.fixture(scope="module")
def five() -> BumperModel:
    return load_bumper_model(SAMPLE)


@pytest.fixture(scope="module")
def found(five: BumperModel) -> BumperChoice:
    return choose(five, target_for(load_targets([TARGETS]), 80.0, activity=3, leg_length_m=0.9))


def test_charts_hold_the_figures_of_the_choice(five: BumperModel, found: BumperChoice) -> None:
    stiffness, loops, between = bumper_page(five, found, "m.json", "--mass 80").charts
    shown = stiffness.panels[0]
    assert shown.x.names == ("white", "blue", "green", "yellow", "red")
    by_label = {one.label: one.stiffness for one in found.candidates}
    np.testing.assert_allclose(shown.series[0].y, [by_label[name] for name in shown.x.names])
    assert shown.rulers[0].value == found.target.stiffness_nm_per_deg
    assert [one.name for one in loops.panels[0].series] == ["white", "blue", "green", "yellow"]
    predicted = predict(five, found.between, rate=found.rate_deg_s)
    loading = between.panels[0].series[0]
    np.testing.assert_allclose(loading.high - loading.y, predicted.band)
    assert f"± {predicted.band:.3g} N·m" in str(between.answer[0])


def test_the_document_says_which_two_and_why_and_asks_for_nothing(five: BumperModel, found: BumperChoice) -> None:
    text = bumper_document(bumper_page(five, found, "m.json", "--mass 80"))
    words = re.sub("&#x27;", "'", text)
    assert found.words in words
    assert CAUTION in words
    assert "not verified" in words
    assert "benchpipe bumper choose m.json --mass 80 --json" in words
    assert not re.search(r"(?:src|href)=\"(?!#)", text)
    assert len(text) < 150_000
    assert text == bumper_document(bumper_page(five, found, "m.json", "--mass 80"))


def test_names_with_markup_stay_text(five: BumperModel, found: BumperChoice) -> None:
    odd = replace(found, model="<script>alert(1)</script>\x1b[2J", notes=("<b>x</b>",))
    text = bumper_document(bumper_page(replace(five, remarks=("<i>",)), odd, "m.json", "--mass 80"))
    assert "<script>alert" not in text
    assert "<b>x</b>" not in text
    assert "<i>" not in text
    assert "\x1b" not in text


def test_a_target_beyond_all_and_a_band_that_is_not_known_are_drawn(five: BumperModel, found: BumperChoice) -> None:
    beyond = bumper_page(five, replace(found, between=nan), "m", "--mass 80")
    assert [one.name for one in beyond.charts] == ["stiffness", "loops"]
    blind = replace(five, errors=Errors((), inf, inf, inf))
    between = bumper_page(blind, found, "m", "--mass 80").charts[2]
    assert between.panels[0].series[0].high is None
    assert "not known" in str(between.answer[0])
    assert "Prediction" not in bumper_document(bumper_page(blind, found, "m", "--mass 80"))


def test_the_command_writes_it_and_replaces_no_other_file(tmp_path: Path) -> None:
    asked = ["--target", str(TARGETS), "--mass", "80", "--activity", "3", "--leg-length", "0.9", "--page"]
    code, out, err = called(["bumper", "choose", str(SAMPLE), *asked, "new/page.html"], tmp_path)
    assert (code, err) == (0, "")
    assert "try blue" in out
    command = (tmp_path / "new" / "page.html").read_text(encoding="utf-8").split("<code>")[1].split("</code>")[0]
    assert command.split()[:2] == ["benchpipe", "bumper"]
    again, out, _ = called(command.split()[1:], tmp_path)
    assert (again, '"try_next"' in out) == (0, True)
    assert (tmp_path / "new" / "page.html").read_text(encoding="utf-8").startswith("<!doctype html>")
    (tmp_path / "own.txt").write_text("mine", encoding="utf-8")
    code, _, err = called(["bumper", "choose", str(SAMPLE), *asked, "own.txt"], tmp_path)
    assert (code, "is not overwritten" in err) == (2, True)
    assert (tmp_path / "own.txt").read_text(encoding="utf-8") == "mine"
