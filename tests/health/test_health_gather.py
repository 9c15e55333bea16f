"""Facts from a real store: a small lab whose rig writes invented logs."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from benchpipe.cli.bugs import bug_report
from benchpipe.config.watching import HealthConfig
from benchpipe.health.finding import Finding
from benchpipe.health.gather import now_of, run_facts
from benchpipe.health.growth import growth
from benchpipe.health.look import NOT_LOOKED_AT, RunHealth, run_health, store_health
from benchpipe.night.lab import work_lab
from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore
from tests.config.written import LAB, PLAN, RIG
from tests.store.kept import tree

START = datetime(2031, 5, 31, 20, 0)
RATE = 50
DATED = RIG.replace('column = "t"', 'kind = "datetime"\ncolumn = "t"\nformat = "%Y-%m-%d %H:%M:%S.%f"')
COUNTED = DATED.replace('temperature = "temperature"', 'temperature = "temperature"\ncounter = "count"') + (
    '[[channel]]\nname = "count"\ncolumn = "N"\nunit = "1"\n'
)
CYCLIC = PLAN[: PLAN.index("[[block]]\nname = \"held\"")].replace('limits = ["limits.toml"]\n', "")
CONFIG = HealthConfig(last_cycles=50, counter_cycles=100)
Spoil = Callable[[dict[str, np.ndarray]], None]


@pytest.fixture(autouse=True)
def _far_from_utc(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A computer in a time zone of its own: rig and lab show local time."""
    monkeypatch.setenv("TZ", "Etc/GMT-5")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def lab(folder: Path, *, rig: str = DATED, plan: str = CYCLIC, **log: object) -> Path:
    """Write a lab with one log; return the plan."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in {"rig.toml": rig, "plan.toml": plan, "lab.toml": LAB}.items():
        (folder / name).write_text(text, encoding="utf-8")
    write_log(folder / "logs" / "a.csv", **log)  # type: ignore[arg-type]
    return folder / "plan.toml"


def write_log(path: Path, *, cycles: int = 120, start: datetime = START, spoil: Spoil = lambda _: None) -> None:
    """1 Hz between 5 and 80 N*m; a counter that ticks in each cycle. A later log is no copy: it is a little warmer."""
    t = np.arange(cycles * RATE) / RATE
    warmer = 0.01 * (start - START) / timedelta(hours=1)
    torque = 42.5 - 37.5 * np.cos(2 * np.pi * t)
    columns = {"t": t, "T": torque, "A": torque / 20 + 0.01 * np.sin(t), "C": 23 + warmer + 0.01 * t, "N": np.floor(t)}
    spoil(columns)
    keep = ~np.isnan(columns["t"])
    rows = [",".join(columns)]
    for row in zip(*(values[keep] for values in columns.values()), strict=True):
        stamp = (start + timedelta(seconds=float(row[0]))).isoformat(" ", "microseconds")
        rows.append(",".join([stamp, *("" if np.isnan(v) else f"{v:.5f}" for v in row[1:])]))
    path.parent.mkdir(exist_ok=True)
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")


def after(**past: float) -> datetime:
    """So long after the begin of the log, by this computer's clock."""
    return (START + timedelta(**past)).astimezone()


def looked(plan: Path, now: datetime, config: HealthConfig = CONFIG) -> dict[str, Finding]:
    """Work on the run, and look at it."""
    run = load_run(plan)
    manifest = work(run).manifest
    return {f.code: f for f in run_health(run, manifest, RunStore(run.store, run.name), config, now).findings}


def test_a_rig_that_goes_on_is_well_and_one_that_stopped_is_told_since_when(tmp_path: Path) -> None:
    plan = lab(tmp_path)
    assert looked(plan, after(minutes=30)) == {}
    found = looked(plan, after(hours=7))
    assert set(found) == {"rig-stopped"}
    assert found["rig-stopped"].text == "stopped since 2031-05-31 20:01 (6.97 h): no row came after that"
    assert found["rig-stopped"].where == "durability since 2031-05-31 20:01"
    assert looked(plan, after(hours=31))["rig-stopped"].where == "durability since 2031-05-31 20:01"
    write_log(tmp_path / "logs" / "b.csv", start=START + timedelta(hours=8))
    assert looked(plan, after(hours=31))["rig-stopped"].where == "durability since 2031-06-01 04:01"


def test_now_before_the_last_row_is_said_and_breaks_nothing(tmp_path: Path) -> None:
    found = looked(lab(tmp_path), after(days=-400))
    assert set(found) == {"clock"}
    assert "400 d after this computer's time 2030-04-26 20:00" in found["clock"].text


def test_a_finished_block_is_not_stopped(tmp_path: Path) -> None:
    plan = lab(tmp_path, plan=CYCLIC.replace("planned_cycles = 1000", "planned_cycles = 119"))
    assert looked(plan, after(days=3)) == {}
    more = lab(tmp_path / "more", plan=CYCLIC.replace("planned_cycles = 1000", "planned_cycles = 121"))
    assert set(looked(more, after(days=3))) == {"rig-stopped"}


