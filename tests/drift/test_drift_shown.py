"""Events and forecasts on every screen: the summary, the document, the page."""

from __future__ import annotations

from io import StringIO
from pathlib import Path

import pytest

from benchpipe.drift.words import event_words, forecast_words
from benchpipe.errors import ConfigError, ExitCode
from benchpipe.pipeline import work
from benchpipe.report.document import document
from benchpipe.report.page.run_document import run_document
from benchpipe.report.terminal import console, show
from benchpipe.report.trend_text import trend_lines
from benchpipe.run import RunConfig, load_run
from benchpipe.views.alarms import alarms_of
from benchpipe.views.model import RunView
from benchpipe.views.page.drift import drift_of
from benchpipe.views.page.one_trend import trends_of
from benchpipe.views.page.run_page import run_page
from benchpipe.views.run_view import run_view
from tests.cli.commands import call
from tests.drift.test_drift_step import CYCLES, made

LIMITS = """name = "own"
basis = "invented"
[[limit]]
name = "stiffness lost"
block = "cyclic"
measure = "secant_stiffness"
statistic = "change"
last_cycles = 100
operator = ">="
value = "-15 %"
source = "invented"
"""


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> tuple[RunConfig, RunView]:
    folder = tmp_path_factory.mktemp("shown")
    made(folder, CYCLES)
    (folder / "limits.toml").write_text(LIMITS, encoding="utf-8")
    plan = folder / "plan.toml"
    text = plan.read_text("utf-8").replace("limits = []", 'limits = ["limits.toml"]') + "baseline = [200, 400]\n"
    plan.write_text(text, "utf-8")
    run = load_run(plan, folder / "store")
    return run, run_view(run, work(run).manifest, run.open_store())


def test_the_summary_names_the_event_and_the_forecast_in_a_line_each(seen: tuple[RunConfig, RunView]) -> None:
    drawn = StringIO()
    show(console(file=drawn, width=400), [seen[1]])
    lines = [line.strip() for line in drawn.getvalue().splitlines()]
    assert sum(line.startswith("! main, event 1: secant stiffness stepped by -2.9") for line in lines) == 1
    assert sum("secant stiffness, limit -15 %: no crossing expected before the planned end" in s for s in lines) == 1
    assert not any("too few usable bins" in line and line.startswith("new") for line in lines)


def test_an_event_is_an_alarm_and_what_limits_the_figures_is_none(seen: tuple[RunConfig, RunView]) -> None:
    codes = [alarm.code for alarm in alarms_of(seen[1])]
    assert codes.count("step") == 1
    assert "drift" not in codes


def test_the_document_has_events_phases_and_forecasts(seen: tuple[RunConfig, RunView]) -> None:
    (run,) = document([seen[1]], ExitCode.OK)["runs"]
    assert sum(row["alarm"] for row in run["events"]) == 1
    assert {row["phase"] for row in run["phases"]} >= {"run-in", "steady", "since baseline"}
    assert [row["measure"] for row in run["forecasts"]] == ["secant_stiffness"]


def test_the_page_tells_what_changed_and_marks_it(seen: tuple[RunConfig, RunView]) -> None:
    run, view = seen
    store = run.open_store()
    page = run_document(run_page(run, store.manifest(), store, view))
    assert "Drift was not analysed" not in page
    assert "event-name" in page
    assert "no crossing expected before the planned end" in page


@pytest.mark.parametrize("plain", [False, True])
def test_a_trend_is_drawn_in_80_columns(seen: tuple[RunConfig, RunView], *, plain: bool) -> None:
    run, view = seen
    store = run.open_store()
    (shown,) = trends_of(run, store.manifest(), store, view, "secant_stiffness")
    lines = list(trend_lines(shown, drift_of(view), plain=plain))
    assert max(map(len, lines)) <= 80
    assert not plain or "".join(lines).isascii()
    axis, median, band, event = ("+", "*", ":", "|") if plain else ("┤", "●", "░", "│")
    assert sum(axis in line[:12] for line in lines[1:16]) >= 3
    drawn = "\n".join(line[11:] for line in lines[1:16])
    assert all(sign in drawn for sign in (median, band, event))
    assert any(line.startswith(f"{event} cycle 6,") and "step, -2.9" in line for line in lines)
    limit = "-" if plain else "─"
    assert any(line.startswith(f"{limit} stiffness lost: ") for line in lines)
    assert any(line[11:].count(limit) == 69 for line in lines[1:16])


def test_a_measure_that_is_no_column_is_refused(seen: tuple[RunConfig, RunView]) -> None:
    run, view = seen
    store = run.open_store()
    with pytest.raises(ConfigError, match="no trend of 'energy'") as error:
        trends_of(run, store.manifest(), store, view, "energy")
    assert "energy_j" in str(error.value)


def test_the_command_draws_it(sample_lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for run, words in (("wearing", "secant stiffness, durability"), ("healthy", "secant stiffness, ")):
        assert call(["show", run, "--lab", str(sample_lab), "--trend", "secant_stiffness"]) == 0
        drawn = capsys.readouterr().out
        assert words in drawn
        assert "\x1b" not in drawn


ROW = {
    "block": "main", "event": 2, "measure": "energy_j", "kind": "slope", "found": "online", "alarm": True,
    "cycle": 1_200_000, "cycle_low": 1_100_000, "cycle_high": 1_300_000, "size": 0.05, "low": 0.04, "high": 0.06,
    "together": "energy_j,backlash", "near": "stop,zero_shift",
}  # fmt: skip


def test_words_of_an_event() -> None:
    assert event_words(ROW) == (
        "energy changes by +5 % (+4 to +6 %) a million cycles from cycle 1,200,000 on (1,100,000 to 1,300,000); "
        "with it backlash; near it: stop, zero shift"
    )
    assert event_words(ROW | {"kind": "scatter", "low": None, "near": "", "together": "energy_j"}) == (
        "scatter of energy changed by +5 % at cycle 1,200,000 (1,100,000 to 1,300,000)"
    )


def test_words_of_a_forecast() -> None:
    row = {
        "measure": "secant_stiffness", "limit": -0.15, "crossed": False, "expected": True, "low": 1.234e6,
        "high": float("inf"), "coverage": 0.9, "before_end": 0.42, "remark": "",
    }  # fmt: skip
    assert forecast_words(row) == (
        "secant stiffness, limit -15 %: crossing expected from cycle 1,230,000 on (90 %); "
        "42 % before the planned end"
    )
    assert forecast_words(row | {"crossed": True}).endswith("wear is beyond it")

