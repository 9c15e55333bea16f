"""Through logs and all steps: rows that show a violation are spoiled, and nothing passes; a sound run does."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.store.run_store import RunStore
from tests.benchmarks import sound_runs
from tests.benchmarks.drawn_runs import PLAN, SPOILS, Log, clipped, cycling, write_run
from tests.benchmarks.hidden_violations import LIMITS, OF_ONE, drawn, limits_text


@pytest.mark.parametrize("how", SPOILS)
@pytest.mark.parametrize("measure", ["peak_load", "motion_min", "energy_j"])
def test_a_run_whose_offending_rows_were_spoiled_does_not_pass(tmp_path: Path, measure: str, how: str) -> None:
    rng = np.random.default_rng(list(f"{measure} {how}".encode()))
    verdict = drawn(rng, measure, how, tmp_path / "run")
    assert verdict in ("inconclusive", "fail"), verdict


@pytest.mark.parametrize("how", OF_ONE)
@pytest.mark.parametrize("measure", ["peak_load", "motion_min"])
def test_one_channel_that_stays_below_the_limit_by_itself_proves_nothing(
    tmp_path: Path, measure: str, how: str
) -> None:
    """No ``stuck_after``, and a range that is far away: in some cycles, or clipped in all."""
    rng = np.random.default_rng(list(f"{measure} {how}".encode()))
    verdict = drawn(rng, measure, how, tmp_path / "run")
    assert verdict in ("inconclusive", "fail"), verdict


OF_THE_END = [("secant_stiffness", "median", ">=", "18 N*m/deg", 20), ("energy_j", "mean", "<=", "0.5 J", 20),
              ("secant_stiffness", "change", ">=", "-5 %", 20), ("secant_stiffness", "last", ">=", "18 N*m/deg", 1),
              ("motion_max", "last", "<=", "4.5 deg", 1)]  # fmt: skip


@pytest.mark.parametrize("how", ["stuck", "clipped", "saturated"])
def test_a_window_that_was_not_measured_shows_no_median_and_no_last_value(tmp_path: Path, how: str) -> None:
    """The specimen gives way in the last 24 of 140 cycles, and the sensors do not show it; its counter goes on."""
    limits = [
        limits_text(*judged).replace('name = "never"', f'name = "{i}"\nlast_cycles = {last}').partition("[[limit]]")[2]
        for i, (*judged, last) in enumerate(OF_THE_END)
    ]
    text = 'name = "own"\nbasis = "invented"\n' + "".join(f"[[limit]]{one}" for one in limits)
    log = cycling(np.random.default_rng(5), 140, change={cycle: {"stiffness": 14.0} for cycle in range(116, 140)})
    if how == "saturated":
        log.motion[log.bad & (log.motion > 4.0)] = 30.0
    spoils = SPOILS | {"clipped": partial(clipped, name="motion"), "saturated": lambda log, rng: log.lines()}
    spoiled = spoils[how](log, np.random.default_rng(6))
    run = load_run(write_run(tmp_path / "run", [spoiled], plan=PLAN.format(limits='["limits.toml"]'), limits=text))
    work(run)
    store = RunStore(run.store, run.name)
    verdicts = store.read(store.manifest(), "verdicts").to_pylist()
    assert len(verdicts) == len(OF_THE_END)
    assert not [row for row in verdicts if row["verdict"] == "pass"]


@pytest.mark.parametrize("measure", LIMITS)
def test_the_same_run_without_a_violation_passes(tmp_path: Path, measure: str) -> None:
    rng = np.random.default_rng(list(measure.encode()))
    assert drawn(rng, measure, "", tmp_path / "run", sound=True).startswith("pass")


@pytest.mark.parametrize("how", ["clipped", "stuck"])
def test_a_proof_whose_load_cell_is_clipped_or_stuck_proves_nothing(monkeypatch: pytest.MonkeyPatch, how: str) -> None:
    whole = sound_runs.proof

    def spoiled(*drawn: Any) -> Log:
        log = whole(*drawn)
        at = int(np.argmax(log.load > 4440.0)) + 200
        log.load = np.minimum(log.load, 4449.0) if how == "clipped" else log.load
        if how == "stuck":
            log.load[at : at + 600] = log.load[at]
        return log

    monkeypatch.setattr(sound_runs, "proof", spoiled)
    assert {verdict for _, verdict, _ in sound_runs.judged("ultimate", 1)} == {"inconclusive"}


def test_rejected_rows_before_the_first_sweep_and_after_the_last_leave_the_range_of_motion_measured() -> None:
    """Sound sweeps that begin and end in their middle, of which every hundredth row was rejected."""
    (verdict,) = (one for limit, one, _ in sound_runs.judged("ankle", 0) if limit.endswith("range of motion, free"))
    assert verdict == "pass"
