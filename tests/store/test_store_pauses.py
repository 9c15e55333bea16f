"""Pauses at restarts of an elapsed clock: known or not, and never invented."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.errors import ConfigError
from benchpipe.pipeline import work
from benchpipe.report.document import document
from benchpipe.run import load_run
from benchpipe.store.pauses import NO_RESTART, RESTART_PAUSE_US, Restart, RunClock
from benchpipe.store.run_store import RunStore
from benchpipe.views.model import RunView
from benchpipe.views.run_view import run_view

S = 1_000_000
RIG = """name = "bench"
counter = "count"
[log]
format = "text"
separator = ","
[time]
column = "time"
sample_rate = "20 Hz"
[[channel]]
name = "force"
column = "force"
unit = "N"
[[channel]]
name = "disp"
column = "disp"
unit = "mm"
[[channel]]
name = "count"
column = "count"
unit = "cycles"
[load]
channel = "force"
[motion]
channel = "disp"
"""
PLAN = """name = "one"
specimen = "invented"
rig = "rig.toml"
logs = ["logs/*"]
{more}
[[block]]
name = "cycling"
kind = "cyclic"
frequency = "1 Hz"
load_min = "10 N"
load_max = "70 N"
planned_cycles = 10000
"""


def rows(length_s: int, count_from: int = 0) -> str:
    """A stretch of cycles at 1 Hz whose clock begins at zero."""
    t = np.arange(20 * length_s) / 20.0
    force = 40.0 - 30.0 * np.cos(2.0 * np.pi * t)
    lines = zip(t, force, force / 20.0, np.floor(t) + count_from, strict=True)
    return "".join(f"{a:.2f},{b:.3f},{c:.4f},{d:.0f}\n" for a, b, c, d in lines)


def lab(folder: Path, logs: list[str], more: str = "") -> Path:
    """A lab whose logs are these."""
    (folder / "logs").mkdir(parents=True)
    (folder / "rig.toml").write_text(RIG)
    (folder / "plan.toml").write_text(PLAN.format(more=more))
    for k, text in enumerate(logs):
        (folder / "logs" / f"day{k}.csv").write_text(f"time,force,disp,count\n{text}")
    return folder / "plan.toml"


def seen(plan: Path) -> RunView:
    """What is shown after a night."""
    run = load_run(plan)
    outcome = work(run, until="process")
    return run_view(run, outcome.manifest, RunStore(run.store, run.name))


STRETCHES = [rows(100), rows(80, 100), rows(60, 180)]


def test_hours_that_no_clock_showed_enter_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchpipe.views.pace.LEAST_US", 0)  # these logs are short
    view = seen(lab(tmp_path, STRETCHES))
    assert view.last_us == 240 * S - 3 * S // 20  # each stretch ends a row before its length
    assert view.pauses == "2 restarts of the log's clock, pauses unknown"
    assert view.pace is not None
    assert view.pace.per_day == pytest.approx(86_400, rel=0.03)
    assert view.pace.end_us == pytest.approx(10_000 * S, rel=0.03)
    made = document([view], 0)["runs"][0]  # type: ignore[arg-type]
    assert (made["last_us"], made["pauses"]) == (view.last_us, view.pauses)


def test_one_log_three_logs_and_three_nights_show_the_same(tmp_path: Path) -> None:
    three = seen(lab(tmp_path / "three", STRETCHES))
    one = seen(lab(tmp_path / "one", ["".join(STRETCHES)]))
    whole = "".join(STRETCHES)
    plan = lab(tmp_path / "nights", [whole[:20_000]])
    for end in (len(STRETCHES[0]) + 500, 50_000, len(whole)):
        seen(plan)
        (plan.parent / "logs" / "day0.csv").write_text(f"time,force,disp,count\n{whole[:end]}")
    nights = seen(plan)
    for other in (one, nights):
        assert (other.pauses, other.first_us, other.last_us, other.pace) == (
            three.pauses, three.first_us, three.last_us, three.pace,
        )  # fmt: skip


def test_a_pause_that_the_plan_states_is_time_that_went_by_and_no_time_of_the_log(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = lab(tmp_path / "short", STRETCHES, 'restart_pause = "20 min"')
    short = seen(plan).pace
    assert short is not None
    assert (short.per_day, short.end_us) == (None, None)  # four minutes of logs, whatever lies between them
    monkeypatch.setattr("benchpipe.views.pace.LEAST_US", 0)
    view = seen(lab(tmp_path, STRETCHES, 'restart_pause = "20 min"'))
    assert view.last_us == 240 * S - 3 * S // 20 + 2 * 1200 * S
    assert view.pauses == "2 restarts of the log's clock, pauses 0.667 h together as the plan states"
    assert view.pace is not None
    assert view.pace.per_day == pytest.approx(236 * 86_400 / 2640, rel=0.03)


def test_pauses_by_the_times_of_the_files_where_these_can_be(tmp_path: Path) -> None:
    plan = lab(tmp_path, STRETCHES, 'restart_pause = "file times"')
    for k, at in enumerate((1_000_000, 1_000_000 + 80 + 1800, 1_000_000)):  # the third was copied, and lost its own
        os.utime(plan.parent / "logs" / f"day{k}.csv", (at, at))
    view = seen(plan)
    assert view.pauses == (
        "2 restarts of the log's clock, 1 pause 0.5 h together by the times of the files, 1 of them unknown "
        "(the times of the files cannot be right, as after copying, or the restart is inside a file)"
    )


def test_a_plan_names_a_pause_or_where_it_is_from(tmp_path: Path) -> None:
    for wrong in ('"soon"', '"-3 min"', "20"):
        with pytest.raises(ConfigError, match="restart_pause"):
            load_run(lab(tmp_path / wrong.strip('"'), STRETCHES, f"restart_pause = {wrong}"))


restarts = st.lists(st.tuples(st.integers(1, 10**9), st.none() | st.integers(0, 10**11)), min_size=0, max_size=6).map(
    lambda steps: _restarts(steps)
)


def _restarts(steps: list[tuple[int, int | None]]) -> tuple[Restart, ...]:
    at, found = 0, []
    for step, pause in steps:
        at += step + RESTART_PAUSE_US
        found.append(Restart(at, pause))
    return tuple(found)


@given(restarts, st.lists(st.integers(0, 10**9), min_size=1, max_size=5))
def test_real_times_rise_and_are_found_again(found: tuple[Restart, ...], after: list[int]) -> None:
    clock = RunClock(found)
    starts = [0, *clock.restarts_us]
    times = np.sort(np.array([start + step for start in starts for step in after], np.int64))
    logged = times[np.array([not _in_a_pause(int(t), found) for t in times], bool)]
    real = clock.real(logged)
    assert (np.diff(real) >= 0).all()
    for us, shown in zip(logged.tolist(), real.tolist(), strict=True):
        assert clock.real(clock.axis(shown)) == shown
        assert clock.axis(shown) >= us


def _in_a_pause(us: int, found: tuple[Restart, ...]) -> bool:
    return any(one.at_us - RESTART_PAUSE_US < us < one.at_us for one in found)


def test_a_clock_that_never_began_again_changes_nothing() -> None:
    assert NO_RESTART.words == ""
    assert NO_RESTART.real([3, 5]).tolist() == [3, 5]
    assert NO_RESTART.axis(7) == 7
    assert not NO_RESTART.unknown_between(0, 10)
