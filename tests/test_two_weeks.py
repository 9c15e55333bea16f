"""The sample run of two weeks shows what is true of it, and nothing else; nights report each event once."""

from __future__ import annotations

import gzip
import json
import shutil
from pathlib import Path

import pytest
from scipy.optimize import brentq

from benchpipe.pipeline import work
from benchpipe.run import RunConfig, load_run
from benchpipe.simulate.blocks import CyclicConfig
from benchpipe.simulate.scenarios import two_weeks
from benchpipe.store.manifest import Manifest
from benchpipe.views.alarms import QUIET

SAMPLE = Path(__file__).resolve().parents[1] / "sample_runs" / "two-weeks"
DAY = 864


@pytest.fixture(scope="module")
def truth() -> dict[str, dict[str, float]]:
    changes = json.loads((SAMPLE / "truth" / "truth.json").read_text("utf-8"))["changes"]
    return {change["kind"]: change for change in changes}


def told(manifest: Manifest) -> list[tuple[str, str]]:
    return [(r.code, r.where) for r in manifest.steps["drift"].remarks if r.code not in QUIET]


@pytest.fixture(scope="module")
def nights(tmp_path_factory: pytest.TempPathFactory) -> tuple[RunConfig, list[Manifest]]:
    """The run as it is after five, nine, twelve and fourteen days of its log."""
    folder = tmp_path_factory.mktemp("two-weeks") / "run"
    shutil.copytree(SAMPLE, folder, ignore=shutil.ignore_patterns("store"))
    (log,) = (folder / "logs").iterdir()
    lines = gzip.decompress(log.read_bytes()).splitlines(keepends=True)
    plan = folder / "plan.toml"
    plan.write_text(plan.read_text("utf-8").replace(".csv.gz", ".csv"), "utf-8")
    made = []
    for days in (5, 9, 12, 14):
        (folder / "logs" / "log.csv").write_bytes(b"".join(lines[: 2 + days * DAY]))
        run = load_run(plan, folder / "store")
        made.append(work(run).manifest)
    return run, made


def test_the_run_is_small_and_says_that_it_is_invented() -> None:
    assert sum(path.stat().st_size for path in SAMPLE.rglob("*") if path.is_file() and "store" not in path.parts) < 1e6
    assert "invented" in (SAMPLE / "plan.toml").read_text("utf-8")


def test_loosening_and_wear_out_are_found_where_they_are_and_warm_days_are_no_event(
    nights: tuple[RunConfig, list[Manifest]], truth: dict[str, dict[str, float]]
) -> None:
    run, made = nights
    events = run.open_store().read(made[-1], "events").to_pylist()
    assert {(row["kind"], row["event"]) for row in events if row["found"] == "online"} == {("step", 1), ("slope", 2)}
    own = {row["kind"]: row for row in events if row["measure"] == "motion_range" and row["found"] == "online"}
    assert own["step"]["cycle_low"] <= truth["loosening"]["cycle"] + 1 <= own["step"]["cycle_high"]
    # the spring stiffens with its motion, so that this grows by less than the stiffness fell
    assert own["step"]["size"] == pytest.approx(motion_of(1 + truth["loosening"]["size"]) - 1, abs=0.001)
    assert own["slope"]["cycle_low"] - DAY <= truth["wear-out"]["cycle"] <= own["slope"]["cycle_high"] + DAY
    rate, left, seen = -truth["wear-out"]["size"], 1 + truth["loosening"]["size"], 4 * DAY
    slope = (motion_of(left * (1 - 1e-6 * rate * seen)) - motion_of(left)) / (1e-6 * seen)  # over the days since
    assert own["slope"]["size"] == pytest.approx(slope, rel=0.15)
    warm = range(int(truth["warm days"]["start_s"] / 100), int(truth["warm days"]["end_s"] / 100))
    assert not any(row["cycle"] in warm for row in events if row["found"] == "online")
    assert "offline" not in {row["found"] for row in events}


def test_nights_report_each_event_once(nights: tuple[RunConfig, list[Manifest]]) -> None:
    said = [[where for code, where in told(manifest) if code in ("step", "wear-out")] for manifest in nights[1]]
    assert said[0] == said[1] == ["durability, event 1"]
    assert said[3] == ["durability, event 1", "durability, event 2"]
    assert said[2] in (said[1], said[3])


def test_the_limits_on_drift_are_judged(nights: tuple[RunConfig, list[Manifest]]) -> None:
    run, made = nights
    rows = {row["limit"]: row for row in run.open_store().read(made[-1], "verdicts").to_pylist()}
    assert {name: row["verdict"] for name, row in rows.items()} == {
        "motion grown": "pass", "largest step of the motion": "pass", "cycles left": "pass",
    }  # fmt: skip
    (ahead,) = run.open_store().read(made[-1], "forecasts").to_pylist()
    assert ahead["low"] <= crossing_of(0.15) <= ahead["high"]
    assert ("limit-ahead", "durability, motion_range +0.15") in told(made[-1])


def motion_of(factor: float) -> float:
    """Motion of a cycle at so much of the stiffness, over that at the whole of it."""
    scenario = two_weeks()
    spring, (block,) = scenario.specimen.spring, scenario.block
    assert isinstance(block, CyclicConfig)

    def bent(load: float) -> float:
        return float(brentq(lambda x: spring.stiffness * x + spring.cubic * x**3 - load, 0.0, 100.0))

    ranges = [bent(block.peak / f) - bent(block.valley / f) for f in (factor, 1.0)]
    return ranges[0] / ranges[1]


def crossing_of(grown: float) -> float:
    """Cycle at which the motion has grown by a part: from the springs of the scenario, without friction and warmth."""
    age = two_weeks().specimen.ageing
    factor = brentq(lambda f: motion_of(f) - 1.0 - grown, 0.5, 1.0)
    worn = 1.0 - factor / (1.0 - age.steps[0].loss)
    return age.wear_out_from + 1e6 * worn / age.wear_out_per_million
