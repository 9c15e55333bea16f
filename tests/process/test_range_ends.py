"""Ends of a range where a zero was taken off: what is saturated, and what is not (invented signals)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchpipe.blocks.cyclic.tables import CycleFlag
from benchpipe.config.model import Quantity
from benchpipe.config.rig import AxisConfig, ChannelConfig, RigConfig, TimeConfig
from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.samples.inputs import SampleInput, Zeros
from benchpipe.samples.range_ends import HeldLevel, range_ends, taken_off
from benchpipe.samples.stream import _without_zero
from benchpipe.store.manifest import Part
from benchpipe.store.run_store import RunStore
from tests.process.test_peaks import AXES, CHANNEL, CHANNELS, PLAN, RIG, log, made

PART = Part(table="samples", path="p", sha256="0" * 64, rows=1, bytes=1)
RATE = 50
CELL = """name = "rig"
mode = "mode"
[time]
column = "t"
sample_rate = "50 Hz"
[[channel]]
name = "torque"
column = "T"
unit = "N*m"
{torque}
[[channel]]
name = "angle"
column = "A"
unit = "deg"
{angle}
[[channel]]
name = "mode"
column = "m"
unit = "1"
[load]
channel = "torque"
sign = {sign}
[motion]
channel = "angle"
sign = {sign}
"""
ENDS = {
    "torque": 'range = ["-100 N*m", "82.1 N*m"]\nzero_from = "idle"',
    "angle": 'range = ["-5 deg", "4.105 deg"]\nzero_from = "idle"',
}
CYCLING = """name = "one"
specimen = "invented"
rig = "rig.toml"
logs = ["*.csv"]
[[block]]
name = "main"
kind = "cyclic"
mode = 1
frequency = "1 Hz"
low = "{low} N*m"
high = "{high} N*m"
[[block]]
name = "idle"
kind = "idle"
mode = 0
"""


def one(file: str, zeros: Zeros, first_us: int, after_us: int | None = None) -> SampleInput:
    return SampleInput(file, PART, 0, after_us, first_us, None, zeros)


def rig_of(sign: int = 1, end: float = 70.1, **axis: object) -> RigConfig:
    ends = (Quantity(-end, "torque"), Quantity(end, "torque"))
    channels = (
        ChannelConfig(name="load", column="f", unit="N*m", range=ends),
        ChannelConfig(name="motion", column="x", unit="deg"),
    )
    return RigConfig(
        name="r", time=TimeConfig(kind="elapsed", column="t", sample_rate=100.0), channel=channels,
        load=AxisConfig.model_validate({"channel": "load", "sign": sign, **axis}), motion=AxisConfig(channel="motion"),
    )  # fmt: skip


def test_what_was_taken_off_is_known_by_time() -> None:
    inputs = [
        one("a", (("load", ((None, 1.0), (50, 2.0))), ("motion", ((None, 9.0),))), 10),
        one("a", (("load", ((None, 2.0), (80, 2.5))),), 10),
        one("c", (("load", ((None, 2.5),)),), 100),
        one("d", (("load", ((None, 4.0),)),), 130, after_us=149),
        one("e", (("load", ((None, 5.0), (220, 1.0))),), 200, after_us=150),
    ]
    found = taken_off(inputs, "load")
    assert found.from_us.tolist() == [50, 80, 150, 200, 220]
    assert found.values.tolist() == [1.0, 2.0, 2.5, 4.0, 5.0, 1.0]
    times = np.array([0, 49, 50, 79, 80, 149, 150, 199, 200, 219, 220])
    assert found.at(times).tolist() == [1.0, 1.0, 2.0, 2.0, 2.5, 2.5, 4.0, 4.0, 5.0, 5.0, 1.0]
    for none in (taken_off([], "load"), taken_off([one("a", (), 0)], "load"), taken_off(inputs[1:2], "motion")):
        assert (none.from_us.size, none.values.tolist()) == (0, [0.0])


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("zero", [0.0, 0.3, -3.7, 1e-3, 1 / 3])
def test_a_reading_at_an_end_is_at_the_end_to_the_last_bit(sign: int, zero: float) -> None:
    """End, zero and their difference are no single precision numbers; the reading goes the way of the samples."""
    steps = ((None, float(np.float32(zero))),)
    ends = range_ends(rig_of(sign), rig_of(sign).load, [one("a", (("load", steps),), 0)])
    read = sign * _without_zero(np.float32([-70.1, 70.1]), np.zeros(2, np.int64), steps)
    at = np.zeros(1, np.int64)
    assert (ends.low.at(at)[0], ends.high.at(at)[0]) == tuple(sorted(read.astype(np.float64)))


def test_an_axis_with_an_arm_or_a_channel_without_a_range_has_no_ends() -> None:
    rig = rig_of()
    for axis in (rig.motion, rig_of(table=(("-1 N*m", "-2 N*m"), ("1 N*m", "2 N*m"))).load):
        ends = range_ends(rig, axis, [])
        assert (ends.low.values.tolist(), ends.high.values.tolist()) == ([-np.inf], [np.inf])


def saturated(plan: Path) -> np.ndarray:
    """Which complete cycles of a run are flagged, by number."""
    run = load_run(plan)
    cycles = RunStore(run.store, run.name).read(work(run, until="process").manifest, "cycles")
    cycles = cycles.filter(cycles.column("complete"))
    flags: np.ndarray = (np.array(cycles.column("flags")) & int(CycleFlag.SATURATED)) != 0
    return flags


def cell_log(zeros: list[float], top: float) -> list[str]:
    """Rows: for each zero 1 s idle and 10 cycles to ``top`` N*m, as channels that end at 82.1 N*m, 4.105 deg read."""
    lines = []
    for zero in zeros:
        phase = 2 * np.pi * np.arange(10 * RATE + 1) / RATE
        torque = np.append(np.zeros(RATE), top / 2 * (1.0 - np.cos(phase)))
        read = np.minimum(torque + zero, 82.1)
        mode = np.append(np.zeros(RATE), np.ones(phase.size))
        lines += [f"{t:.4f},{t / 20:.6f},{m:.0f}" for t, m in zip(read, mode, strict=True)]
    return [f"{k / RATE:.2f},{line}" for k, line in enumerate(lines)]


def write_cell(folder: Path, sign: int, channel: str = "torque") -> Path:
    """A rig on which one channel has a range and a zero, and its plan."""
    folder.mkdir()
    (folder / "rig.toml").write_text(CELL.format(**{"sign": sign, "torque": "", "angle": "", channel: ENDS[channel]}))
    low, high = sorted((sign * 25.0, sign * 55.0))
    (folder / "plan.toml").write_text(CYCLING.format(low=low, high=high))
    return folder / "plan.toml"


@pytest.mark.parametrize("channel", ["torque", "angle"])
@pytest.mark.parametrize("sign", [1, -1])
def test_a_channel_saturates_at_its_end_less_its_zero_however_the_log_was_cut(
    tmp_path: Path, sign: int, channel: str
) -> None:
    """84 N*m on a cell that ends at 82.1 N*m: with a zero of 5 it is cut off, with one of -5 it is all there."""
    lines = cell_log([5.0, -5.0, 5.0], 84.0)
    once = write_cell(tmp_path / "once", sign, channel)
    (once.parent / "a.csv").write_text("\n".join(["t,T,A,m", *lines]) + "\n")
    whole = saturated(once)
    assert whole.tolist() == [True] * 9 + [False] * 9 + [True] * 9
    nights = write_cell(tmp_path / "nights", sign, channel)
    for number, (a, b) in enumerate([(0, 400), (400, 800), (800, 1000), (1000, len(lines))]):
        (nights.parent / f"{number}.csv").write_text("\n".join(["t,T,A,m", *lines[a:b]]) + "\n")
        last = saturated(nights)
    np.testing.assert_array_equal(last, whole)
    grown = write_cell(tmp_path / "grown", sign, channel)
    for b in (300, 900, 1250, len(lines)):
        (grown.parent / "a.csv").write_text("\n".join(["t,T,A,m", *lines[:b]]) + "\n")
        last = saturated(grown)
    np.testing.assert_array_equal(last, whole)


def test_a_zero_that_an_idle_log_between_gives_moves_the_ends_of_the_logs_after_it(tmp_path: Path) -> None:
    """The block's own logs do not hold the idle stretches."""
    plan = write_cell(tmp_path / "run", 1)
    text = plan.read_text().replace("mode = 1", 'files = ["*load*"]')
    plan.write_text(text.replace("mode = 0", 'files = ["*idle*"]'))
    lines = cell_log([5.0, -5.0, 5.0], 84.0)
    size = len(lines) // 3
    for k in range(3):
        idle, load = lines[k * size : k * size + RATE], lines[k * size + RATE : (k + 1) * size]
        (plan.parent / f"{k}-a-idle.csv").write_text("\n".join(["t,T,A,m", *idle]) + "\n")
        (plan.parent / f"{k}-b-load.csv").write_text("\n".join(["t,T,A,m", *load]) + "\n")
        assert saturated(plan).tolist() == ([True] * 9 + [False] * 9 + [True] * 9)[: 9 * (k + 1)]


