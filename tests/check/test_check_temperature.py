"""A warm day is no wear, and wear that came with warmth is: through logs and all steps (invented data)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.store.run_store import RunStore
from tests.benchmarks.drawn_runs import PLAN, cycling, write_run

LIMIT = """name = "own"
basis = "invented"
[[limit]]
name = "lost"
block = "durability"
measure = "secant_stiffness"
statistic = "change"
last_cycles = 100
operator = ">="
value = "{value}"
source = "invented"
"""
KNOWN = 'temperature = [{ measure = "secant_stiffness", per_kelvin = "-0.5 %", uncertainty = "0.1 %" }]\n'


def verdict(
    folder: Path, *, value: str = "-2 %", wear: float = 0.0, plan: str = "", warm: bool = True
) -> dict[str, Any]:
    """300 cycles at 19 degC and 300 at 27 degC, -0.5 %/K; ``wear`` comes with the warmth."""
    rng = np.random.default_rng(42)
    log = cycling(rng, 600)
    late = log.time >= 300.0
    log.temperature = np.where(late & warm, 27.0, 19.0) + 0.02 * rng.standard_normal(len(log))
    log.motion = log.motion / (1.0 - 0.005 * np.where(late & warm, 8.0, 0.0)) / np.where(late, 1.0 + wear, 1.0)
    text = PLAN.format(limits='["limits.toml"]') + plan
    run = load_run(write_run(folder, [log.lines()], plan=text, limits=LIMIT.format(value=value)))
    work(run)
    store = RunStore(run.store, run.name)
    (row,) = store.read(store.manifest(), "verdicts").to_pylist()
    return dict(row)


def test_warmth_alone_is_not_judged_as_wear(tmp_path: Path) -> None:
    row = verdict(tmp_path / "run")
    assert (row["verdict"], "there and back" in row["remark"]) == ("inconclusive", True)


def test_with_the_plans_coefficient_warmth_is_taken_out(tmp_path: Path) -> None:
    row = verdict(tmp_path / "run", plan=KNOWN)
    assert row["verdict"] == "pass"
    assert row["measured"] == pytest.approx(0.0, abs=row["expanded_u"])
    assert row["not_corrected"] == pytest.approx(-0.04, abs=0.002)
    assert row["correction"] == pytest.approx(-0.04, abs=0.001)
    assert row["correction_u"] == pytest.approx(8.0 * 0.0005, rel=0.1)


def test_a_crack_that_came_with_the_warmth_is_seen_and_never_explained_away(tmp_path: Path) -> None:
    assert verdict(tmp_path / "a", wear=-0.04)["verdict"] == "inconclusive"
    row = verdict(tmp_path / "b", wear=-0.04, plan=KNOWN)
    assert row["verdict"] == "fail"
    assert row["measured"] == pytest.approx(-0.04, abs=0.01)


def test_without_a_difference_of_temperature_nothing_is_corrected(tmp_path: Path) -> None:
    row = verdict(tmp_path / "run", warm=False)
    assert row["verdict"] == "pass"
    assert row["correction"] is None
    assert "not corrected" in row["remark"]
