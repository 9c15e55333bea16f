"""Cycles that cross no threshold, from logs to verdicts: a load that is gone while the rig goes on moving.

All logs are invented: sines of load and motion at 50 Hz, one cycle a second.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.store.run_store import RunStore

RIG = """
name = "r"
time = { kind = "elapsed", column = "time", sample_rate = "50 Hz" }
load = { channel = "force" }
motion = { channel = "disp" }
COUNTER
[[channel]]
name = "force"
column = "force"
unit = "N"
uncertainty = "0.5 %"
[[channel]]
name = "disp"
column = "disp"
unit = "mm"
uncertainty = "0.5 %"
[[channel]]
name = "count"
column = "count"
unit = "1"
"""
PLAN = """
name = "run"
specimen = "invented"
rig = "rig.toml"
logs = ["logs/*"]
limits = ["limits.toml"]
[[block]]
name = "main"
kind = "cyclic"
load_min = "5 N"
load_max = "80 N"
frequency = "1 Hz"
"""
HEAD = """
name = "own"
basis = "invented"
"""
LIMITS = {
    "top": ("peak_load", "max", "<=", "85 N"),
    "reached": ("peak_load", "min", ">=", "75 N"),
    "stiff": ("secant_stiffness", "min", ">=", "10 N/mm"),
    "middle": ("secant_stiffness", "median", ">=", "10 N/mm"),
    "aim": ("off_target", "share", "<=", "2 %"),
}
KEYS = ("measure", "statistic", "operator", "value")
Floats = NDArray[np.float64]
T = np.arange(200 * 50) / 50
TURN = -np.cos(2 * np.pi * T)
COUNT = np.floor(T + 0.25)


def noise(size: float) -> Floats:
    return size * np.random.default_rng(1).standard_normal(T.size)


def judged(folder: Path, load: Floats, motion: Floats, *, counter: bool = False) -> tuple[dict[str, str], str]:
    """Verdicts by limit, and all remarks in one text, of a log of such signals."""
    (folder / "logs").mkdir()
    limits = HEAD + "".join(
        f'[[limit]]\nname = "{name}"\nblock = "main"\nsource = "invented"\ndecision = "simple"\n'
        + "".join(f'{key} = "{value}"\n' for key, value in zip(KEYS, given, strict=True))
        for name, given in LIMITS.items()
    )
    rig = RIG.replace("COUNTER", 'counter = "count"' if counter else "")
    for name, text in (("rig", rig), ("plan", PLAN), ("limits", limits)):
        (folder / f"{name}.toml").write_text(text)
    rows = zip(T, load + noise(0.05), motion + noise(0.005), COUNT, strict=True)
    lines = ["time,force,disp,count", *(f"{a:.2f},{b:.3f},{c:.4f},{d:.0f}" for a, b, c, d in rows)]
    (folder / "logs" / "one.csv").write_text("\n".join(lines) + "\n")
    run = load_run(folder / "plan.toml", folder / "store")
    outcome = work(run)
    table = RunStore(run.store, run.name).read(outcome.manifest, "verdicts")
    found = dict(zip(table.column("limit").to_pylist(), table.column("verdict").to_pylist(), strict=True))
    return found, " ".join(one.text for step in outcome.manifest.steps.values() for one in step.remarks)


def test_a_sound_run_passes_with_a_stop_a_jog_and_a_ring_out(tmp_path: Path) -> None:
    load, motion = 42.5 + 37.5 * TURN, 2.0 * TURN
    stop = (T >= 100.0) & (T < 130.0)
    load[stop], motion[stop] = 5.0, -2.0
    jog = (T >= 110.0) & (T < 112.0)
    motion[jog] = -2.0 + 4.0 * np.sin(np.pi * (T[jog] - 110.0) / 2.0) ** 2  # moved by hand, there and back
    ring = (T >= 100.0) & (T < 103.0)
    motion[ring] += 1.2 * np.sin(4 * np.pi * (T[ring] - 100.0)) * np.exp(-(T[ring] - 100.0))
    found, remarks = judged(tmp_path, load, motion)
    assert set(found.values()) == {"pass"}
    assert "uncrossed" not in remarks


def gone(part: float) -> Callable[[], tuple[Floats, Floats]]:
    """The load falls to a part of itself half way through, or on the way up if it is 0; motion goes on."""

    def made() -> tuple[Floats, Floats]:
        return np.where(T < 100.6, 42.5 + 37.5 * TURN, part * (42.5 + 37.5 * TURN)), 2.0 * TURN

    return made


def moved_zero() -> tuple[Floats, Floats]:
    return 42.5 + 37.5 * TURN + np.where((T >= 100) & (T < 150), 40.0, 0.0), 2.0 * TURN


def two_cycles_as_one() -> tuple[Floats, Floats]:
    gone_once = (T >= 100.1) & (T < 101.1)
    return np.where(gone_once, 6.0, 42.5 + 37.5 * TURN), 2.0 * TURN


def gone_after_a_gap() -> tuple[Floats, Floats]:
    load, motion = gone(0.03)()
    hold = (T >= 90.0) & (T < 100.6)
    load[hold], motion[hold] = load[90 * 50], motion[90 * 50]
    return load, motion


@pytest.mark.parametrize("counter", [False, True])
@pytest.mark.parametrize("signals", [gone(0.03), gone(0.0), moved_zero, two_cycles_as_one, gone_after_a_gap])
def test_no_limit_is_met_by_cycles_that_crossed_no_threshold(
    tmp_path: Path, signals: Callable[[], tuple[Floats, Floats]], counter: bool
) -> None:
    found, remarks = judged(tmp_path, *signals(), counter=counter)
    assert "uncrossed" in remarks
    assert found["stiff"] == "inconclusive"
    if signals is two_cycles_as_one:  # one cycle of 200: what is hidden cannot break the others
        assert found["reached"] == "inconclusive"
        return
    unseen = counter and signals is gone_after_a_gap  # ten cycles that no signal shows
    # Each sample is there, and none is higher.
    assert found["top"] == ("fail" if signals is moved_zero else "inconclusive" if unseen else "pass")
    assert found["reached"] == ("inconclusive" if signals is moved_zero else "fail")
    assert "pass" not in (found["middle"], found["aim"])


def test_what_the_counter_counts_after_the_last_cycle_is_counted(tmp_path: Path) -> None:
    """Load and motion are gone both: only the counter shows that the rig went on."""
    still = T >= 100.6
    load, motion = np.where(still, 5.0, 42.5 + 37.5 * TURN), np.where(still, -2.0, 2.0 * TURN)
    found, remarks = judged(tmp_path, load, motion, counter=True)
    assert "unexplained" in remarks
    assert "pass" not in found.values()