def test_rows_that_go_on_without_cycles_are_a_stop(tmp_path: Path) -> None:
    def stands(columns: dict[str, np.ndarray]) -> None:
        still = columns["t"] >= 60
        columns["T"][still] = 5 + 0.1 * np.sin(40 * columns["t"][still])
        columns["A"][still] = 0.2 + 0.001 * np.sin(40 * columns["t"][still])

    plan = lab(tmp_path, spoil=stands)
    found = looked(plan, after(minutes=2, seconds=9), HealthConfig(last_cycles=50, stopped_after=30.0))
    assert set(found) == {"rig-stopped"}
    assert re.search(r"\((59|60)\.?\d* s\): rows come, and no cycle in them", found["rig-stopped"].text)
    assert looked(plan, after(minutes=3)) == {}


def test_an_elapsed_clock_goes_by_the_writing_of_the_log(tmp_path: Path) -> None:
    plan = lab(tmp_path)
    log = tmp_path / "logs" / "a.csv"
    rows = log.read_text().splitlines()
    plain = [rows[0], *(f"{i / RATE},{row.split(',', 1)[1]}" for i, row in enumerate(rows[1:]))]
    log.write_text("\n".join(plain) + "\n")
    (tmp_path / "rig.toml").write_text(RIG)
    written = after().timestamp()
    os.utime(log, (written, written))
    assert looked(plan, after(minutes=59)) == {}
    assert looked(plan, after(hours=2))["rig-stopped"].text.startswith("stopped since 2031-05-31 20:00 (2 h)")
    assert set(looked(plan, after(hours=-1))) == {"clock"}


def test_a_log_that_was_written_since_the_last_night_shows_a_rig_that_runs(tmp_path: Path) -> None:
    plan = lab(tmp_path)
    assert set(looked(plan, after(hours=12))) == {"rig-stopped"}
    run = load_run(plan)
    manifest = RunStore(run.store, run.name).manifest()
    write_log(tmp_path / "logs" / "b.csv", start=START + timedelta(hours=11.9))
    written = after(hours=11.95).timestamp()
    os.utime(tmp_path / "logs" / "b.csv", (written, written))
    health = run_health(run, manifest, RunStore(run.store, run.name), CONFIG, after(hours=12))
    assert health.findings == ()


@pytest.mark.parametrize(
    ("column", "value", "wanted"),
    [("A", 1.5, ("angle", "one and the same value")), ("A", np.nan, ("angle", "no value")),
     ("C", np.nan, ("temperature", "no value")), ("C", 23.0, None)],
)  # fmt: skip
def test_a_sensor_that_sticks_or_has_no_value(
    tmp_path: Path, column: str, value: float, wanted: tuple[str, str] | None
) -> None:
    def stuck(columns: dict[str, np.ndarray]) -> None:
        columns[column][columns["t"] >= 50] = value

    found = looked(lab(tmp_path, spoil=stuck), after(minutes=3))
    if wanted is None:
        assert "sensor-stuck" not in found
    else:
        assert found["sensor-stuck"].where == wanted[0]
        assert wanted[1] in found["sensor-stuck"].text
        assert "69.98 s" in found["sensor-stuck"].text or "70 s" in found["sensor-stuck"].text


@pytest.mark.parametrize(("noise", "stuck"), [(0.05, set()), (0.0, {"torque", "angle"})])
def test_a_coarse_sensor_under_a_held_load_is_not_stuck_but_a_frozen_logger_is(
    tmp_path: Path, noise: float, stuck: set[str]
) -> None:
    def held(columns: dict[str, np.ndarray]) -> None:
        late = columns["t"] >= 50
        columns["T"][late] = 60 + noise * np.sin(31 * columns["t"][late])
        columns["A"][late] = 3.1

    run = load_run(lab(tmp_path, spoil=held))
    manifest = work(run).manifest
    facts = run_facts(run, manifest, RunStore(run.store, run.name), CONFIG, after(minutes=3))
    assert facts is not None
    assert {channel.name for channel in facts.channels if channel.still_s > 60} == stuck


