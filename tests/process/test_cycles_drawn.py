"""Cycles in what rigs produce, each kind drawn (invented signals): as many are found as there are.

A drawn signal begins in its valley, so that n cycles rise n times through the threshold and n - 1 of ours close. All is
tried with thresholds from targets and with learnt ones.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from benchpipe.blocks.cutting import beginning
from benchpipe.blocks.cyclic.chunks import chunk_of, joined, known, open_rows
from benchpipe.blocks.cyclic.cycles import LOOP_FIELDS, cycle_settings, cycles_table, joined_rows
from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.cyclic.tables import CycleFlag
from benchpipe.blocks.cyclic.thresholds import learn_thresholds
from benchpipe.columns import floats
from benchpipe.config.model import Quantity
from benchpipe.config.rig import AxisConfig, ChannelConfig, RigConfig, TimeConfig
from benchpipe.samples.signals import Signals
from benchpipe.tables import schema

LOW, HIGH = 5.0, 80.0
SPAN = HIGH - LOW
Columns = dict[str, np.ndarray]
LEARNT = st.booleans()
SEED = st.integers(0, 2**32 - 1)


def found(
    load: np.ndarray, per_cycle: float, *, learnt: bool, hertz: float = 1.0, motion: np.ndarray | None = None,
    keep: np.ndarray | None = None, **block: object,
) -> Columns:  # fmt: skip
    """Columns of the cycles table of a load (or of a controlled motion) sampled evenly."""
    by_motion = motion is not None
    if not learnt and "low" not in block:
        ends = {"motion_min": (LOW, "angle"), "motion_max": (HIGH, "angle")} if by_motion else {
            "load_min": (LOW, "torque"), "load_max": (HIGH, "torque")}  # fmt: skip
        block |= {name: Quantity(*value) for name, value in ends.items()}
    if by_motion and learnt:
        block["control"] = "motion"
    how = CyclicBlock.model_validate({"name": "b", "kind": "cyclic", "frequency": hertz, **block})
    channels = (ChannelConfig(name=n, column=n, unit=unit) for n, unit in (("load", "N*m"), ("motion", "deg")))
    rig = RigConfig(
        name="r", time=TimeConfig(kind="elapsed", column="t", sample_rate=hertz * per_cycle), channel=tuple(channels),
        load=AxisConfig(channel="load"), motion=AxisConfig(channel="motion"),
    )  # fmt: skip
    time_us = np.rint(np.arange(len(load)) * 1e6 / (hertz * per_cycle)).astype(np.int64)
    keep = np.ones(len(load), bool) if keep is None else keep
    moved = 0.05 * load if motion is None else motion
    empty = np.empty(0)
    signals = Signals(time_us[keep], load[keep], moved[keep], empty, empty).copy()
    levels = learn_thresholds([signals], by_load=not by_motion, per_cycle=per_cycle) if how.learns else None
    assert how.learns == (levels is not None)
    settings_ = cycle_settings(how, rig, levels)
    run = joined(known(beginning(settings_.cut)), chunk_of(signals, settings_), settings_)
    rows = joined_rows([run.rows, open_rows(run, settings_)])
    table = cycles_table(rows, 0, settings_, schema("cycles"))
    return {name: floats(table.column(name)) for name in table.column_names if name != "block"}


def complete(got: Columns) -> int:
    return int(got["complete"].sum())


def turns(cycles: int, per_cycle: float) -> np.ndarray:
    """Cycles since the beginning, at each sample."""
    return np.arange(round(cycles * per_cycle)) / per_cycle


def wave(at: np.ndarray) -> np.ndarray:
    """0 to 1, from its valley."""
    return 0.5 - 0.5 * np.cos(2 * np.pi * at)


@settings(max_examples=60)
@given(st.one_of(st.floats(10, 30), st.floats(30, 5000)), st.floats(-2, np.log10(50)), LEARNT)
def test_from_10_to_5000_samples_a_cycle_and_from_a_hundredth_to_50_hertz(
    per_cycle: float, decades: float, learnt: bool
) -> None:
    hertz = 10.0**decades
    got = found(LOW + SPAN * wave(turns(31, per_cycle)), per_cycle, learnt=learnt, hertz=hertz, least_samples=9)
    assert complete(got) == 30
    closed = got["complete"] > 0
    np.testing.assert_allclose(got["period_s"][closed] * hertz, 1.0, rtol=4 / per_cycle**2 + 2e-6 * hertz * 5)
    assert not got["flags"][closed].any()
    np.testing.assert_allclose(got["load_range"][closed], SPAN, rtol=1.1 * (1 - np.cos(np.pi / per_cycle)) + 1e-6)


@settings(max_examples=40)
@given(SEED, st.floats(0.5, 1.0), st.floats(0.5, 1.0), st.integers(10, 200), LEARNT)
def test_an_amplitude_that_ramps_up_or_fades_by_half(
    seed: int, begin: float, end: float, per_cycle: int, learnt: bool
) -> None:
    at = turns(60, per_cycle)
    part = np.interp(at, [0, 20, 40, 60], [begin, 1.0, 1.0, end])
    noise = 0.02 * SPAN * np.random.default_rng(seed).uniform(-1, 1, len(at))
    got = found(LOW + SPAN * (0.5 + part * (wave(at) - 0.5)) + noise, per_cycle, learnt=learnt)
    assert complete(got) == 59
    assert set(got["segment"].tolist()) == {1.0}


@settings(max_examples=40)
@given(SEED, st.integers(1, 30), LEARNT)
def test_a_start_up_ramp_from_nothing_counts_from_where_it_reaches_the_threshold(
    seed: int, ramp: int, learnt: bool
) -> None:
    at = turns(80, 100.0)
    share = np.minimum((np.floor(at) + 1) / (ramp + 1), 1.0)
    peaks = LOW + SPAN * np.minimum((np.arange(80) + 1) / (ramp + 1), 1.0)
    noise = 0.01 * SPAN * np.random.default_rng(seed).uniform(-1, 1, len(at))
    got = found(LOW + SPAN * share * wave(at) + noise, 100.0, learnt=learnt)
    sure = int((peaks > LOW + 0.72 * SPAN).sum())
    assert sure - 1 <= complete(got) <= 79
    if not learnt:
        assert complete(got) <= int((peaks > LOW + 0.64 * SPAN).sum()) - 1
    assert complete(got) - 1 <= got["cycle"][np.isfinite(got["cycle"])].max()


@settings(max_examples=40)
@given(SEED, st.floats(0.08, 0.92), st.integers(25, 400), LEARNT)
def test_cycles_that_rise_slowly_and_fall_fast_or_the_other_way(
    seed: int, rise: float, per_cycle: int, learnt: bool
) -> None:
    at = turns(50, per_cycle)
    phase = np.interp(at % 1.0, [0, rise, 1], [0, 0.5, 1])
    noise = 0.05 * SPAN * np.random.default_rng(seed).uniform(-1, 1, len(at))
    assert complete(found(LOW + SPAN * wave(phase) + noise, per_cycle, learnt=learnt)) == 49


@settings(max_examples=40)
@given(SEED, st.integers(10, 1000), LEARNT)
def test_a_carrier_with_noise_of_30_per_cent_of_its_range(seed: int, per_cycle: int, learnt: bool) -> None:
    at = turns(50, per_cycle)
    noise = 0.15 * SPAN * np.random.default_rng(seed).uniform(-1, 1, len(at))
    got = found(LOW + SPAN * wave(at) + noise, per_cycle, learnt=learnt)
    assert complete(got) == 49
    np.testing.assert_allclose(got["period_s"][got["complete"] > 0], 1.0, atol=0.3)


@settings(max_examples=40)
@given(SEED, st.floats(0.05, 0.3), st.floats(0.2, 0.8), st.integers(2, 12), st.floats(0.02, 0.12), LEARNT)
def test_lash_plateaus_and_stick_slip(
    seed: int, dwell: float, level: float, slips: int, drop: float, learnt: bool
) -> None:
    """The load stands still at a level on its way up and down (backlash), and drops again and again while it rises."""
    at = turns(50, 200.0) % 1.0
    up, down = np.arccos(1 - 2 * level) / (2 * np.pi), 1 - np.arccos(1 - 2 * level) / (2 * np.pi)
    half = dwell / 2
    points = [0, up, up + half, down + half, down + dwell, 1 + dwell]
    moved = np.interp(at * (1 + dwell), points, [0, up, up, down, down, 1])
    rising = (moved > 0.05) & (moved < 0.45)
    slip = np.where(rising, -drop * ((moved * 2 * slips) % 1.0), 0.0)
    noise = 0.01 * np.random.default_rng(seed).uniform(-1, 1, len(at))
    got = found(LOW + SPAN * (wave(moved) + slip + noise), 200.0, learnt=learnt)
    assert complete(got) == 49


@settings(max_examples=40)
@given(SEED, st.floats(0.0, 0.3), LEARNT)
def test_missing_samples_change_no_count(seed: int, part: float, learnt: bool) -> None:
    at = turns(50, 100.0)
    rng = np.random.default_rng(seed)
    keep = rng.uniform(size=len(at)) >= part
    assume(np.diff(np.flatnonzero(keep)).max() <= 5)
    got = found(LOW + SPAN * wave(at), 100.0, learnt=learnt, keep=keep)
    closed = got["complete"] > 0
    assert complete(got) == 49
    assert not got["flags"][closed].any()
    np.testing.assert_allclose(got["load_mean"][closed], LOW + 0.5 * SPAN, atol=0.02 * SPAN)


@settings(max_examples=30)
@given(st.integers(5, 45), st.floats(0.06, 0.45), LEARNT)
def test_a_gap_inside_a_cycle_flags_that_cycle_and_a_longer_one_parts_the_run(
    cycle: int, gap: float, learnt: bool
) -> None:
    at = turns(50, 100.0)
    load = LOW + SPAN * wave(at)
    keep = (at < cycle + 0.45) | (at > cycle + 0.45 + gap)
    got = found(load, 100.0, learnt=learnt, keep=keep)
    gapped = (got["flags"].astype(int) & int(CycleFlag.GAP)) != 0
    assert complete(got) == 49
    assert gapped.sum() == 1
    assert all(np.isnan(got[name][gapped]).all() for name in LOOP_FIELDS)
    keep = (at < cycle + 0.45) | (at > cycle + 1.2)
    parted = found(load, 100.0, learnt=learnt, keep=keep)
    assert set(parted["segment"].tolist()) == {1.0, 2.0}
    assert complete(parted) == 47


@settings(max_examples=40)
@given(SEED, st.floats(0.3, 0.9), st.floats(0.3, 0.7), st.floats(0.0, 0.3))
def test_two_steps_a_cycle_heel_then_toe(seed: int, heel: float, share: float, dip: float) -> None:
    """Two peaks a cycle, the load between them down to a dip: one cycle, whose peak is the higher of the two."""
    at = turns(50, 200.0) % 1.0
    first, peak = at < share, np.where(at < share, heel, 1.0)
    bump = np.sin(np.pi * np.where(first, at / share, (at - share) / (1 - share))) ** 2
    load = LOW + SPAN * np.maximum(peak * bump, dip * np.sin(np.pi * at))
    load += 0.01 * SPAN * np.random.default_rng(seed).uniform(-1, 1, len(load))
    if heel < 0.64:  # below the threshold of the targets
        assert complete(found(load, 200.0, learnt=False)) == 49
    levels = {"low": Quantity(LOW + 0.32 * SPAN, "torque"), "high": Quantity(LOW + (heel + 0.05) * SPAN, "torque")}
    by_plan = found(load, 200.0, learnt=False, **levels)
    assert complete(by_plan) == 49
    learnt = found(load, 200.0, learnt=True)
    assert complete(learnt) == 49
    for got in (by_plan, learnt):
        np.testing.assert_allclose(got["peak_load"][got["complete"] > 0], HIGH, rtol=0.02)


@settings(max_examples=40)
@given(SEED, st.floats(0.0, 0.3), LEARNT)
def test_a_displacement_controlled_block_is_cut_by_its_motion(seed: int, noise: float, learnt: bool) -> None:
    """The load of a worn specimen is mostly noise; the motion that is controlled tells the cycles."""
    at = turns(50, 100.0)
    rng = np.random.default_rng(seed)
    motion = LOW + SPAN * wave(at) + noise * 0.5 * SPAN * rng.uniform(-1, 1, len(at))
    load = np.where(wave(at) > 0.7, 3.0, 0.0) + rng.normal(0, 2.0, len(at))
    got = found(load, 100.0, learnt=learnt, motion=motion)
    assert complete(got) == 49
    closed = got["complete"] > 0
    assert not (got["flags"][closed].astype(int) & int(CycleFlag.GAP)).any()
    expected = (got["motion_range"] > 0.9 * SPAN)[closed]
    assert expected.all()


@pytest.mark.parametrize("samples", [4, 8])
def test_an_under_sampled_cycle_counts_and_has_no_loop(samples: int) -> None:
    load = LOW + SPAN * wave(turns(40, samples) + 0.03)
    got = found(load, float(samples), learnt=False, least_samples=9)
    assert complete(got) >= 38
    assert all(np.isnan(got[name]).all() for name in LOOP_FIELDS)
    assert ((got["flags"].astype(int) & int(CycleFlag.UNDER_SAMPLED)) != 0).sum() == complete(got)
