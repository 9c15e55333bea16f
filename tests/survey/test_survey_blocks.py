"""What a survey finds in drawn stretches: targets, control, holds, proofs, sweeps, and what cannot be separated."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchpipe.samples.stream import matches
from benchpipe.survey.blocks import find_blocks
from benchpipe.survey.names import pattern_of
from benchpipe.survey.runin import find_baseline
from tests.survey.drawn import RATE, held, sine, stretch, surveyed

K = 20.0


@settings(max_examples=12, deadline=None)
@given(
    st.floats(-50.0, 40.0), st.floats(20.0, 2000.0), st.sampled_from([0.2, 0.5, 1.0, 2.0, 5.0]),
    st.integers(12, 60), st.sampled_from(["load", "motion"]),
)  # fmt: skip
def test_targets_and_frequency_are_those_that_were_drawn(
    low: float, span: float, hz: float, cycles: int, by: str
) -> None:
    driven = sine(cycles, low, low + span, hz=hz, noise=0.0)
    soft = 1.0 + 0.2 * np.linspace(0.0, 1.0, driven.size)  # the other axis drifts
    other = driven * soft
    found = find_blocks(surveyed(stretch(*((driven, other) if by == "load" else (other, driven)))))
    (cyclic,) = found.cyclic
    assert cyclic.axis == cyclic.control == by
    assert cyclic.valley.value == pytest.approx(low, abs=0.02 * span)
    assert cyclic.peak.value == pytest.approx(low + span, abs=0.05 * span)
    assert cyclic.frequency == pytest.approx(hz, rel=0.03)
    assert cyclic.steady
    assert found.holds == found.sweeps == found.proofs == ()


def test_a_frequency_between_two_numbers_of_samples_is_their_mean() -> None:
    (cyclic,) = find_blocks(surveyed(stretch(driven := sine(60, 5.0, 80.0, hz=RATE / 11.4), driven / K))).cyclic
    assert cyclic.frequency == pytest.approx(RATE / 11.4, rel=0.005)


def test_noise_and_rest_are_no_cycles() -> None:
    noise = np.random.default_rng(3).standard_normal((2, 20_000))
    assert find_blocks(surveyed(stretch(noise[0], noise[1]))).blocks == ()
    assert find_blocks(surveyed(stretch(np.zeros(5000), np.zeros(5000)))).blocks == ()
    assert find_blocks(surveyed()).blocks == ()


def test_a_hold_between_cycles_and_its_load() -> None:
    load = np.concatenate([sine(60, 5.0, 80.0), held(60.0, 100.0), sine(60, 5.0, 80.0, seed=2)])
    found = find_blocks(surveyed(stretch(load, load / K)))
    assert [type(one).__name__ for one in found.blocks] == ["CyclicSeen", "HoldSeen"]
    assert found.holds[0].load.value == pytest.approx(60.0)
    assert found.holds[0].longest_s == pytest.approx(100.0, abs=2.0)
    assert found.cyclic[0].cycles >= 110


def test_a_proof_is_beyond_the_cycles_and_between_two_stays() -> None:
    load = np.concatenate([sine(60, 5.0, 80.0), held(150.0, 30.0, ramp=15.0, rest=7.0)])
    (proof,) = find_blocks(surveyed(stretch(load, load / K))).proofs
    assert (proof.load.value, proof.settling) == pytest.approx((150.0, 7.0))
    assert proof.hold_s == pytest.approx(30.0, abs=1.5)
    assert proof.settling_s == pytest.approx(10.0, abs=1.5)
    longer = np.concatenate([sine(60, 5.0, 80.0), held(150.0, 300.0, ramp=15.0, rest=7.0)])
    assert find_blocks(surveyed(stretch(longer, longer / K))).proofs == ()  # so long a stay is a hold


def test_a_dwell_at_the_top_of_each_cycle_is_no_hold() -> None:
    one = held(70.0, 15.0, ramp=4.0, rest=3.0, rest_s=4.0)
    load = np.tile(one, 8)
    found = find_blocks(surveyed(stretch(load, load / K)))
    assert found.holds == ()
    assert found.notes == ("the load dwells at about 70 in each cycle",)
    assert found.cyclic[0].cycles >= 6


def free(sweeps: int, period: float = 10.0) -> tuple[np.ndarray, np.ndarray]:  # type: ignore[type-arg]
    part = (np.arange(round(sweeps * period * RATE)) / RATE / period) % 1.0
    motion = np.where(part < 0.5, -12.0 + 54.0 * part, 42.0 - 54.0 * part)
    load = np.where(part < 0.5, 0.8, -0.8) + 4.0 * (np.maximum(motion - 12.0, 0) + np.minimum(motion + 9.0, 0))
    return load, motion


def test_sweeps_and_cycles_are_told_apart_by_mode_by_file_or_not_at_all() -> None:
    sweep, load = free(6), sine(60, 5.0, 80.0)
    by_mode = find_blocks(surveyed(stretch(*sweep, mode=0), stretch(load, load / K, number=1, mode=1)))
    assert (by_mode.sweeps[0].where.mode, by_mode.cyclic[0].where.mode) == (0, 1)
    assert by_mode.sweeps[0].where.also == by_mode.cyclic[0].where.also == ""
    low, high = by_mode.sweeps[0].free
    assert (low, high) == pytest.approx((-9.0, 12.0), abs=1.0)
    files = find_blocks(surveyed(
        stretch(*sweep, file="logs/sweep_1.csv"), stretch(load, load / K, number=1, file="logs/cycling_1.csv"),
    ))  # fmt: skip
    assert files.sweeps[0].where.files == ("sweep_*",)
    assert files.cyclic[0].where.files == ("cycling_*",)
    mixed = find_blocks(surveyed(stretch(*sweep), stretch(load, load / K, number=1)))
    assert (mixed.sweeps[0].where.also, mixed.cyclic[0].where.also) == ("cycles", "sweeps")


def test_levels_in_files_of_their_own_are_blocks_of_their_own() -> None:
    first, second = sine(60, 5.0, 80.0), sine(60, 5.0, 120.0)
    found = find_blocks(surveyed(
        stretch(first, first / K, file="low_1.csv"), stretch(second, second / K, number=1, file="high_1.csv"),
    ))  # fmt: skip
    assert [(c.where.files, round(c.peak.value)) for c in found.cyclic] == [(("low_*",), 80), (("high_*",), 120)]
    both = np.concatenate([first, second])
    assert not find_blocks(surveyed(stretch(both, both / K))).cyclic[0].steady


@given(st.sets(st.from_regex(r"[a-c]{1,3}[_-]?[0-9\[\*]{0,2}\.csv", fullmatch=True), min_size=2, max_size=8), st.data())
def test_a_pattern_takes_its_own_and_no_other(names: set[str], data: st.DataObject) -> None:
    own = data.draw(st.sets(st.sampled_from(sorted(names)), min_size=1, max_size=len(names) - 1))
    patterns = pattern_of(own, names - own)
    assert {name for name in names if matches(name, patterns)} == own
    assert pattern_of(own, set()) == ()


def test_the_baseline_comes_after_the_run_in_and_only_where_that_is_seen() -> None:
    n = np.arange(1000)
    noise = 0.01 * np.random.default_rng(4).standard_normal(n.size)
    running_in = 20.0 * (1.0 + 0.1 * np.exp(-n / 60)) + noise
    baseline, _ = find_baseline(running_in, float("nan"))
    assert baseline is not None
    assert 120 <= baseline[0] < baseline[1] <= 500
    assert find_baseline(running_in, 12_000.0)[0] is None  # the specimen has run before
    assert find_baseline(running_in[:40], 0.0)[0] is None
    assert find_baseline(np.full(70, 20.0), 0.0) == (None, "70 cycles do not show where the run-in ends")
    falling = 20.0 * (1.0 - 0.4 * n / 1000) + noise
    assert find_baseline(falling, 0.0) == (None, "stiffness is still moving at the end of these logs")
