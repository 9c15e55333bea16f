"""The step in the pipeline: nights do not matter, an event is reported once, a short test gives no number."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from benchpipe import pipeline
from benchpipe.drift import night
from benchpipe.drift.run import drift_run
from benchpipe.drift.words import told_events
from benchpipe.pipeline import work
from benchpipe.run import RunConfig, load_run
from benchpipe.steps import StepResult, StepTask
from benchpipe.store.manifest import Manifest
from benchpipe.views.alarms import QUIET
from tests.steps_done import with_run

# Ten samples a cycle of 100 s: a light log of two weeks. All of it is invented.
CHANNEL = '[[channel]]\nname = "{0}"\ncolumn = "{0}"\nunit = "{1}"\nuncertainty = "0 %"\n'
RIG = (
    'name = "rig"\ntemperature = "air"\n[time]\ncolumn = "t"\nsample_rate = "0.1 Hz"\n'
    + "".join(CHANNEL.format(*c) for c in (("force", "N"), ("stroke", "mm"), ("air", "degC")))
    + '[load]\nchannel = "force"\n[motion]\nchannel = "stroke"\n'
)
PLAN = """name = "run"
specimen = "invented"
rig = "rig.toml"
limits = []
logs = ["*.csv"]
[[block]]
name = "main"
kind = "cyclic"
frequency = "0.01 Hz"
least_samples = 8
load_min = "5 N"
load_max = "800 N"
planned_cycles = 12_000
"""
CYCLES, DAY, EACH = 12_000, 864, 10
STEP_AT = 7 * DAY + 300


def log(step: float = 0.03) -> list[str]:
    """Lines of a log in which the motion grows by a part at a cycle, with a run-in and a daily swing."""
    rng = np.random.default_rng(4)
    row = np.arange(CYCLES * EACH)
    number = row // EACH
    t = 30_000.0 + 10.0 * row
    air = 4.0 * np.sin(2 * np.pi * t / 86_400 + 1) + 0.5 * np.sin(2 * np.pi * t / 432_000)
    span = 10.0 * (1 + 0.02 * np.exp(-number / 300)) * (1 + 0.005 * air) * np.where(number >= STEP_AT, 1 + step, 1.0)
    span *= 1 + 0.002 * rng.standard_normal(CYCLES)[number]
    load = 402.5 - 397.5 * np.cos(2 * np.pi * (row % EACH) / EACH) + rng.standard_normal(row.size)
    stroke = span * (0.5 - 0.5 * np.cos(2 * np.pi * (row % EACH) / EACH - 0.05))
    warm = 23.0 + air + 0.02 * rng.standard_normal(row.size)
    return [f"{a:.0f},{b:.2f},{c:.5f},{d:.3f}\n" for a, b, c, d in zip(t, load, stroke, warm, strict=True)]


LINES = log()


def made(folder: Path, cycles: int, lines: list[str] = LINES) -> RunConfig:
    """A run whose log has so many cycles."""
    folder.mkdir(exist_ok=True)
    rows = "t,force,stroke,air\n" + "".join(lines[: cycles * EACH])
    for name, text in (("rig.toml", RIG), ("plan.toml", PLAN), ("a.csv", rows)):
        (folder / name).write_text(text, encoding="utf-8")
    return load_run(folder / "plan.toml", folder / "store")


def tables(run: RunConfig, manifest: Manifest) -> dict[str, pa.Table]:
    """The tables of the step."""
    names = ("drift_trends", "drift_bins", "events", "phases", "forecasts", "kept_loops")
    return {name: run.open_store().read(manifest, name) for name in names}


def told(manifest: Manifest) -> list[tuple[str, str]]:
    """Code and place of each alarm."""
    return [(r.code, r.where) for r in manifest.steps["drift"].remarks if r.code not in QUIET]


@pytest.fixture(scope="module")
def at_once(tmp_path_factory: pytest.TempPathFactory) -> tuple[RunConfig, Manifest]:
    run = made(tmp_path_factory.mktemp("once"), CYCLES)
    return run, work(run).manifest


def test_a_step_is_found_and_named(at_once: tuple[RunConfig, Manifest]) -> None:
    run, manifest = at_once
    assert told(manifest) == [("step", "main, event 1")]
    (remark,) = [r for r in manifest.steps["drift"].remarks if r.code == "step"]
    assert remark.text.startswith("secant stiffness stepped by -2.9")
    (row,) = told_events(tables(run, manifest)["events"].to_pylist())
    assert row["cycle_low"] <= STEP_AT + 1 <= row["cycle_high"]


def test_night_by_night_is_at_once_and_each_event_is_reported_once(
    tmp_path: Path, at_once: tuple[RunConfig, Manifest]
) -> None:
    said = []
    for rows in (400, 3000, 7 * DAY, 7 * DAY + 100, 8 * DAY + 400, 9 * DAY + 10, CYCLES):
        run = made(tmp_path / "nights", rows)
        manifest = work(run).manifest
        said.append(told(manifest))
        assert work(run).worked == ()
    assert [s for s in said if s] == [[("step", "main, event 1")]] * sum(map(bool, said))
    assert len([s for s in said if s]) >= 2
    once, nights = tables(*at_once), tables(run, manifest)
    assert all(once[name].equals(nights[name]) for name in once)
    of = [m.steps["drift"].state["blocks"]["main"] for m in (at_once[1], manifest)]  # type: ignore[index]
    own = ("read", "bins")  # parts are named after what they were made from, night by night
    assert [{k: v for k, v in one.items() if k not in own} for one in of[:1]] == [
        {k: v for k, v in one.items() if k not in own} for one in of[1:]
    ]


def test_a_night_reads_its_new_days_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from benchpipe.drift import run as step

    read = []
    plain = step.read_rows

    def counted(*given: object) -> tuple[pa.Table, dict[str, int]]:
        rows, begins = plain(*given)  # type: ignore[arg-type]
        read.append(rows.num_rows)
        return rows, begins

    monkeypatch.setattr(step, "read_rows", counted)
    for rows in (5 * DAY, 6 * DAY):
        work(made(tmp_path, rows))
    assert read[0] > 4 * DAY
    assert read[1] <= 2 * DAY


def test_the_same_inputs_are_not_worked_on_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run = made(tmp_path, 3 * DAY)
    times = []

    def counted(task: StepTask) -> StepResult:  # type: ignore[type-arg]
        times.append(1)
        return drift_run(task)

    with_run(monkeypatch, "drift", counted)
    assert pipeline.STEPS[2].run is counted
    for _ in range(2):
        work(run)
    assert len(times) == 1


def test_a_fit_that_fails_is_a_remark_and_stops_no_verdict(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    work(made(tmp_path, 5 * DAY))
    run = made(tmp_path, 6 * DAY)
    with monkeypatch.context() as patch:
        patch.setattr(night, "level_of", lambda *_: np.linalg.cholesky(-np.eye(2)))
        manifest = work(run).manifest
    assert told(manifest) == [("drift-failed", "main")]
    assert {"drift", "check"} <= set(manifest.steps)
    run = made(tmp_path, 7 * DAY)
    after = work(run).manifest
    assert told(after) == []
    once = made(tmp_path / "once", 7 * DAY)
    assert tables(run, after)["phases"].equals(tables(once, work(once).manifest)["phases"])


def test_a_damaged_part_is_made_again(at_once: tuple[RunConfig, Manifest], tmp_path: Path) -> None:
    run = made(tmp_path, 3 * DAY)
    before = work(run).manifest
    for part in before.steps["drift"].parts:
        (run.open_store().folder / part.path).unlink()
    assert work(run).manifest.steps["drift"] == before.steps["drift"]


def test_a_short_test_has_no_number_and_at_its_end_a_remark(tmp_path: Path) -> None:
    run = made(tmp_path / "short", 300)
    few = "25 bins of time hold complete cycles, 40 are needed to look for events"
    for plan, words in ((PLAN, []), (PLAN.replace("12_000", "290"), [few])):
        (tmp_path / "short" / "plan.toml").write_text(plan, encoding="utf-8")
        run = load_run(tmp_path / "short" / "plan.toml", tmp_path / plan[-5:].strip())
        done = work(run).manifest.steps["drift"]
        assert {part.table for part in done.parts} == ({"kept_loops"} if words else set())
        assert [remark.text for remark in done.remarks] == words


def test_a_healthy_run_has_no_alarm(tmp_path: Path) -> None:
    assert told(work(made(tmp_path, CYCLES, log(0.0))).manifest) == []
