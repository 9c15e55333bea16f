"""Sweeps, holds, stance windows and proofs whose offending samples were spoiled never pass (invented runs).

The full count is `python -m tests.benchmarks.hidden_in_kinds`.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.store.run_store import RunStore
from tests.benchmarks.drawn_runs import RATE, SPOILS, write_run
from tests.benchmarks.hidden_in_kinds import HEAD, HOLD, KINDS, LIMITS, combinations, drawn, log_of

PAIRS = combinations()
EACH = 3  # every third pair: all ways, and each kind several times


@pytest.mark.parametrize(("kind", "way"), PAIRS[::EACH] + PAIRS[-len(KINDS) :])
def test_what_was_spoiled_does_not_pass_and_what_is_sound_does(tmp_path: Path, kind: str, way: str) -> None:
    verdict = drawn(np.random.default_rng(7), KINDS[kind], way, tmp_path / "run", broken=way != "(sound)")
    if way == "(sound)":
        assert verdict == "pass"
    else:
        assert verdict == "fail" if way == "(not spoiled)" else verdict != "pass"


@pytest.mark.parametrize("begin", [1.0, 3.98])
def test_sensors_that_stick_while_a_hold_begins_hide_its_first_creep(tmp_path: Path, begin: float) -> None:
    """1 deg in the first minute, most of it before 30 s: a twentieth of the rows, and the ramp seems to end there."""
    rng = np.random.default_rng(3)
    time = np.arange(round(680 * RATE)) / RATE
    load = np.interp(time, [0, 2, 4, 674, 676, 680], [0, 0, 60, 60, 0, 0])
    motion = load / 20 + (1.0 - np.exp(-np.clip(time - 4.0, 0.0, 670.0) / 8.0)) * (load > 1)
    log = log_of(rng, load, motion, (time > begin) & (time < 30.0), 1)
    plan = HEAD.format(limits='["limits.toml"]') + HOLD
    for lines, expected in ((log.lines(), ("fail",)), (SPOILS["stuck"](log, rng), ("inconclusive", "not evaluated"))):
        run = load_run(write_run(tmp_path / expected[0], [lines], plan=plan, limits=LIMITS.read_text()))
        work(run)
        store = RunStore(run.store, run.name)
        rows = store.read(store.manifest(), "verdicts").to_pylist()
        assert [row["verdict"] in expected for row in rows if row["limit"] == KINDS["hold"].limit] == [True], rows
