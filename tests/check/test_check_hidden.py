"""Through logs and all steps: rows that show a violation are spoiled, and nothing passes; a sound run does."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.benchmarks import sound_runs
from tests.benchmarks.drawn_runs import SPOILS, Log
from tests.benchmarks.hidden_violations import LIMITS, OF_ONE, drawn


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
