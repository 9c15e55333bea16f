"""What of proofs is judged: which of them count, and the uncertainty of each figure (invented figures)."""

from __future__ import annotations

from math import sqrt
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from benchpipe.blocks.measures import COUNTED, OF_VALUES
from benchpipe.blocks.values import Values
from benchpipe.check.measures import our_measures
from tests.blocks.asked import RATE, values
from tests.check.judged import rows

STRENGTH = SimpleNamespace(name="strength")


def proofs(*outcome: str, **columns: Any) -> list[dict[str, Any]]:
    plain = {"block": "strength", "proof": list(range(1, len(outcome) + 1)), "outcome": list(outcome), "samples": 1000,
             "complete": False, "peak_load": 110.0, "load_noise": 0.1, "hold_time_s": 30.0, "held_load": 100.0,
             "held_load_u": 0.2, "carried_load": 108.0, "remark": "why"}  # fmt: skip
    return rows("proofs", len(outcome), **(plain | columns))


def judged(measure: str, *outcome: str, **columns: Any) -> Values:
    return values(measure, STRENGTH, proofs=proofs(*outcome, **columns))


def test_a_proof_counts_that_is_over_failed_or_lost_its_load() -> None:
    outcomes = ("held", "failed", "inconclusive", "log ends")
    assert judged("held_load", *outcomes).number.tolist() == [2.0, 3.0]
    whole = judged("held_load", *outcomes, complete=[True, False, False, False])
    assert (whole.number.tolist(), whole.names) == ([1.0, 2.0, 3.0], ("proof 1", "proof 2", "proof 3"))
    assert whole.of == 4
    none = judged("held_load", "log ends", "log ends")
    assert (none.value.size, none.due, none.of, none.why) == (0, False, 2, "the log ends inside the proof")


def test_a_lost_load_is_a_doubt_where_no_proof_has_a_figure() -> None:
    lost = {"held_load": None, "held_load_u": None, "remark": ["first", "second", "third"]}
    outcomes = ("inconclusive", "inconclusive", "failed")
    assert judged("held_load", *outcomes, **lost).doubt == "second"
    assert judged("held_load", *outcomes, **(lost | {"held_load": [None, None, 9.0]})).doubt == ""
    assert judged("held_load", "failed", "failed", "failed", **lost).doubt == ""
    assert judged("held_load", "inconclusive", held_load=None, remark=None).doubt == ""
    open_one = judged("held_load", "inconclusive", "log ends", held_load=[None, 9.0], remark=["lost", "ends"])
    assert open_one.doubt == "lost"  # a figure of a proof that goes on is none


def test_each_figure_has_the_uncertainty_that_is_its_own() -> None:
    assert judged("held_load", "failed").u.tolist() == [0.2]
    times = judged("proof_hold_time", "log ends", "failed", "failed")
    assert times.u.tolist() == [pytest.approx(sqrt(2.0 / 12.0) / RATE)] * 2
    # one reading, the largest of many: it reads high by its noise
    assert judged("proof_peak_load", "log ends", "failed", load_noise=[0.3, 0.1]).u.tolist() == [0.2]
    assert judged("carried_load", "failed").u.tolist() == [0.2]
    assert np.isnan(judged("sudden_drops", "failed", sudden_drop=0).u).all()


def test_what_one_sample_shows_and_what_is_counted() -> None:
    measures = {name: one for name, one in our_measures().items() if one.kind == "proof"}
    assert {name for name, one in measures.items() if one.one_sample} == {
        "proof_peak_load", "carried_load", "sudden_drops", "rules_broken", "proof_hold_time",
    }  # fmt: skip
    assert {name for name, one in measures.items() if one.statistics == COUNTED} == {"sudden_drops", "rules_broken"}
    assert all(one.statistics in (COUNTED, OF_VALUES) for one in measures.values())
    without = {"proof_peak_load", "carried_load", "sudden_drops", "rules_broken", "proof_hold_time"}
    assert {name for name, one in measures.items() if one.u_column is None} == without
    assert {name for name, one in measures.items() if one.absolute} == {
        "loading_rate", "proof_peak_load", "held_load", "permanent_set", "carried_load",
    }  # fmt: skip
    assert all(one.u_column in (None, f"{one.columns[0]}_u") for one in measures.values())
    assert all((one.table, one.machine, one.sampling) == ("proofs", True, "") for one in measures.values())
