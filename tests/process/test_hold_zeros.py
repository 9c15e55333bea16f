"""The load's zero before and after a hold (invented signals, truth known)."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchpipe.blocks.hold.zeros import Rest, ZeroShift, zero_shift, zero_words
from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.samples.signals import Signals
from benchpipe.store.run_store import RunStore
from tests.config.written import write_lab
from tests.conftest import examples
from tests.process.test_holds import held, only, rows_of


def with_zero(signals: Signals, shift: float, offset: float = 0.0) -> Signals:
    """The same with a zero that moved in the hold: the rig holds what its load cell reads, so it shows without load."""
    since = signals.time_us * 1e-6 - 22.0
    extra = np.where(since < -2.0, offset, 0.0) + np.where(since > 1200.0, offset + shift, 0.0)
    return replace(signals, load=signals.load + extra).copy()


@pytest.mark.parametrize("shift", [2.0, -2.0, 0.6])
@pytest.mark.parametrize("offset", [0.0, 1.5])
def test_a_zero_that_moved_in_a_hold_is_told_with_its_size(shift: float, offset: float) -> None:
    rows = rows_of(with_zero(held(0.5, 0.01), shift, offset))
    hold = only(rows)
    assert hold["zero_shift"] == pytest.approx(shift, abs=2.0 * hold["zero_shift_u"])
    assert hold["zero_shift_u"] < 0.1  # noise of 0.1 N*m in each of 200 and more readings, and what wanders
    assert hold["load_mean_u"] == pytest.approx(abs(shift) / math.sqrt(3.0), rel=0.1)
    ((number, zero),) = rows.zeros
    assert number == 1
    assert zero.before == pytest.approx(offset, abs=0.1)
    assert zero.after == pytest.approx(offset + shift, abs=0.1)


def test_a_zero_that_stays_is_given_and_not_named() -> None:
    rows = rows_of(held(0.5, 0.01))
    hold = only(rows)
    assert rows.zeros == []
    assert abs(hold["zero_shift"]) < 0.1
    assert 0.0 < hold["load_mean_u"] < 0.1


def test_the_uncertainty_of_what_follows_from_the_load_grows_with_it() -> None:
    still, moved = only(rows_of(held())), only(rows_of(with_zero(held(), 4.0)))
    compliance = moved["elastic_motion"] / moved["load_mean"]
    added = math.sqrt(moved["elastic_motion_u"] ** 2 - still["elastic_motion_u"] ** 2)
    assert added == pytest.approx(compliance * 4.0 / math.sqrt(3.0), rel=0.1)


@pytest.mark.parametrize("seen", ["no rest before", "no rest after", "released late", "a gap before the ramp"])
def test_without_a_rest_on_both_sides_nothing_is_told(seen: str) -> None:
    whole = with_zero(held(0.5, 0.01), 3.0)
    t = whole.time_us * 1e-6 - 22.0
    if seen == "released late":  # half of the load for two minutes, then off
        t = np.append(t, t[-1] + np.arange(0.1, 300.0, 0.1))
        load = np.append(whole.load, np.zeros(t.size - len(whole)))
        load[(t > 1200.0) & (t < 1320.0)] = 30.0
        motion = np.append(whole.motion, np.zeros(t.size - len(whole)))
        nothing = np.empty(0)
        piece = Signals(np.rint((t + 22.0) * 1e6).astype(np.int64), load, motion, nothing, nothing).copy()
        rows = rows_of(piece)
    else:
        keep = {
            "no rest before": t > -1.0,
            "no rest after": t < 1200.0,
            "a gap before the ramp": (t < -12) | (t > -1.9),
        }
        rows = rows_of(picked(whole, keep[seen]))
    hold = only(rows)
    assert rows.zeros == []
    assert not any(math.isfinite(hold[name]) for name in ("zero_shift", "zero_shift_u", "load_mean_u"))
    assert math.isfinite(hold["load_mean"])


def picked(signals: Signals, keep: np.ndarray[Any, Any]) -> Signals:
    """Some of the samples."""
    nothing = np.empty(0)
    return Signals(signals.time_us[keep], signals.load[keep], signals.motion[keep], nothing, nothing).copy()


@pytest.fixture(scope="module")
def one_pass() -> tuple[Signals, dict[str, Any]]:
    """Samples of a hold with a zero, and its row measured in one pass."""
    whole = with_zero(held(0.5, 0.01), 2.0)
    return whole, only(rows_of(whole))


@settings(max_examples=examples(20))
@given(cuts=st.lists(st.integers(1, 12_500), max_size=6))
def test_cutting_does_not_matter(one_pass: tuple[Signals, dict[str, Any]], cuts: list[int]) -> None:
    whole, one = one_pass
    at = [0, *sorted(set(cuts)), len(whole)]
    pieces = [whole.part(a, b) for a, b in pairwise(at)]
    names = ("zero_shift", "zero_shift_u", "load_mean_u", "elastic_motion_u")
    other = only(rows_of(*pieces))
    assert [one[name] for name in names] == [other[name] for name in names]


def test_each_hold_has_its_own_sides() -> None:
    rests = [Rest(0, 10, 1.0, 0.1), Rest(100, 110, 2.0, 0.1), Rest(200, 210, 5.0, 0.1)]
    assert zero_shift(rests, 10, 95, 60.0).shift == 1.0
    assert zero_shift(rests, 105, 199, 60.0).shift == 3.0
    assert math.isnan(zero_shift(rests, 50, 95, 60.0).shift)  # it did not begin from a rest
    assert math.isnan(zero_shift(rests, 205, 300, 60.0).shift)
    assert math.isnan(zero_shift(rests, -1, 95, 60.0).shift)
    assert math.isnan(zero_shift(rests, 10, 210 - 70_000_000, 60.0).shift)
    assert math.isnan(zero_shift(rests, 10, 95, 20.0).shift)  # not known well enough for such a load
    assert not ZeroShift().named(60.0)


def test_the_words_say_size_and_uncertainty() -> None:
    assert zero_words(ZeroShift(0.1, 2.1, 0.05), "N*m") == (
        "without load it read 0.1 N*m before and 2.1 N*m after (+2 +- 0.1 N*m, k = 2): the load's zero moved, "
        "or something still loads it"
    )


def test_a_run_tells_it_as_a_remark_and_keeps_it_in_the_table(tmp_path: Path) -> None:
    plan = write_lab(tmp_path)
    whole = with_zero(held(0.5, 0.01), 2.0)
    rows = [f"{t * 1e-6:.1f},{a:.4f},{b:.5f},23.0" for t, a, b in zip(*columns(whole), strict=True)]
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "a.csv").write_text("\n".join(["t,T,A,C", *rows]) + "\n", encoding="utf-8")
    rig = tmp_path / "rig.toml"
    rig.write_text(rig.read_text().replace('"50 Hz"', '"10 Hz"'))
    text = plan.read_text()
    cyclic, hold = text.index("[[block]]"), text.index('[[block]]\nname = "held"')
    plan.write_text(text[:cyclic] + text[hold : text.index('[[block]]\nname = "free"')])
    limits = tmp_path / "limits.toml"
    limits.write_text(limits.read_text().split('[[limit]]\nname = "stiffness lost"')[0])
    run = load_run(plan)
    manifest = work(run, until="process").manifest
    (remark,) = [r for r in manifest.steps["process"].remarks if r.code == "zero-shift"]
    assert remark.where == "held"
    assert remark.text.startswith("hold 1: without load it read ")
    assert "N*m after (+1.99 +- 0.086 N*m, k = 2)" in remark.text
    (row,) = RunStore(run.store, run.name).read(manifest, "holds").to_pylist()
    assert row["zero_shift"] == pytest.approx(2.0, abs=0.1)


def columns(signals: Signals) -> tuple[Any, Any, Any]:
    return signals.time_us, signals.load, signals.motion
