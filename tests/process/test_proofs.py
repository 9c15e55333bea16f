"""Proofs found in signals and measured (invented signals; the figures follow from how they are made)."""

from __future__ import annotations

import re
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchpipe.blocks.proof.measure import ProofFinder, proof_rows
from benchpipe.blocks.proof.plan import ProofBlock
from benchpipe.config.model import Quantity
from benchpipe.config.rig import AxisConfig, ChannelConfig, RigConfig, TimeConfig
from benchpipe.samples.range_ends import NO_ZERO, HeldLevel
from benchpipe.samples.signals import Signals
from benchpipe.store.pauses import NO_RESTART, Restart, RunClock

RIG = RigConfig(
    name="r",
    time=TimeConfig(column="t", sample_rate="50 Hz"),
    channel=(
        ChannelConfig(
            name="load", column="f", unit="N*m", range=(Quantity(-200.0, "torque"), Quantity(200.0, "torque"))
        ),
        ChannelConfig(name="motion", column="x", unit="deg"),
    ),
    load=AxisConfig(channel="load"),
    motion=AxisConfig(channel="motion"),
)
RATE = (Quantity(5.0, "torque rate"), Quantity(15.0, "torque rate"))
BLOCK = ProofBlock(
    name="proof", kind="proof", load=Quantity(110.0, "torque"), settling_load=Quantity(5.0, "torque"),
    loading_rate=RATE, hold_time="30 s", settling_time="5 s",
)  # fmt: skip
K = 20.0  # N*m/deg


def path(*corners: tuple[float, float]) -> tuple[np.ndarray, np.ndarray]:
    """Times at 50 Hz, and the load along corners of time and load."""
    at, load = np.array(corners).T
    t = np.arange(0.0, at[-1], 0.02)
    return t, np.interp(t, at, load)


def proof_path(*, rate: float = 10.0, hold_s: float = 30.0, top: float = 110.0, sag: float = 0.0) -> list[Any]:
    """Corners of a proof from rest: settle 8 s at 5, load, hold, back, settle 8 s, off."""
    ramp = (top - 5.0) / rate
    corners, now = [(0.0, 0.0), (1.0, 5.0), (9.0, 5.0)], 9.0 + ramp
    corners += [(now, top), (now + hold_s, top - sag)]
    now += hold_s + ramp
    return [*corners, (now, 5.0), (now + 8.0, 5.0), (now + 9.0, 0.0), (now + 12.0, 0.0)]


def signals(t: np.ndarray, load: np.ndarray, motion: np.ndarray, *, noise: float = 0.05, way: float = 1.0) -> Signals:
    """Signals with noise on both channels."""
    rng = np.random.default_rng(5)
    load = load + noise * rng.standard_normal(t.size)
    motion = motion + 0.05 * noise * rng.standard_normal(t.size)
    nothing = np.empty(0)
    return Signals(np.rint(t * 1e6).astype(np.int64), way * load, way * motion, nothing, nothing).copy()


def whole(t: np.ndarray, load: np.ndarray, stays: float = 0.0, **more: float) -> Signals:
    """A spring that keeps a set from half of its hold on."""
    since = t > t[np.argmax(load)] + 5.0
    return signals(t, load, load / K + stays * since, **more)


def rows_of(
    *pieces: Signals,
    block: ProofBlock = BLOCK,
    rig: RigConfig = RIG,
    zero: HeldLevel = NO_ZERO,
    clock: RunClock = NO_RESTART,
) -> list[dict[str, Any]]:
    """Rows of signals that arrive in pieces."""
    finder = ProofFinder(block, rig)
    for piece in pieces:
        finder.feed(piece)

    def read(from_us: int, until_us: int) -> Signals | None:
        got = [p.select((p.time_us >= from_us) & (p.time_us <= until_us)) for p in pieces]
        found = got[0]
        for piece in got[1:]:
            found = found.followed_by(piece)
        return found if len(found) else None

    return proof_rows(block, rig, finder.found(), read, zero, clock)


def only(*pieces: Signals, **more: Any) -> dict[str, Any]:
    (row,) = rows_of(*pieces, **more)
    return row


def within(row: dict[str, Any], name: str, truth: float, floor: float = 0.0) -> None:
    """A figure lies within three of its standard uncertainties of the truth."""
    assert row[f"{name}_u"] >= 0.0
    assert row[name] == pytest.approx(truth, abs=3.0 * row[f"{name}_u"] + floor), name


