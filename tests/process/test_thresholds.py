"""Thresholds that are learnt from the data (invented signals)."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchpipe.blocks.cyclic.thresholds import WINDOW_CYCLES, Thresholds, learn_thresholds
from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.samples.signals import Signals
from benchpipe.store.run_store import RunStore
from tests.config.written import write_lab

EMPTY = np.empty(0)
TARGETS = 'load_min = "5 N*m"\nload_max = "80 N*m"\n'


def signals(load: np.ndarray) -> Signals:
    """These loads at 100 samples a second; the motion is their tenth."""
    return Signals(np.arange(len(load)) * 10_000, load, 0.1 * load, EMPTY, EMPTY)


def learnt(load: np.ndarray, per_cycle: float = 100.0, *, by_load: bool = True) -> Thresholds | None:
    return learn_thresholds([signals(load)], by_load=by_load, per_cycle=per_cycle)


def wave(cycles: float, per_cycle: float = 100.0, phase: float = 0.3) -> np.ndarray:
    """A sine from 5 to 80."""
    return 42.5 + 37.5 * np.sin(2 * np.pi * np.arange(round(cycles * per_cycle)) / per_cycle + phase)


@settings(max_examples=150)
@given(st.integers(0, 2**32 - 1), st.integers(0, 4000), st.integers(1, 4000), st.data())
def test_any_cut_learns_the_same(seed: int, still: int, cycling: int, data: st.DataObject) -> None:
    rng = np.random.default_rng(seed)
    load = np.concatenate([rng.normal(5.0, 0.3, still), wave(cycling / 100)]) + rng.uniform(-10, 10, still + cycling)
    places = data.draw(st.lists(st.integers(0, len(load)), max_size=8).map(sorted))
    whole = signals(load)
    pieces = [whole.part(a, b) for a, b in pairwise([0, *places, len(load)])]
    assert learn_thresholds(pieces, by_load=True, per_cycle=100.0) == learnt(load)


@settings(max_examples=100)
@given(st.integers(0, 2**32 - 1), st.integers(0, 9000), st.integers(0, 9000))
def test_what_comes_later_changes_nothing_once_it_is_settled(seed: int, still: int, later: int) -> None:
    rng = np.random.default_rng(seed)
    first = np.concatenate([np.full(still, 3.0), wave(61)]) + rng.normal(0, 0.5, still + 6100)
    early = learnt(first)
    assert early is not None
    assert early.settled  # 61 cycles hold a whole window wherever it begins
    assert learnt(np.concatenate([first, rng.normal(0, 50, later)])) == early


@pytest.mark.parametrize("per_cycle", [10.0, 33.3, 100.0, 5000.0])
def test_a_wave_is_cut_at_about_a_third_and_two_thirds(per_cycle: float) -> None:
    found = learnt(wave(40, per_cycle), per_cycle)
    assert found is not None
    assert (found.low, found.high) == pytest.approx((5 + 0.32 * 75, 5 + 0.68 * 75), abs=1.5)
    assert (found.first, found.last, found.settled) == (1, round(WINDOW_CYCLES * per_cycle), True)


def test_too_few_cycles_are_tried_and_not_settled() -> None:
    found = learnt(wave(8))
    assert found is not None
    assert not found.settled
    assert learnt(wave(2)) is None


@pytest.mark.parametrize(
    "load",
    [
        np.full(5000, 12.0),
        np.random.default_rng(1).normal(0.0, 3.0, 5000),  # noise alone
        np.random.default_rng(2).normal(0.0, 3.0, 5000).cumsum(),  # drift
        wave(60, 20.0),  # cycles, five times faster than the plan says
        wave(20, 450.0),
    ],
    ids=["still", "noise", "drift", "faster", "slower"],
)
def test_what_is_no_cycling_of_the_plan_gives_none(load: np.ndarray) -> None:
    assert learnt(load) is None


@pytest.mark.parametrize("per_cycle", [10.0, 100.0])
def test_noise_alone_is_left_out_until_the_cycling_begins(per_cycle: float) -> None:
    still = np.random.default_rng(3).normal(5.0, 1.0, round(2.5 * WINDOW_CYCLES * per_cycle))
    found = learnt(np.concatenate([still, wave(100, per_cycle)]), per_cycle)
    assert found is not None
    assert found.first >= 2 * WINDOW_CYCLES * per_cycle
    assert (found.low, found.high) == pytest.approx((29, 56), abs=2.5)


def test_the_lower_of_two_peaks_a_cycle_is_left_below() -> None:
    turns = np.arange(5000) / 100.0
    load = 5 + np.where(turns % 1.0 < 0.5, 65, 75) * np.sin(np.pi * (2 * turns % 1.0)) ** 2
    found = learnt(load)
    assert found is not None
    assert 70 < found.high < 80


def test_motion_is_learnt_from_where_it_is_controlled() -> None:
    found = learnt(wave(40), by_load=False)
    assert found is not None
    assert (found.low, found.high) == pytest.approx((2.9, 5.6), abs=0.15)


def write_log(path: Path, first: int, last: int) -> None:
    """Rows ``first … last - 1`` of 50 seconds without load and 100 cycles with noise, at 50 samples a second."""
    n = np.arange(12_500)
    t = n / 50
    cycling = np.where(t < 50, 5.0, 42.5 - 37.5 * np.cos(2 * np.pi * t))
    load = cycling + np.random.default_rng(6).uniform(-8, 8, len(n))
    rows = [f"{t[k]:.2f},{load[k]:.3f},{0.05 * load[k]:.4f},21.5" for k in range(first, last)]
    path.write_text("\n".join(["t,T,A,C", *rows, ""]))


def nights(folder: Path, *ends: int, control: str = "") -> tuple[pa.Table, list[str]]:
    """The cycles after nights that end at these rows, and the remarks, through the steps of a run."""
    folder.mkdir()
    plan = write_lab(folder, plan=(TARGETS, control), limits=('statistic = "change"\nlast_cycles = 100\n', ""))
    text = (folder / "plan.toml").read_text()
    text = text[: text.index('[[block]]\nname = "held"')].replace('limits = ["limits.toml"]\n', "")
    (folder / "plan.toml").write_text(text)
    (folder / "logs").mkdir()
    begin = 0
    for number, end in enumerate(ends):
        write_log(folder / "logs" / f"{number}.csv", begin, end)
        begin = end
        run = load_run(plan)
        outcome = work(run, until="process")
    remarks = [r.text for r in outcome.manifest.steps["process"].remarks if r.code.startswith("thresholds")]
    return RunStore(run.store, run.name).read(outcome.manifest, "cycles"), remarks


@pytest.mark.parametrize("ends", [(2000, 12_500), (2400, 3300, 4100, 5000, 7001, 12_500), (6000, 12_499, 12_500)])
def test_cutting_a_learnt_block_into_nights_changes_nothing(tmp_path: Path, ends: tuple[int, ...]) -> None:
    whole, said = nights(tmp_path / "whole", 12_500)
    cut, also = nights(tmp_path / "cut", *ends)
    assert cut.equals(whole)
    assert also == said
    assert len(said) == 1
    assert "learnt from samples 1,501 to 3,000" in said[0] or "learnt from samples 3,001 to 4,500" in said[0]
    assert cut.column("cycle").drop_null().to_pylist() == list(range(1, cut.column("cycle")[-2].as_py() + 1))
    assert 198 <= cut.column("cycle").drop_null().to_pylist()[-1] <= 200


def test_before_anything_cycles_the_block_says_so(tmp_path: Path) -> None:
    cycles, said = nights(tmp_path / "run", 2000)
    assert cycles.num_rows == 0
    assert len(said) == 1
    assert "load_min and load_max" in said[0]


def test_a_block_may_say_that_motion_is_controlled(tmp_path: Path) -> None:
    _, said = nights(tmp_path / "run", 12_500, control='control = "motion"\n')
    assert "deg of the motion" in said[0]
