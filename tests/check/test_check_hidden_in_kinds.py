"""Sweeps, holds, stance windows and proofs whose offending samples were spoiled never pass (invented runs).

The full count is `python -m tests.benchmarks.hidden_in_kinds`.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.benchmarks.hidden_in_kinds import KINDS, combinations, drawn

PAIRS = combinations()
EACH = 3  # every third pair: all ways, and each kind several times


@pytest.mark.parametrize(("kind", "way"), PAIRS[::EACH] + PAIRS[-len(KINDS) :])
def test_what_was_spoiled_does_not_pass_and_what_is_sound_does(tmp_path: Path, kind: str, way: str) -> None:
    verdict = drawn(np.random.default_rng(7), KINDS[kind], way, tmp_path / "run", broken=way != "(sound)")
    if way == "(sound)":
        assert verdict == "pass"
    else:
        assert verdict == "fail" if way == "(not spoiled)" else verdict != "pass"