def test_a_sound_proof_is_measured() -> None:
    row = only(whole(*path(*proof_path()), stays=0.04))
    assert (row["outcome"], row["complete"], row["broken"], row["remark"]) == ("held", True, None, None)
    assert (row["rules_broken"], row["sudden_drop"]) == (0, 0)
    within(row, "loading_rate", 10.0)
    within(row, "held_load", 110.0, 0.01)
    within(row, "load_drop", 0.0, 0.02)
    within(row, "permanent_set", 0.04, 0.001)
    within(row, "stiffness_before", K, 0.02)
    within(row, "stiffness_after", K, 0.02)
    within(row, "stiffness_change", 0.0, 0.001)
    assert row["hold_time_s"] == pytest.approx(30.0, abs=0.25)  # the band is reached a tenth of a second early
    assert row["reached_after_s"] == pytest.approx(10.5, abs=0.4)
    assert row["carried_load"] == row["peak_load"] == pytest.approx(110.0, abs=0.3)
    assert row["failure_load"] is None or np.isnan(row["failure_load"])
    assert row["stay_before_s"] == pytest.approx(8.0 + 1.1 / 5.0 + 2.2 / 10.0, abs=0.05)
    assert row["motion_at_load"] == pytest.approx(110.0 / K + 0.04, abs=0.01)


def test_a_load_the_other_way_mirrors_all() -> None:
    turned = {"load": Quantity(-110.0, "torque"), "settling_load": Quantity(-5.0, "torque")}
    there = only(whole(*path(*proof_path()), stays=0.04))
    back = only(whole(*path(*proof_path()), stays=0.04, way=-1.0), block=BLOCK.model_copy(update=turned))
    for name in ("peak_load", "held_load", "permanent_set", "loading_rate", "carried_load", "motion_at_load"):
        assert back[name] == pytest.approx(-there[name], rel=1e-9), name
    for name in ("stiffness_before", "stiffness_after", "hold_time_s", "load_drop", "outcome", "rules_broken"):
        assert back[name] == there[name] or back[name] == pytest.approx(there[name], rel=1e-9), name


def test_a_load_that_sags_shows_its_drop_and_breaks_the_band() -> None:
    # from 110 to 106 in 30 s: means over the first and the last second differ by 4 (1 - 1/30)
    row = only(whole(*path(*proof_path(sag=4.0))))
    within(row, "load_drop", 4.0 * 29.0 / 30.0, 0.05)
    assert row["outcome"] == "held"
    assert row["held_load_low"] == pytest.approx(106.07, abs=0.1)
    assert row["rules_broken"] == 1
    assert row["broken"].startswith("hold: load 106.")
    assert (row["sudden_drop"], row["carried_load"]) == (0, row["peak_load"])


@pytest.mark.parametrize(
    ("made", "step"),
    [
        ({"rate": 30.0}, "loading: 30"),
        ({"rate": 2.0}, "loading: 2"),
        ({"hold_s": 20.0}, "hold: 20"),
        ({"top": 114.0}, "hold: load 114"),
        ({"top": 100.0}, "loading: 100"),
    ],
)
def test_the_step_that_broke_a_rule_is_named(made: dict[str, float], step: str) -> None:
    row = only(whole(*path(*proof_path(**made))))
    assert row["rules_broken"] == 1
    assert row["broken"].startswith(step)
    expected = {"hold: 20": "cut short", "loading: 100": "not reached"}.get(step, "held")
    assert row["outcome"] == expected


def test_a_hold_that_is_too_long_breaks_its_tolerance() -> None:
    strict = BLOCK.model_copy(update={"hold_tolerance": 3.0})
    row = only(whole(*path(*proof_path(hold_s=40.0))), block=strict)
    assert row["broken"] == "hold: 40 s, 30 ± 3 s asked"
    assert only(whole(*path(*proof_path(hold_s=40.0))))["broken"] is None


def test_without_a_stay_at_the_settling_load_there_is_no_set() -> None:
    row = only(whole(*path((0, 0), (11, 110), (41, 110), (52, 0), (60, 0))))
    assert row["outcome"] == "held"
    assert np.isnan(row["permanent_set"])
    assert "no stay at the settling load" in row["remark"]
    assert row["broken"].startswith("settling before: ")
    assert "settling after: " in row["broken"]


