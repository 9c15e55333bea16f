"""A whole simulated run: same bytes, any cutting, true counts, nothing overwritten."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest
from simulated import channels, cycles, data_lines, hashes, scenario, table

from benchpipe.simulate import simulate
from benchpipe.simulate.blocks import IdleConfig, SweepConfig
from benchpipe.simulate.rig import ClockJumpConfig, CounterConfig, RoomConfig, StopConfig
from benchpipe.simulate.run import count_rows
from benchpipe.simulate.specimen import AgeingConfig, LockConfig, LossConfig


def rich_scenario(**log: Any) -> Any:
    """Noise, a stop, wear and a leak; long enough for several pieces and hours."""
    return scenario(
        SweepConfig(name="free", speeds=(10.0,), sweeps=1),
        cycles(1500, frequency_hz=0.5, scatter=0.01),
        noise=0.1,
        rig={"start": datetime(2031, 1, 1, 9, 55), "stops": (StopConfig(block="main", after_cycles=500.3),)},
        specimen={
            "loss": LossConfig(damping=0.1, friction=1.0),
            "ageing": AgeingConfig(softening=0.05, wear_per_decade=0.01),
            "lock": LockConfig(reference_load=40.0, leak_per_h=0.2),
        },
        log=log,
    )


@pytest.mark.parametrize("log", [{"gzip": True}, {"format": "parquet"}])
def test_the_same_scenario_gives_the_same_bytes_and_another_seed_others(tmp_path: Path, log: dict[str, Any]) -> None:
    made = rich_scenario(**log)
    for name in ("a", "b"):
        simulate(made, tmp_path / name)
    simulate(made.model_copy(update={"seed": 12}), tmp_path / "c")
    assert hashes(tmp_path / "a") == hashes(tmp_path / "b")
    assert not set(hashes(tmp_path / "a").values()) & set(hashes(tmp_path / "c").values())


def test_however_the_logs_are_cut_the_rows_are_the_same_bytes(tmp_path: Path) -> None:
    cuts: tuple[dict[str, Any], ...] = (
        {"cut": "never"},
        {"cut": "hour"},
        {"cut": "cycles", "cycles_per_file": 300},
        {"cut": "day", "gzip": True},
    )
    lines = []
    for k, cut in enumerate(cuts):
        made = rich_scenario(**cut)
        result = simulate(made, tmp_path / str(k))
        assert sum(file.rows for file in result.files) == result.rows
        lines.append(data_lines(tmp_path / str(k)))
    assert [len(list((tmp_path / str(k) / "logs").iterdir())) for k in range(4)] == [2, 3, 7, 2]
    assert len(lines[0]) == 750 + 500.3 * 200 + 1000 * 200 + 4 * 100  # sweep, cycles, approaches and releases
    assert lines[0] == lines[1] == lines[2] == lines[3]


def test_no_row_is_lost_or_doubled_at_the_borders_of_pieces_and_files(tmp_path: Path) -> None:
    result = simulate(rich_scenario(cut="hour"), tmp_path / "run")
    time = table(tmp_path / "run")[0]
    steps = np.diff(time)
    assert len(time) == result.rows == count_rows(rich_scenario())
    assert np.count_nonzero(np.abs(steps - 0.01) > 1e-6) == 1  # the stop
    assert steps.max() == pytest.approx(600.01, abs=0.011)
    for file, nxt in zip(result.files, result.files[1:], strict=False):
        assert file.first_row + file.rows == nxt.first_row


def test_counts_are_true_where_the_rig_stops_in_mid_cycle(tmp_path: Path) -> None:
    stops = (
        StopConfig(block="main", after_cycles=10.4, off_s=60.0),
        StopConfig(block="main", after_cycles=25.0, off_s=30.0, counter_resets=True, tare_shift=2.0),
    )
    made = scenario(cycles(40, ramp_up_cycles=3, ramp_down_cycles=2), rig={"stops": stops})
    result = simulate(made, tmp_path / "run")
    segments = result.blocks[0].segments
    assert [(s.cycles_started, s.cycles_completed, s.first_cycle) for s in segments] == [
        (11, 10, 1), (15, 15, 11), (15, 15, 26)
    ]  # fmt: skip
    assert (result.cycles_started, result.cycles_completed) == (41, 40)
    assert [s.ramping_cycles for s in segments] == [3, 5, 5]
    assert [(s.counter_start, s.counter_end) for s in segments] == [(0, 10), (10, 25), (0, 15)]
    cycles_table = pq.read_table(result.cycles_file)
    assert cycles_table["cycle"].to_pylist() == list(range(1, 41))
    assert sum(cycles_table["ramping"].to_pylist()) == 13
    # what the log shows: load peaks above half the range, one a full cycle, the broken one never reaches its peak
    time, load, _, _, counter, _ = table(tmp_path / "run")
    assert counter[-1] == 15
    assert counter.max() == 25
    up = np.flatnonzero((load[1:] >= 60.0) & (load[:-1] < 60.0))
    full = sum(row["peak_load"] > 60.0 for row in cycles_table.to_pylist())
    assert len(up) == full + 1  # the broken one passes 60 at 0.33 of its period
    gaps = np.flatnonzero(np.diff(time) > 1.0)
    assert load[gaps[1] + 1] == pytest.approx(load[0] + 2.0, abs=1e-6)  # tare


def test_each_cycle_of_the_log_has_its_true_measures(tmp_path: Path) -> None:
    made = scenario(
        cycles(30, scatter=0.02),
        specimen={
            "loss": LossConfig(damping=0.1, friction=1.5),
            "ageing": AgeingConfig(softening=0.1, wear_per_decade=0.02, wear_from=5.0),
        },
        rig={"sample_rate_hz": 1000.0},
    )
    result = simulate(made, tmp_path / "run")
    time, load, motion, *_ = table(tmp_path / "run")
    for row in pq.read_table(result.cycles_file).to_pylist():
        inside = (time >= row["start_s"] - 1e-9) & (time < row["start_s"] + 1.0 - 1e-9)
        t, x = load[inside], motion[inside]
        assert len(t) == 1000
        energy = 0.5 * np.sum((t + np.roll(t, -1)) * (np.roll(x, -1) - x)) * np.pi / 180.0
        assert energy == pytest.approx(row["energy_j"], rel=1e-4)
        assert (t.max(), t.min()) == pytest.approx((row["peak_load"], row["valley_load"]), abs=4e-4)
        assert np.ptp(x) == pytest.approx(row["motion_range"], abs=1e-4)
        secant = (t.max() - t.min()) / (x[t.argmax()] - x[t.argmin()])
        assert secant == pytest.approx(row["secant_stiffness"], rel=1e-3)


def test_counter_rolls_over_and_ticks_every_second_cycle(tmp_path: Path) -> None:
    counter = CounterConfig(start=65_530, rollover=65_536, cycles_per_tick=2)
    simulate(scenario(cycles(20), rig={"counter": counter}), tmp_path / "run")
    shown = table(tmp_path / "run")[4].astype(int)
    assert shown[0] == 65_530
    changes = shown[1:][np.diff(shown) != 0]
    assert changes.tolist() == [65_531, 65_532, 65_533, 65_534, 65_535, 0, 1, 2, 3, 4]


def test_the_clock_may_jump_or_restart_while_rows_go_on(tmp_path: Path) -> None:
    rig = {
        "stops": (StopConfig(block="main", after_cycles=5.0, off_s=10.0),),
        "clock_jumps": (ClockJumpConfig(at_s=4.0, by_s=-3600.0),),
    }
    simulate(scenario(cycles(10), rig=rig), tmp_path / "jump")
    time = table(tmp_path / "jump")[0]
    assert np.diff(time).min() == pytest.approx(-3599.99)
    simulate(scenario(cycles(10), rig={**rig, "clock_jumps": (), "elapsed_restarts": True}), tmp_path / "again")
    time = table(tmp_path / "again")[0]
    assert np.count_nonzero(time == 0.0) == 2


def test_dates_stand_in_the_log_as_the_format_says(tmp_path: Path) -> None:
    log = {"time_format": "%d.%m.%Y %H:%M:%S,%f", "separator": ";", "decimal": ",", "encoding": "utf-16",
           "preamble": ("Run;{name}", "Start;{start}"), "units_row": True, "line_end": "\r\n"}  # fmt: skip
    made = scenario(IdleConfig(name="rest", duration_s=1.0), rig={"start": datetime(2031, 12, 31, 23, 59, 59)}, log=log)
    result = simulate(made, tmp_path / "run")
    assert result.logs[0].read_bytes().startswith(b"\xff\xfeR\x00")
    text = result.logs[0].read_bytes().decode("utf-16").split("\r\n")
    assert text[:4] == [
        "Run;small", "Start;2031-12-31 23:59:59", "Time;Torque;Angle;Oil;Count;Locked", "s;N·m;deg;°C;;"
    ]  # fmt: skip
    assert text[4].startswith("31.12.2031 23:59:59,000;0,000000;0,000000;")
    assert text[103].startswith("31.12.2031 23:59:59,990;")


def test_channels_drift_saturate_round_and_warm(tmp_path: Path) -> None:
    more = {"drift_per_h": 3.6, "full_scale": 60.0, "quantum": 0.25, "scale": 2.0, "offset": 1.0}
    rig = {"channels": channels(**more), "room": RoomConfig(mean_c=20.0, swing_k=5.0, warmest_at_s=8.25 * 3600.0)}
    simulate(scenario(IdleConfig(name="rest", duration_s=900.0), cycles(3), rig=rig), tmp_path / "run")
    time, load, _, oil, *_ = table(tmp_path / "run")
    assert load.max() == 60.0
    assert not np.any(load % 0.25)
    assert load[(time > 899) & (time < 900)].mean() == pytest.approx(1.0 + 0.9, abs=0.13)
    assert oil.max() == pytest.approx(25.0, abs=1e-6)


def test_truth_is_written_beside_the_logs(tmp_path: Path) -> None:
    result = simulate(scenario(cycles(3)), tmp_path / "run")
    document = json.loads(result.truth_file.read_text(encoding="utf-8"))
    assert document["version"] == 1
    assert document["cycles_completed"] == 3
    assert document["blocks"][0]["segments"][0]["cycles_completed"] == 3
    assert document["files"] == [{"name": "small_0001.csv", "first_row": 0, "rows": 500, "start_s": 0.0, "end_s": 4.99}]
    metadata = pq.read_schema(result.cycles_file).metadata
    assert (metadata[b"load_unit"], metadata[b"motion_unit"]) == (b"N*m", b"deg")


def test_progress_ends_at_all_rows(tmp_path: Path) -> None:
    seen: list[tuple[int, int]] = []
    result = simulate(scenario(), tmp_path / "run", progress=lambda rows, total: seen.append((rows, total)))
    assert seen[-1] == (result.rows, result.rows)


@pytest.mark.parametrize("rows", [700, 5000])
def test_the_size_of_pieces_changes_no_byte(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rows: int) -> None:
    simulate(rich_scenario(cut="hour"), tmp_path / "large")
    for module in ("walk", "cycling"):
        monkeypatch.setattr(f"benchpipe.simulate.{module}.MOST_ROWS", rows)
    simulate(rich_scenario(cut="hour"), tmp_path / "small")
    assert hashes(tmp_path / "small" / "logs") == hashes(tmp_path / "large" / "logs")


def test_a_cycle_that_friction_holds_still_has_no_loss_factor(tmp_path: Path) -> None:
    result = simulate(scenario(cycles(3), specimen={"loss": LossConfig(friction=50.0)}), tmp_path / "run")
    truth = pq.read_table(result.cycles_file)
    assert truth["energy_j"].to_pylist() == truth["motion_range"].to_pylist() == [0.0] * 3
    assert np.all(np.isnan(truth["loss_factor"].to_numpy()))
    assert np.all(np.isinf(truth["secant_stiffness"].to_numpy()))


def test_a_reading_beyond_all_digits_ends_at_the_last(tmp_path: Path) -> None:
    simulate(scenario(cycles(2, peak=1e15)), tmp_path / "run")
    load = table(tmp_path / "run")[1]
    assert load.max() == pytest.approx(2.0**62 * 1e-6)
    assert load.min() == 0.0
