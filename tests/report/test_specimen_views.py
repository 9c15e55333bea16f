"""The tests of a lab as they are shown: below the table of runs, and in the JSON document."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from benchpipe.check.decision import Verdict
from benchpipe.check.specimens import LabTestResult
from benchpipe.cli.main import call
from benchpipe.cli.runs import work_night
from benchpipe.config.lab import LabConfig
from benchpipe.report.terminal import show
from benchpipe.run import RunConfig, load_lab, load_run
from benchpipe.store.archive_note import Away
from benchpipe.views.lab_view import Besides
from benchpipe.views.model import RunView
from benchpipe.views.run_view import archived_view, failed_view
from benchpipe.views.specimen_views import lab_test_lines, lab_tests


@pytest.fixture(scope="module")
def sample(sample_lab: Path) -> tuple[LabConfig, dict[str, RunConfig], dict[str, RunView], tuple[LabTestResult, ...]]:
    """Lab, runs, views and test results of the sample runs."""
    lab, plans, _ = load_lab(sample_lab)
    runs = {run.name: run for run in map(load_run, plans)}
    night = work_night(sample_lab, new_store=True)
    return lab, runs, {view.run: view for view in night.views}, night.tests


def judged(sample: Any, **views: RunView) -> LabTestResult:
    """The lab's test with some views in the place of others."""
    lab, runs, here, _ = sample
    (found,) = lab_tests(lab, (here | views).values(), {name: run.plan for name, run in runs.items()})
    return found


def test_the_sample_lab_has_a_test_that_failed_in_the_specimen_that_leaks(sample: Any) -> None:
    (found,) = sample[3]
    assert found == judged(sample)
    assert (found.verdict, found.running) == (Verdict.FAIL, True)
    assert [(one.name, one.verdict) for one in found.specimens] == [
        ("Alder-1", Verdict.NOT_EVALUATED), ("Cedar-3", Verdict.FAIL),
    ]  # fmt: skip
    assert found.survival.words == (
        "1 of 2 survived 1,195 cycles so far: reliability at least 0.05 with 90 % confidence",
    )


def test_a_run_that_broke_leaves_the_test_undecided(sample: Any) -> None:
    found = judged(sample, **{"creeping-lock": failed_view(Path("x/plan.toml"), "a log is gone", "creeping-lock")})
    assert (found.verdict, found.running) == (Verdict.NOT_EVALUATED, True)
    assert lab_test_lines(found)[2][1] == "Cedar-3: running; the run was not processed (creeping-lock)"


def test_a_run_that_was_not_judged_leaves_it_undecided(sample: Any) -> None:
    found = judged(sample, **{"creeping-lock": replace(sample[2]["creeping-lock"], judged=False, limits=())})
    assert (found.verdict, found.running) == (Verdict.NOT_EVALUATED, True)


def test_a_run_in_the_archive_counts_with_its_verdicts_and_never_by_what_is_not_known(sample: Any) -> None:
    run, rows = sample[1]["creeping-lock"], sample[2]["creeping-lock"].limits

    def archived(verdicts: tuple[dict[str, Any], ...] | None) -> LabTestResult:
        note = Away("leaving", Path("shelf"), "", "2031-05-01", verdicts)
        return judged(sample, **{"creeping-lock": archived_view(run, note)})

    assert archived(rows).specimens[1].verdict is Verdict.FAIL
    assert archived(None).specimens[1].stages[0].why == "the run is not judged yet"
    passed = tuple(row | {"verdict": "pass"} for row in rows if row["due"])
    unknown = archived(passed).specimens[1]
    assert (unknown.verdict, unknown.running) == (Verdict.NOT_EVALUATED, False)
    assert "how many cycles 'durability' had is not known here" in unknown.stages[0].why
    count = next(row for row in rows if row["measure"] == "cycles_done") | {"verdict": "pass", "due": True}
    assert archived((*passed, count | {"measured": 2_000_000.0})).specimens[1].verdict is Verdict.PASS
    assert archived((*passed, count | {"measured": 1_999_999.0})).specimens[1].running


def test_what_stands_in_for_another_is_said_with_the_reason(sample: Any) -> None:
    lab, runs, views, _ = sample
    told = {
        "name": "with stand-ins", "required": 1, "allow_substitute": 1, "allow_repeat": 1,
        "specimen": [
            {"name": "Cedar-3", "stage": [{"run": "creeping-lock"}], "replaced_by": "Alder-1", "reason": "it slipped"},
            {"name": "Alder-1", "stage": [
                {"run": "healthy", "blocks": ["strength"], "name": "proof", "repeated_by": "again", "reason": "fuse"},
                {"run": "healthy", "blocks": ["held"], "name": "again"},
            ]},
        ],
    }  # fmt: skip
    config = LabConfig.model_validate({"name": "l", "store": "s", "plans": ["p"], "test": [told]}, context="file")
    (found,) = lab_tests(config, views.values(), {name: run.plan for name, run in runs.items()})
    assert [text for _, text, _ in lab_test_lines(found)] == [
        "with stand-ins: pass; 1 specimen(s) required, 1 named",
        "Cedar-3: fail, does not count: replaced by Alder-1 (it slipped)",
        "Alder-1: pass; proof repeated by again (fuse)",
        "1 of 1 survived: reliability at least 0.10 with 90 % confidence",
    ]
    assert lab.test[0].name == "lockable ankle"


@pytest.mark.parametrize("width", [40, 80, 200])
def test_nothing_is_cut_off_and_plain_text_has_no_colour(sample: Any, width: int) -> None:
    screen = io.StringIO()
    show(Console(file=screen, width=width, _environ={}), [], details=True, besides=Besides(tests=sample[3]))
    text = screen.getvalue()
    assert "\x1b" not in text
    assert all(len(line) <= width for line in text.splitlines())
    words = " ".join(text.split())
    for _, line, _ in lab_test_lines(sample[3][0]):
        assert line in words


def test_nightly_prints_it_and_gives_it_as_json(sample_lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call(["nightly", str(sample_lab), "--brief", "--jobs", "1"]) == 10
    assert "test lockable ankle: fail, still running" in capsys.readouterr().out
    assert call(["nightly", str(sample_lab), "--json", "--jobs", "1"]) == 10
    (test,) = json.loads(capsys.readouterr().out)["tests"]
    assert (test["name"], test["verdict"], test["survival"]["tested"]) == ("lockable ankle", "fail", 2)
    assert test["survival"]["reliability"] == pytest.approx(0.0513, abs=1e-4)  # 1 - 0.9^(1/2)
