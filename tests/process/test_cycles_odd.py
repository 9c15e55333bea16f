"""Cycles of which a figure has no meaning, and those that begin and end with the log's stretches (invented signals)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchpipe.blocks.cutting import beginning
from benchpipe.blocks.cyclic.chunks import chunk_of, joined, known, open_rows
from benchpipe.blocks.cyclic.cycles import (
    LOOP_FIELDS,
    CycleRows,
    CycleSettings,
    cycle_settings,
    cycles_table,
    joined_rows,
)
from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.cyclic.tables import NOT_ONE_LOOP, CycleFlag
from benchpipe.columns import floats
from benchpipe.config.model import Quantity
from benchpipe.config.rig import AxisConfig, ChannelConfig, RigConfig, TimeConfig
from benchpipe.kernels.loops import FIELD
from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.samples.signals import Signals
from benchpipe.store.run_store import RunStore
from benchpipe.tables import schema
from tests.config.written import write_lab

RATE = 100
LOAD = {"load_min": Quantity(5.0, "torque"), "load_max": Quantity(80.0, "torque")}
MOTION = {"motion_min": Quantity(5.0, "angle"), "motion_max": Quantity(80.0, "angle")}
BOUNDS = {
    "energy_j": "20 J", "motion_range": "9 deg", "load_range": "90 N*m", "closure_error": "1 deg",
    "loss_factor": "0.9", "motion_mean": "9 deg",
}  # fmt: skip
TARGETS = ('load_min = "5 N*m"\nload_max = "80 N*m"', 'motion_min = "0.2 deg"\nmotion_max = "4 deg"')
WAVE = 42.5 - 37.5 * np.cos(2 * np.pi * np.arange(30 * RATE) / RATE)


def complete(
    load: np.ndarray, motion: np.ndarray, time_us: np.ndarray | None = None, end: float = 200.0, **block: object
) -> dict[str, np.ndarray]:
    """Columns of the complete cycles, kept in single precision as samples are."""
    rows, settings = measured(load, motion, time_us, end, **block)
    table = cycles_table(rows, 0, settings, schema("cycles"))
    table = table.filter(table.column("complete"))
    for name in table.column_names[1:]:
        known_ = np.array(table.column(name).drop_null(), float)
        assert np.isfinite(known_).all(), name
    return {name: floats(table.column(name)) for name in table.column_names if name != "block"}


def measured(
    load: np.ndarray, motion: np.ndarray, time_us: np.ndarray | None = None, end: float = 200.0, **block: object
) -> tuple[CycleRows, CycleSettings]:
    """All cycles as the kernels measured them."""
    how = CyclicBlock.model_validate({"name": "b", "kind": "cyclic", "frequency": 1.0, **block})
    ends = (Quantity(-end, "torque"), Quantity(end, "torque"))
    channels = (
        ChannelConfig(name="load", column="f", unit="N*m", range=ends),
        ChannelConfig(name="motion", column="x", unit="deg"),
    )
    rig = RigConfig(
        name="r", time=TimeConfig(kind="elapsed", column="t", sample_rate=float(RATE)), channel=channels,
        load=AxisConfig(channel="load"), motion=AxisConfig(channel="motion"),
    )  # fmt: skip
    time_us = np.arange(len(load)) * (1_000_000 // RATE) if time_us is None else time_us
    empty = np.empty(0)
    signals = Signals(time_us, load.astype(np.float32), motion.astype(np.float32), empty, empty).copy()
    settings = cycle_settings(how, rig)
    run = joined(known(beginning(settings.cut)), chunk_of(signals, settings), settings)
    return joined_rows([run.rows, open_rows(run, settings)]), settings


def kernel(name: str, rows: CycleRows) -> np.ndarray:
    """What a kernel measured of the complete cycles."""
    values: np.ndarray = rows.measures[rows.closed, FIELD[name]]
    return values


def stood_still(got: dict[str, np.ndarray]) -> np.ndarray:
    """Which cycles carry the flag; they have no loop field, and all others have."""
    still: np.ndarray = (got["flags"].astype(int) & int(CycleFlag.STOOD_STILL)) != 0
    for name in LOOP_FIELDS:
        assert np.isnan(got[name][still]).all(), name
    assert np.isfinite(got["energy_j"][~still]).all()
    for name in ("period_s", "peak_load", "valley_load", "load_range", "motion_max", "motion_min", "motion_range"):
        assert np.isfinite(got[name]).all(), name
    return still


@pytest.mark.parametrize("lowpass", [None, 20.0])
@pytest.mark.parametrize("at", [0.0, 4.1, -1e6])
def test_a_motion_that_stands_still_has_no_stiffness_and_no_phase(at: float, lowpass: float | None) -> None:
    got = complete(WAVE, np.full(len(WAVE), at), **LOAD, lowpass=lowpass)
    assert len(got["period_s"]) == 29
    assert stood_still(got).all()
    rows, _ = measured(WAVE, np.full(len(WAVE), at), **LOAD, lowpass=lowpass)
    for name in ("storage_stiffness", "loss_stiffness", "backlash"):
        assert np.isnan(kernel(name, rows)).all(), name
    np.testing.assert_allclose(kernel("waveform_error", rows), 0.0, atol=0.01)  # the load is what it is


@pytest.mark.parametrize("at", [0.0, 33.3])
def test_a_load_that_stands_still_has_no_waveform_and_no_phase(at: float) -> None:
    got = complete(np.full(len(WAVE), at), WAVE, **MOTION)
    assert len(got["period_s"]) == 29
    assert stood_still(got).all()
    rows, _ = measured(np.full(len(WAVE), at), WAVE, **MOTION)
    assert np.isnan(kernel("waveform_error", rows)).all()
    assert (kernel("storage_stiffness", rows) == 0.0).all()


def test_only_cycles_that_stood_still_are_flagged_and_the_open_ones_are_not() -> None:
    """A motion that sticks within the tenth cycle, and a rig that stops at last."""
    load = np.concatenate([WAVE, np.full(10 * RATE, 5.0)])
    motion = np.where(np.arange(len(load)) < 10 * RATE, 0.05 * load, 2.0)
    rows, settings = measured(load, motion, **LOAD)
    table = cycles_table(rows, 0, settings, schema("cycles"))
    still = (np.array(table.column("flags")) & int(CycleFlag.STOOD_STILL)) != 0
    complete_ = np.array(table.column("complete"))
    number = floats(table.column("cycle"))
    assert number[still].tolist() == [float(k) for k in range(11, 30)]
    assert not still[~complete_].any()
    assert (~complete_).any()


@pytest.mark.parametrize("stuck", ["angle", "torque", "none"])
def test_a_limit_that_a_stuck_channel_would_keep_is_not_evaluated(tmp_path: Path, stuck: str) -> None:
    """Energy, ranges and closure gap of a channel that stands still are below any limit."""
    plan = write_lab(tmp_path, plan=(TARGETS[0], TARGETS[stuck == "torque"]))
    limits = [
        f'[[limit]]\nname = "{name}"\nblock = "durability"\nmeasure = "{name}"\noperator = "<="\n'
        f'value = "{value}"\nsource = "invented"\n'
        for name, value in BOUNDS.items()
    ]
    head = 'name = "own"\nbasis = "invented"\ndecision = "simple"'
    (tmp_path / "limits.toml").write_text("\n".join([head, *limits]), encoding="utf-8")
    t = np.arange(1500) / 50.0
    torque, angle = 42.5 - 37.5 * np.cos(2 * np.pi * t), 2.1 - 1.9 * np.cos(2 * np.pi * t - 0.05)
    torque, angle = (np.full(1500, 3.3) if name == stuck else a for name, a in (("torque", torque), ("angle", angle)))
    rows = [f"{a:.3f},{b:.4f},{c:.4f},23.0" for a, b, c in zip(t, torque, angle, strict=True)]
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "a.csv").write_text("\n".join(["t,T,A,C", *rows]) + "\n", encoding="utf-8")
    run = load_run(plan)
    manifest = work(run).manifest
    found = RunStore(run.store, run.name).read(manifest, "verdicts").to_pylist()
    verdicts = {v["limit"]: v["verdict"] for v in found}
    assert verdicts == dict.fromkeys(BOUNDS, "pass" if stuck == "none" else "not evaluated")
    told = [r for r in manifest.steps["process"].remarks if r.code == "stood-still"]
    if stuck == "none":
        assert told == []
    else:
        assert told[0].count == 29
        assert told[0].text.startswith("29 cycle(s) stood still, from cycle 1 on: load or motion has one value")


def test_one_step_of_single_precision_moves() -> None:
    step = np.spacing(np.float32(4.1))
    got = complete(WAVE, np.where(WAVE > 42.5, np.float32(4.1) + step, np.float32(4.1)), **LOAD)
    assert np.isfinite(got["storage_stiffness"]).all()


def test_a_figure_too_large_for_its_column_is_null() -> None:
    got = complete(WAVE, WAVE * 1e-42, **LOAD)
    assert np.isnan(got["secant_stiffness"]).all()


@pytest.mark.parametrize("lowpass", [None, 40.0])
def test_a_record_is_measured_from_its_first_sample_to_its_last(lowpass: float | None) -> None:
    """A record that begins and ends in the valley; the first begins the log."""
    n = 21
    load = np.tile(np.concatenate([np.linspace(5.0, 80.0, 11), np.linspace(72.5, 5.0, 10)]), 6)
    number, place = np.divmod(np.arange(6 * n), n)
    time_us = number * 5_000_000 + place * 10_000
    got = complete(load, 0.05 * load, time_us, boundary="record", lowpass=lowpass, frequency=5.0)
    assert got["period_s"].tolist() == [pytest.approx(0.2)] * 6
    assert got["samples"].tolist() == [n] * 6
    assert got["start_us"].tolist() == [5_000_000 * k for k in range(6)]
    np.testing.assert_allclose(got["valley_load"], 5.0)
    np.testing.assert_allclose(got["motion_min"], 0.25)
    np.testing.assert_allclose(got["peak_load"], 80.0, atol=6.0 if lowpass else 0.0)
    assert (got["valley_time_s"] == 0.0).all()
    np.testing.assert_allclose(got["load_mean"], 42.5, atol=0.1 if lowpass else 1e-4)
    np.testing.assert_allclose(got["loading_stiffness"], 20.0, rtol=1e-5)
    assert (got["flags"] == 0).all()


def records(*spans: tuple[float, float]) -> dict[str, np.ndarray]:
    """Columns of records, each from one part of a cycle to another, three seconds apart, at 1 Hz."""
    phase = [np.arange(round(RATE * a), round(RATE * b) + 1) / RATE for a, b in spans]
    gaps = np.concatenate([np.full(part.size, 3_000_000 * k) for k, part in enumerate(phase)])
    turns = np.concatenate(phase)
    time_us = np.arange(turns.size) * (1_000_000 // RATE) + gaps
    load = 42.5 - 37.5 * np.cos(2 * np.pi * turns)
    motion = 0.05 * load + 0.2 * np.sin(2 * np.pi * turns)
    rows, settings = measured(load, motion, time_us, boundary="record", **LOAD)
    table = cycles_table(rows, 0, settings, schema("cycles"))
    return {name: floats(table.column(name)) for name in table.column_names if name != "block"}


@pytest.mark.parametrize(
    ("span", "flag"),
    [
        ((0.0, 2.0), CycleFlag.SEVERAL_LOOPS), ((0.3, 1.9), CycleFlag.SEVERAL_LOOPS),
        ((0.0, 7.0), CycleFlag.SEVERAL_LOOPS), ((0.25, 0.75), CycleFlag.PART_OF_LOOP),
        ((0.0, 0.75), CycleFlag.PART_OF_LOOP), ((0.5, 1.0), CycleFlag.PART_OF_LOOP),
        ((0.0, 0.5), CycleFlag.RAMP_ALONE), ((0.05, 0.45), CycleFlag.RAMP_ALONE),
    ],
)  # fmt: skip
def test_a_record_that_is_not_one_loop_is_no_complete_cycle(span: tuple[float, float], flag: CycleFlag) -> None:
    got = records((0.0, 1.0), span, (0.0, 1.0))
    assert got["flags"].tolist() == [0, int(flag), 0]
    assert got["complete"].tolist() == [1, 0, 1]
    np.testing.assert_array_equal(got["cycle"], [1, np.nan, 2])
    ramp = flag is CycleFlag.RAMP_ALONE
    for name in LOOP_FIELDS:
        has = ramp and name in ("secant_stiffness", "loading_stiffness")
        assert np.isfinite(got[name][1]) == has, name
    assert np.isfinite(got["peak_load"]).all()
    if ramp:
        assert got["loading_stiffness"][1] == pytest.approx(got["loading_stiffness"][0], rel=0.02)


@pytest.mark.parametrize("begin", [0.0, 0.1, 0.25, 0.33, 0.5, 0.62, 0.75, 0.9])
def test_one_loop_is_one_loop_wherever_it_begins(begin: float) -> None:
    got = records((begin, begin + 1.0), (begin, begin + 1.05), (begin, begin + 0.95))
    assert got["complete"].tolist() == [1, 1, 1]
    assert (got["flags"].astype(int) & int(NOT_ONE_LOOP)).tolist() == [0, 0, 0]


def test_a_load_at_the_end_of_its_range_is_saturated_though_the_end_is_no_single_precision_number() -> None:
    end = 70.1
    assert float(np.float32(end)) < end
    got = complete(np.minimum(WAVE, end), 0.05 * WAVE, end=end, **LOAD)
    assert ((got["flags"].astype(int) & int(CycleFlag.SATURATED)) != 0).all()