def recovering(noise: float = 0.05) -> Signals:
    """A proof whose specimen crept by 0.3 in the hold and comes back with time at the settling load."""
    t, load = path(*proof_path())
    back = t[np.flatnonzero(load > 109.0)[-1]] + 10.5
    crept = np.where(t > 20.0, 0.3, 0.0)
    crept = np.where(t > back, 0.3 - 0.05 * np.log1p(np.maximum(t - back, 0.0)), crept)
    return signals(t, load, load / K + crept, noise=noise)


def test_a_set_that_still_recovers_says_so_and_its_uncertainty_covers_what_is_to_come() -> None:
    row = only(recovering())
    assert row["permanent_set_recovering"] is True
    assert re.search(r"permanent set: still recovering at 0\.6\d deg/min when it was read", row["remark"])
    assert row["recovery_rate"] == pytest.approx(-60 * 0.05 / 4.6, rel=0.15)
    after = 0.3 - 0.05 * np.log1p(10.0)  # twice the settling time
    assert 0.0 < row["permanent_set"] - after <= 2.0 * row["permanent_set_u"] < 0.12


def test_a_set_that_stays_is_not_recovering() -> None:
    row = only(whole(*path(*proof_path()), stays=0.04))
    assert row["permanent_set_recovering"] is False
    assert row["permanent_set_u"] < 0.002
    assert row["recovery_rate"] == pytest.approx(0.0, abs=3.0 * row["recovery_rate_u"])
    gone = only(whole(*path((0, 0), (11, 110), (41, 110), (52, 0), (60, 0))))
    assert gone["permanent_set_recovering"] is None


def test_means_of_a_hold_with_rejected_rows_are_over_time() -> None:
    t, load = path(*proof_path(sag=4.0))
    made = whole(t, load)
    gone = (t > 25.0) & (t < 49.5) & (np.arange(t.size) % 4 != 0)  # three of four rows, where the load is low
    row = only(made.select(~gone))
    assert row["held_load"] == pytest.approx(only(made)["held_load"], abs=0.02)


def failing(at: float, *, arrest: float, jump: float, goes_on: bool = False) -> Signals:
    """A specimen that breaks at a load: within 0.04 s the load falls to ``arrest``, the motion jumps ahead."""
    when = 9.0 + (at - 5.0) / 10.0
    if goes_on:
        again = when + 0.04 + (110.0 - arrest) / 10.0
        down = again + 30.0 + 10.5
        after = [(again, 110.0), (again + 30.0, 110.0), (down, 5.0), (down + 8.0, 5.0), (down + 9.0, 0.0)]
    else:
        down = when + 3.0 + arrest / 10.0
        after = [(when + 3.0, arrest), (down, 0.0), (down + 9.0, 0.0)]
    t, load = path((0.0, 0.0), (1.0, 5.0), (9.0, 5.0), (when, at), (when + 0.04, arrest), *after)
    return signals(t, load, load / K + np.interp(t, (when, when + 0.04), (0.0, jump)))


@pytest.mark.parametrize("jump", [2.0, 30.0 / K])  # the motion goes ahead, or the crosshead stands still
def test_a_specimen_that_fails_shows_its_peak_load(jump: float) -> None:
    row = only(failing(90.0, arrest=60.0, jump=jump))
    assert row["outcome"] == "failed"
    assert row["failure_load"] == row["carried_load"] == pytest.approx(90.0, abs=0.4)
    assert row["drop_load"] == pytest.approx(90.0, abs=0.4)
    assert row["drop_size"] == pytest.approx(30.0, abs=0.5)
    assert row["sudden_drop"] == 1
    assert "the load fell suddenly by 30" in row["broken"]
    assert np.isnan(row["permanent_set"])
    assert np.isnan(row["stiffness_after"])
    within(row, "stiffness_before", K, 0.02)


