"""Cycles at the end of the settled parts, from logs to verdicts: a last record, and blocks without a complete cycle.

All logs are invented: sines of load and motion at 50 Hz, each record after a second without rows.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow.compute as pc
import pytest

from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.store.run_store import RunStore

RIG = """
name = "r"
time = { kind = "elapsed", column = "time", sample_rate = "50 Hz" }
load = { channel = "force" }
motion = { channel = "disp" }
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
boundary = "{boundary}"
"""
LIMITS = """
name = "own"
basis = "invented"
undeclared = "accept"
[[limit]]
name = "peak"
block = "main"
measure = "peak_load"
statistic = "max"
operator = "<="
value = "85 N"
decision = "simple"
source = "invented"
"""


def judged(folder: Path, peaks: list[float], turns: float, boundary: str) -> tuple[str, float, int]:
    """Verdict, measured peak and cycles used, of records with these peaks and so many turns."""
    rng = np.random.default_rng(1)
    lines = ["time,force,disp"]
    for place, peak in enumerate(peaks):
        t = np.arange(0.0, turns, 0.02)
        load = 5.0 + (peak - 5.0) * 0.5 * (1.0 - np.cos(2.0 * np.pi * t)) + 0.02 * rng.standard_normal(t.size)
        rows = zip(t + place * (turns + 1.0), load, load / 16.0, strict=True)
        lines += [f"{a:.2f},{b:.3f},{c:.4f}" for a, b, c in rows]
    (folder / "logs").mkdir(parents=True)
    (folder / "logs" / "a.csv").write_text("\n".join(lines) + "\n")
    for name, text in (("rig", RIG), ("plan", PLAN.format(boundary=boundary)), ("limits", LIMITS)):
        (folder / f"{name}.toml").write_text(text)
    run = load_run(folder / "plan.toml", folder / "store")
    outcome = work(run)
    rows = RunStore(run.store, run.name).read(outcome.manifest, "verdicts")
    row = rows.filter(pc.equal(rows.column("limit"), "peak")).to_pylist()[0]
    return row["verdict"], row["measured"], row["used"]


def test_the_last_record_is_judged(tmp_path: Path) -> None:
    verdict, peak, used = judged(tmp_path, [80.0] * 5 + [95.0], 1.0, "record")
    assert (verdict, used) == ("fail", 6)
    assert peak == pytest.approx(95.0, abs=0.5)


@pytest.mark.parametrize(("turns", "boundary"), [(0.5, "record"), (2.0, "record"), (0.9, "crossing")])
@pytest.mark.parametrize("place", [0, 1, 2])
def test_extremes_count_where_no_cycle_is_complete(tmp_path: Path, turns: float, boundary: str, place: int) -> None:
    peaks = [80.0, 80.0, 80.0]
    peaks[place] = 95.0
    verdict, peak, _ = judged(tmp_path, peaks, turns, boundary)
    assert verdict != "pass"
    assert peak == pytest.approx(95.0, abs=0.5)