def test_load_samples_rate_and_counter_are_looked_at_over_the_last_cycles(tmp_path: Path) -> None:
    def weak(columns: dict[str, np.ndarray]) -> None:
        late = columns["t"] >= 60
        columns["T"][late] = 5 + (columns["T"][late] - 5) * 0.9

    low = looked(lab(tmp_path / "w", spoil=weak), after(minutes=3))
    assert set(low) == {"load-not-reached"}
    assert "they went from 5 to 72.5 N*m (medians), asked for are 5 to 80" in low["load-not-reached"].text

    def holes(columns: dict[str, np.ndarray]) -> None:
        columns["t"][np.arange(columns["t"].size) % 20 == 7] = np.nan

    dropped = looked(lab(tmp_path / "d", spoil=holes), after(minutes=3))
    assert set(dropped) == {"dropped-samples"}
    assert "5.0% of the samples are not there" in dropped["dropped-samples"].text
    slow = looked(lab(tmp_path / "s", plan=CYCLIC.replace('"1 Hz"', '"1.2 Hz"')), after(minutes=3))
    assert set(slow) == {"rig-slow"}

    def ticks(columns: dict[str, np.ndarray]) -> None:
        columns["N"] = np.floor(columns["t"] * 0.96)

    apart = looked(lab(tmp_path / "c", rig=COUNTED, spoil=ticks), after(minutes=3))
    assert set(apart) == {"counter-apart"}
    assert looked(lab(tmp_path / "ok", rig=COUNTED), after(minutes=3)) == {}


def test_an_old_difference_of_the_counter_does_not_grow(tmp_path: Path) -> None:
    def slips(columns: dict[str, np.ndarray]) -> None:
        columns["N"][columns["t"] >= 10] += 7

    plan = lab(tmp_path, rig=COUNTED, spoil=slips)
    assert looked(plan, after(minutes=3)) == {}
    assert set(looked(plan, after(minutes=3), HealthConfig(counter_cycles=1000))) == {"counter-apart"}


def test_a_calibration_comes_due(tmp_path: Path) -> None:
    rig = DATED.replace('uncertainty = "0.5 %"', 'due = 2031-06-20\nuncertainty = "0.5 %"')
    found = looked(lab(tmp_path, rig=rig), after(minutes=3))
    assert found["calibration-due"].text == "the calibration of 'torque' is due on 2031-06-20, in 20 day(s)"


def test_nothing_of_it_is_kept_and_a_night_repeated_changes_nothing(tmp_path: Path) -> None:
    lab(tmp_path)
    night = work_lab(tmp_path / "lab.toml", bug=bug_report, now=after(hours=7).astimezone(UTC))
    assert [f.code for f in night.views[0].health] == ["rig-stopped"]
    assert "rig-stopped" in {alarm.code for alarm in night.views[0].alarms}
    before = tree(tmp_path / "store")
    later = work_lab(tmp_path / "lab.toml", bug=bug_report, now=after(minutes=9).astimezone(UTC))
    assert later.views[0].health == ()
    assert tree(tmp_path / "store") == before


def test_runs_that_are_not_watched_or_signed_off_are_not_looked_at(tmp_path: Path) -> None:
    plan = lab(tmp_path)
    assert looked(plan, after(days=3), HealthConfig(watch=("o*",)))
    assert looked(plan, after(days=3), HealthConfig(watch=("two", "x*"))) == {}
    run = load_run(plan)
    store = RunStore(run.store, run.name)
    assert run_facts(run, Manifest(run="one"), store, CONFIG, after()) is None


def test_a_part_that_is_gone_is_a_finding_and_breaks_nothing(tmp_path: Path) -> None:
    plan = lab(tmp_path)
    looked(plan, after(minutes=3))
    run = load_run(plan)
    store = RunStore(run.store, run.name)
    for path in (store.folder / "samples").iterdir():
        path.unlink()
    (found,) = run_health(run, store.manifest(), store, CONFIG, after()).findings
    assert found.code == NOT_LOOKED_AT


def test_a_clock_that_tells_its_distance_from_utc_is_held_against_utc(tmp_path: Path) -> None:
    run = load_run(lab(tmp_path, rig=DATED.replace("%S.%f", "%S.%f%z")))
    local = load_run(lab(tmp_path / "local"))
    now = datetime(2031, 6, 1, 12, 0, tzinfo=UTC)
    assert now_of(local.rig, now) - now_of(run.rig, now) == 5 * 3_600_000_000


def test_growth_is_of_the_logged_time(tmp_path: Path) -> None:
    plan = lab(tmp_path)
    run = load_run(plan)
    assert growth(work(run).manifest) == 0.0  # two minutes tell nothing
    write_log(tmp_path / "logs" / "b.csv", start=START + timedelta(hours=2))
    manifest = work(run).manifest
    lasted = 2 * 3600 + 120 - 1 / RATE
    assert growth(manifest) == pytest.approx(sum(p.bytes for p in manifest.parts()) * 86_400 / lasted)
    health = run_health(run, manifest, RunStore(run.store, run.name), CONFIG, after(hours=2.1))
    assert health == RunHealth((), growth(manifest), looked_at=True)
    assert store_health(run.store, {"one": health.a_day}, CONFIG) == ()
    (full,) = store_health(run.store, {"one": 1e18, "two": 0.0}, CONFIG)
    assert "and 1 run(s) fill 1e+06 TB a day" in full.text
    (unseen,) = store_health(tmp_path / "gone", {}, CONFIG)
    assert unseen.code == NOT_LOOKED_AT