def test_a_specimen_that_fails_and_is_unloaded_at_once_shows_its_peak_load() -> None:
    # the motion goes ahead by 2 in the fall from 90 to 60; then the load is taken off at 300 a second
    t, load = path((0.0, 0.0), (1.0, 5.0), (9.0, 5.0), (17.5, 90.0), (17.54, 60.0), (17.74, 0.0), (27.0, 0.0))
    row = only(signals(t, load, load / K + np.interp(t, (17.5, 17.54), (0.0, 2.0))))
    assert (row["outcome"], row["sudden_drop"]) == ("failed", 1)
    assert row["failure_load"] == pytest.approx(90.0, abs=0.4)


def test_a_drop_that_is_survived_is_told_and_lowers_what_was_carried() -> None:
    row = only(failing(90.0, arrest=80.0, jump=0.8, goes_on=True))
    assert row["outcome"] == "held"
    assert row["drop_size"] == pytest.approx(10.0, abs=0.4)
    assert row["carried_load"] == pytest.approx(90.0, abs=0.4)
    assert np.isnan(row["failure_load"])
    assert row["peak_load"] == pytest.approx(110.0, abs=0.4)
    assert row["rules_broken"] == 1


def test_a_slow_collapse_is_a_failure_without_a_sudden_drop() -> None:
    # the load fades from 90 to 40 in 20 s while the motion goes on, then it is taken off
    t, load = path((0, 0), (1, 5), (9, 5), (17.5, 90), (37.5, 40), (41.5, 0), (50, 0))
    row = only(signals(t, load, load / K + np.interp(t, (17.5, 37.5), (0.0, 5.0))))
    assert (row["outcome"], row["sudden_drop"]) == ("failed", 0)
    assert row["failure_load"] == pytest.approx(90.0, abs=0.4)


@pytest.mark.parametrize("fast", [10.0, 100.0, 1000.0])
def test_unloading_is_no_drop_however_fast(fast: float) -> None:
    t, load = path((0, 0), (1, 5), (9, 5), (19.5, 110), (49.5, 110), (49.5 + 105 / fast, 5), (60 + 105 / fast, 5))
    row = only(whole(t, load))
    assert (row["outcome"], row["sudden_drop"], row["rules_broken"]) == ("held", 0, 0)


def test_friction_that_holds_the_motion_back_when_unloading_is_no_drop() -> None:
    # a spring with friction of 3 N*m: the first 6 N*m of unloading move nothing
    t, load = path(*proof_path(rate=15.0))
    motion, x = np.empty_like(load), 0.0
    for i, force in enumerate(load):
        x = min(max(x, (force - 3.0) / K), (force + 3.0) / K)
        motion[i] = x
    row = only(signals(t, load, motion), block=BLOCK.model_copy(update={"sudden_drop": 0.04}))
    assert (row["outcome"], row["sudden_drop"]) == ("held", 0)


def test_a_motion_that_sticks_gives_no_number_that_hangs_on_it() -> None:
    t, load = path(*proof_path())
    row = only(signals(t, load, np.zeros_like(load), noise=0.0))
    assert row["outcome"] == "held"  # that much the load tells
    for name in ("permanent_set", "stiffness_before", "stiffness_after", "stiffness_change", "carried_load"):
        assert np.isnan(row[name]), name
    assert (row["sudden_drop"], row["rules_broken"]) == (None, None)
    assert "stands still" in row["remark"]
    half = load / K
    half[t > 15.0] = half[t <= 15.0][-1]  # it sticks in the middle of loading
    row = only(signals(t, load, half, noise=0.0))
    assert np.isnan(row["permanent_set"])
    assert "stands still" in row["remark"]


def nothing_measured(row: dict[str, Any]) -> bool:
    kept = ("block", "proof", "start_us", "duration_s", "complete", "samples", "outcome", "remark", "stay_before_s")
    temperature = ("temperature_c", "temperature_range_c")
    return all(
        v is None or (isinstance(v, float) and np.isnan(v)) for k, v in row.items() if k not in (*kept, *temperature)
    )


def test_a_gap_a_restart_and_a_saturated_load_cell_are_no_measure() -> None:
    sound = whole(*path(*proof_path()))
    gapped = sound.select((sound.time_us < 15_000_000) | (sound.time_us > 15_400_000))
    restarted = sound.copy()
    finder = ProofFinder(BLOCK, RIG)
    finder.feed(gapped)
    assert [found[3] for found in finder.found()] == [True]
    later = Signals(sound.time_us + 3_600_000_000 * (sound.time_us > 30_000_000), *restarted._arrays()[1:])
    rig = RIG.model_copy(
        update={"channel": (RIG.channel[0].model_copy(update={"range": (Quantity(-109.9, "torque"),
                                                                        Quantity(109.9, "torque"))}), RIG.channel[1])}
    )  # fmt: skip
    for outcome, row in (("gap", only(gapped)), ("gap", only(later)), ("saturated", only(sound, rig=rig))):
        assert row["outcome"] == outcome
        assert nothing_measured(row), row
        assert row["remark"]


