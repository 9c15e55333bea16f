"""The page of a study, on the sample study (invented): what it says is what the comparison says."""

from __future__ import annotations

import gzip
import re
import shlex
from pathlib import Path

import numpy as np
import pytest

from benchpipe.cli.runs import work_night
from benchpipe.compare.run import compare_study
from benchpipe.compare.study import Study, load_study
from benchpipe.report.page.study import study_document
from benchpipe.simulate import simulate
from benchpipe.simulate.study_runs import SPECIMENS, STIFFNESS, study_runs
from benchpipe.views.page.study_page import StudyPage, study_page
from tests.cli.commands import run
from tests.conftest import copy_samples

SAMPLES = Path(__file__).resolve().parents[2] / "sample_runs" / "bumper-study"


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """The sample study, its runs worked through."""
    folder = copy_samples(tmp_path_factory.mktemp("study")).parent / "bumper-study"
    work_night(folder / "lab.toml", new_store=True)
    return load_study(folder / "study.toml")


@pytest.fixture(scope="module")
def page(study: Study) -> StudyPage:
    return study_page(study, compare_study(study), "study.toml")


def test_the_study_shows_its_truth(study: Study) -> None:
    """Spring, dashpot and friction of each set are known: firm is beyond the margin, medium within it."""
    stiffness = next(m for m in compare_study(study).measures if m.measure == "secant_stiffness")
    outcome = {one.variant: one.outcome for one in stiffness.comparisons}
    assert outcome == {"firm": "beyond the margin", "medium": "equivalent"}
    for group in stiffness.groups:  # a cubic spring and play besides: ratios of the sets are not those of the springs
        assert group.sd == pytest.approx(np.std(SPECIMENS[group.variant], ddof=1), rel=0.5)
    assert sorted(STIFFNESS, key=STIFFNESS.get) == ["soft", "medium", "firm"]  # type: ignore[arg-type]
    assert [g.variant for g in sorted(stiffness.groups, key=lambda g: g.mean)] == ["soft", "medium", "firm"]


@pytest.mark.parametrize("name", ["soft-1", "firm-3"])
def test_the_sample_logs_are_what_the_scenarios_write(tmp_path: Path, name: str) -> None:
    made = simulate(study_runs()[name], tmp_path / name)
    (log,) = made.logs
    assert gzip.decompress((SAMPLES / name / "logs" / log.name).read_bytes()) == gzip.decompress(log.read_bytes())


def test_charts_hold_the_figures_of_the_comparison(page: StudyPage) -> None:
    charts = {chart.name: chart for chart in page.charts}
    assert set(charts) == {
        "difference-secant_stiffness", "readings-secant_stiffness", "difference-energy_j", "readings-energy_j",
        "parallel", "loops", "drift-secant_stiffness", "drift-energy_j",
    }  # fmt: skip
    for measure in page.result.measures:
        shown, margin = charts[f"difference-{measure.measure}"].panels[0], measure.comparisons[0].margin
        np.testing.assert_allclose(shown.series[0].y, [100.0 * one.value for one in measure.comparisons])
        assert [ruler.value for ruler in shown.rulers] == pytest.approx(
            [0.0, 100.0 * margin, -100.0 * margin / (1.0 + margin)]
        )
    as_measured, on_one_grid = charts["loops"].panels
    assert [one.name for one in as_measured.series] == ["soft", "medium", "firm"]
    assert all(np.isnan(one.x).sum() == 3 for one in as_measured.series)  # a break after each run
    for one in on_one_grid.series:
        assert (np.nanmin(one.y), np.nanmax(one.y)) == (0.0, 1.0)


def test_the_document_names_each_run_and_asks_for_nothing(page: StudyPage) -> None:
    text = study_document(page)
    assert len(text) < 150_000
    assert "default-src &#x27;none&#x27;" in text
    assert not re.search(r"(?:src|href)=\"(?!#)", text)
    for name in study_runs():
        assert name in text
    assert text == study_document(page)


def test_names_with_markup_stay_text(study: Study, page: StudyPage) -> None:
    odd = page.result.__class__(**(vars(page.result) | {"name": "<script>alert(1)</script>\x1b[2J"}))
    text = study_document(StudyPage(odd, page.charts, page.called))
    assert "<script>alert" not in text
    assert "\x1b" not in text


def test_commands_of_charts_name_a_run_that_is_drawn(page: StudyPage, study: Study) -> None:
    commands = [chart.command for chart in page.charts if chart.command]
    assert not [one for one in commands if " RUN" in one]
    loops = next(one for one in commands if " loops" in one)
    plan = study.plan_of(study.config.run[0])
    assert loops == f"benchpipe export {plan} loops  # one of {len(study.config.run)} runs"
    code, out, _ = run(shlex.split(loops, comments=True)[1:], Path.cwd())
    assert code == 0
    assert out.startswith('"block","cycle",')


def test_the_command_writes_the_page_and_refuses_a_folder(study: Study, tmp_path: Path) -> None:
    file = str(study.file.path)
    code, out, err = run(["compare", file, "--page", "new/page.html"], tmp_path)
    assert (code, err) == (0, "")
    assert "BEYOND THE MARGIN" in out
    assert (tmp_path / "new" / "page.html").read_text(encoding="utf-8").startswith("<!doctype html>")
    code, out, err = run(["compare", file, "--page", "p.html", "--tables", "made"], tmp_path)
    assert (code, err) == (0, "")
    made = [(tmp_path / "made" / f"{n}.csv").read_text().splitlines() for n in ("readings", "comparisons")]
    readings, compared = made
    assert len(readings) == 1 + 2 * 9
    assert len(compared) == 1 + 4
    assert '"soft-1 firm-1' in compared[1]
    code, out, err = run(["compare", file, "--tables", "made"], tmp_path)
    assert code == 2
    assert "readings.csv" in err  # never overwritten
    code, out, err = run(["compare", file, "--page", "new"], tmp_path)
    assert code == 2
    assert "a folder is there" in err