@pytest.mark.parametrize(
    ("name", "peak", "valley", "flagged"),
    [("fmax", 330, 15, True), ("fmax", 325, 10, True), ("fmax", 325, 15, False), ("fmin", 325, 15, False),
     ("fmin", 325, 10, True), ("", 325, 15, False)],
)  # fmt: skip
def test_of_a_row_a_cycle_each_end_moves_with_the_zero_of_its_channel(
    tmp_path: Path, name: str, peak: int, valley: int, flagged: bool
) -> None:
    """Channels of 10 to 330 N, one of them with a zero of 10 N."""
    channels = ""
    for channel in CHANNELS:
        channels += CHANNEL.format(*channel)
        channels += 'range = ["10 N", "330 N"]\n' if channel[0] == "fmax" else ""
        channels += 'zero_from = "idle"\n' if channel[0] == name else ""
    axes = AXES.format(sign=1).replace('lever_arm = "250 mm"\n', "")
    (tmp_path / "rig.toml").write_text(RIG + channels + axes)
    plan = PLAN.replace('limits = ["limits.toml"]\n', "").replace(" N*m", " N")
    plan = plan.replace('boundary = "row"', 'boundary = "row"\nfiles = ["*load*"]')
    (tmp_path / "plan.toml").write_text(plan + '[[block]]\nname = "idle"\nkind = "idle"\nfiles = ["*idle*"]\n')
    idle, load = made(200)[:100], made(200)[100:]
    idle[:, 1:3] = 10.0
    load[:, 1:3] = peak, valley
    log(tmp_path / "0-idle.csv", idle)
    log(tmp_path / "1-load.csv", load)
    assert saturated(tmp_path / "plan.toml").tolist() == [flagged] * 100


def test_a_level_without_steps_is_one_value() -> None:
    assert HeldLevel(np.empty(0, np.int64), np.array([3.0])).at(np.array([-5, 5])).tolist() == [3.0, 3.0]