@pytest.mark.parametrize(("zero", "outcome"), [(0.0, "held"), (3.0, "saturated"), (-3.0, "held")])
@pytest.mark.parametrize("other", [3.0, 0.0])
def test_a_zero_that_was_taken_off_moves_the_end_of_the_range(zero: float, outcome: str, other: float) -> None:
    """A cell of 112 that reads 3 when nothing loads it has reached its end where 110 is left."""
    ends = (Quantity(-112.0, "torque"), Quantity(112.0, "torque"))
    rig = RIG.model_copy(update={"channel": (RIG.channel[0].model_copy(update={"range": ends}), RIG.channel[1])})
    sound = whole(*path(*proof_path()))
    later = HeldLevel(np.array([int(sound.time_us[-1]) + 1]), np.array([zero, other]))
    assert only(sound, rig=rig, zero=later)["outcome"] == outcome


def test_a_log_that_ends_in_the_proof_is_told_and_not_complete() -> None:
    sound = whole(*path(*proof_path()))
    for until_s, outcome in ((17.0, "log ends"), (35.0, "log ends"), (52.0, "held")):
        row = only(sound.part(0, int(until_s * 50)))
        assert (row["complete"], row["outcome"]) == (False, outcome)
        assert np.isnan(row["permanent_set"])
    assert rows_of(sound.part(0, 400)) == []


def test_cycles_and_holds_in_the_same_log_are_no_proofs() -> None:
    t = np.arange(0.0, 60.0, 0.02)
    cycling = 5.0 + 37.5 * (1.0 - np.cos(2.0 * np.pi * t))  # to 80 of 110
    _, hold = path((0, 0), (1, 5), (9, 5), (12, 60), (80, 60), (83, 5), (90, 5))
    load = np.concatenate([cycling, hold])
    t = np.arange(load.size) * 0.02
    assert rows_of(whole(t, load)) == []


def test_pauses_between_proofs_are_checked() -> None:
    _, load = path(*proof_path())
    load = np.concatenate([load, load])
    t = np.arange(load.size) * 0.02
    least = BLOCK.model_copy(update={"pause_min": 60.0, "planned_proofs": 2})
    rows = rows_of(whole(t, load), block=least)
    assert [r["rules_broken"] for r in rows] == [0, 1]
    assert rows[1]["broken"].startswith("pause: ")
    most = BLOCK.model_copy(update={"pause_max": 60.0})
    assert [r["rules_broken"] for r in rows_of(whole(t, load), block=most)] == [0, 0]


def test_a_pause_between_proofs_that_no_clock_showed_is_not_judged() -> None:
    _, load = path(*proof_path())
    first = whole(np.arange(load.size) * 0.02, load)
    second = whole(np.arange(load.size) * 0.02 + 3600.0 + load.size * 0.02, load)
    least = BLOCK.model_copy(update={"pause_min": 1800.0, "planned_proofs": 2})
    unknown, known = (RunClock((Restart(int(second.time_us[0]), us),)) for us in (None, 60_000_000))
    assert [r["rules_broken"] for r in rows_of(first, second, block=least, clock=unknown)] == [0, None]
    rows = rows_of(first, second, block=least, clock=known)
    assert [r["rules_broken"] for r in rows] == [0, 1]
    assert rows[1]["broken"].startswith("pause: ")


@settings(max_examples=12)
@given(st.lists(st.integers(0, 4000), max_size=4).map(sorted))
def test_where_a_batch_ends_changes_nothing(places: list[int]) -> None:
    _, load = path(*proof_path())
    load = np.concatenate([load, load[:1500]])
    made = whole(np.arange(load.size) * 0.02, load)
    pieces = [made.part(a, b) for a, b in pairwise([0, *places, len(made)]) if b > a]
    assert repr(rows_of(*pieces)) == repr(rows_of(made))
