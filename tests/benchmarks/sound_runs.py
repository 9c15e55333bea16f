"""Sound runs with stops, gaps and rejected rows: how often each shipped limit passes.

``python -m tests.benchmarks.sound_runs [RUNS]``. Each run is drawn with true values well inside every limit (three
expanded uncertainties at least), then two stops, two gaps and 1 % rejected rows are put in. The generator shares no
code with the package (:mod:`tests.benchmarks.drawn_runs`). A Markdown table is printed; 1 where a limit passes in
fewer than 95 of 100 runs. Limits on two million cycles are not due in a drawn run and are not counted.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

from tests.benchmarks.drawn_runs import HEADER, RATE, Log, cycling, joined, rest

SEED = 511
LIMITS = Path(__file__).parents[2] / "configs" / "limits"
CYCLES = 420
RIG = """name = "drawn"
temperature = "temperature"
counter = "counter"
mode = "mode"
[time]
column = "t"
sample_rate = "50 Hz"
[[channel]]
name = "load"
column = "T"
unit = "{load}"
range = ["-{most} {load}", "{most} {load}"]
uncertainty = "0.2 %"
uncertainty_floor = "{floor} {load}"
[[channel]]
name = "motion"
column = "A"
unit = "{motion}"
uncertainty = "0.2 %"
uncertainty_floor = "0.005 {motion}"
[[channel]]
name = "temperature"
column = "C"
unit = "degC"
[[channel]]
name = "counter"
column = "N"
unit = "1"
[[channel]]
name = "mode"
column = "M"
unit = "1"
[load]
channel = "load"
[motion]
channel = "motion"
"""
ANKLE = """name = "drawn"
specimen = "invented"
rig = "rig.toml"
limits = ["{limits}/lockable-ankle.toml", "{limits}/drift.toml"]
logs = ["logs/*.csv"]
[[block]]
name = "free"
kind = "sweep"
files = ["logs/1*"]
low = "-4 deg"
high = "4 deg"
frequency = "0.05 Hz"
lowpass = "4 Hz"
resistance_between = ["-5 deg", "8 deg"]
usable_load = "3 N*m"
reference_speed = "24 deg/s"
[[block]]
name = "durability"
kind = "cyclic"
files = ["logs/2*"]
load_min = "5 N*m"
load_max = "80 N*m"
tolerance = "3 %"
frequency = "1 Hz"
baseline = [100, 200]
[[block]]
name = "held"
kind = "hold"
files = ["logs/3*"]
load = "60 N*m"
report_at = ["1 min", "10 min"]
[[block]]
name = "stood"
kind = "stance"
files = ["logs/4*"]
load_min = "28 N*m"
load_max = "32 N*m"
[[block]]
name = "strength"
kind = "proof"
files = ["logs/5*"]
load = "110 N*m"
settling_load = "5 N*m"
loading_rate = ["5 N*m/s", "20 N*m/s"]
hold_tolerance = "3 s"
settling_time = "5 s"
[[block]]
name = "lock"
kind = "locking"
files = ["logs/6*"]
carry_load = "2 N*m"
still = "0.1 deg"
locked_stiffness = "16 N*m/deg"
"""
FOOT = """name = "drawn"
specimen = "invented"
rig = "rig.toml"
limits = ["{limits}/foot-structural-p5.toml", "{limits}/foot-proof-p5.toml", "{limits}/drift.toml"]
logs = ["logs/*.csv"]
[[block]]
name = "durability"
kind = "cyclic"
files = ["logs/2*"]
load_min = "50 N"
load_max = "1330 N"
tolerance = "3 %"
frequency = "1 Hz"
baseline = [100, 200]
[[block]]
name = "strength"
kind = "proof"
files = ["logs/5*"]
load = "2240 N"
settling_load = "50 N"
loading_rate = ["100 N/s", "250 N/s"]
hold_tolerance = "3 s"
settling_time = "5 s"
"""
ULTIMATE = """name = "drawn"
specimen = "invented"
rig = "rig.toml"
limits = ["{limits}/foot-ultimate-p5.toml"]
logs = ["logs/*.csv"]
[[block]]
name = "strength"
kind = "proof"
files = ["logs/5*"]
load = "4450 N"
settling_load = "50 N"
settling_time = "5 s"
"""
KINDS = {"ankle": (ANKLE, "N*m", "deg", 200, 0.05), "foot": (FOOT, "N", "mm", 6000, 1.0),
         "ultimate": (ULTIMATE, "N", "mm", 6000, 1.0), "coarse foot": (FOOT, "N", "mm", 6000, 1.0)}  # fmt: skip


def log_of(
    rng: np.random.Generator,
    time: np.ndarray,
    load: np.ndarray,
    motion: np.ndarray,
    noise: tuple[float, float],
    mode: np.ndarray | float = 1.0,
) -> Log:
    """A log of smooth signals with noise."""
    n = len(time)
    return Log(
        time, load + noise[0] * rng.standard_normal(n), motion + noise[1] * rng.standard_normal(n),
        21.0 + 0.01 * rng.standard_normal(n), np.zeros(n), np.broadcast_to(mode, n).astype(float), np.zeros(n, bool),
    )  # fmt: skip


def times(seconds: float) -> np.ndarray:
    return np.arange(round(seconds * RATE)) / RATE


def sweeps(rng: np.random.Generator) -> Log:
    """Five sweeps at rising speed between end stops at -13 and 13 deg."""
    motion, speed = [np.zeros(50)], [np.zeros(50)]
    for period in (20.0, 16.0, 12.0, 9.0, 7.0, 7.0):
        t = times(period) / period
        wave = 4.0 * np.abs((t + 0.25) % 1.0 - 0.5) - 1.0
        motion.append(-13.8 * wave)
        speed.append(np.gradient(motion[-1]) * RATE)
    m, v = np.concatenate(motion), np.concatenate(speed)
    load = 0.45 * np.tanh(v / 0.2) + 0.02 * v + 4.0 * np.clip(m - 13.0, 0, None) - 4.0 * np.clip(-13.0 - m, 0, None)
    return log_of(rng, np.arange(len(m)) / RATE, load, m, (0.01, 0.002))


def durability(
    rng: np.random.Generator, scale: float, low: float, high: float, stiff: float, noise: tuple[float, float]
) -> Log:
    """Cycles with two stops of twenty seconds at which the rig unloads."""
    pieces, begin, count = [], 0.0, 0
    for part in (CYCLES // 3,) * 3:
        one = cycling(rng, part, begin=begin)
        half, middle = 0.5 * (high - low), 0.5 * (high + low)
        wave = (one.load - 42.5) / 37.5
        lag = (one.motion * 20.0 - 42.5) / 37.5
        drift = 1.0 - 0.01 * (count + np.arange(len(one)) / RATE) / CYCLES
        one.load = (
            middle + half * wave * (1.0 + 0.001 * rng.standard_normal()) + noise[0] * rng.standard_normal(len(one))
        )
        one.motion = (middle + half * lag) / (stiff * drift) + noise[1] * rng.standard_normal(len(one))
        one.counter += count
        pieces.append(one)
        begin, count = begin + part, count + part
        stop = rest(rng, 20.0, begin, float(count), load=0.0)
        pieces.append(stop)
        begin += 20.0
    return joined(pieces)


def hold(rng: np.random.Generator) -> Log:
    t = times(700.0)
    load = 60.0 * np.clip(t / 3.0 - 1.0, 0.0, 1.0) * (t < 690.0)
    creep = 0.008 * np.log1p(np.clip(t - 6.0, 0.0, None) / 5.0)
    return log_of(rng, t, load, load / 18.0 + creep * (t < 690.0), (0.02, 0.002))


def stance(rng: np.random.Generator) -> Log:
    t = times(20.0)
    load = 30.0 * np.clip(t - 2.0, 0.0, 1.0) * (t < 17.0)
    return log_of(rng, t, load, load / 18.0, (0.02, 0.002))


def proof(
    rng: np.random.Generator, load: float, settle: float, rate: float, stiff: float, noise: tuple[float, float]
) -> Log:
    ramp = (load - settle) / rate
    at = np.array([0.0, 2.0, 14.0, 14.0 + ramp, 44.0 + ramp, 44.0 + 2 * ramp, 60.0 + 2 * ramp, 62.0 + 2 * ramp])
    t = times(at[-1])
    asked = np.interp(t, at, [0.0, settle, settle, load, load, settle, settle, 0.0])
    return log_of(rng, t, asked, asked / stiff, noise)


def locks(rng: np.random.Generator) -> Log:
    """Four locks and unlocks; under the lock the joint carries 20 N*m."""
    t = times(34.0)
    phase = t % 8.0
    mode = ((phase > 2.0) & (phase < 6.0)).astype(float)
    load = 20.0 * np.clip((phase - 2.05) / 0.15, 0.0, 1.0) * np.clip((5.9 - phase) / 0.15, 0.0, 1.0)
    motion = load / 16.0 + 2.0
    return log_of(rng, t, load, motion, (0.02, 0.002), mode)


def dirty(rng: np.random.Generator, log: Log, gaps: int) -> list[str]:
    """Lines with gaps of half a second to a second and a half, and one in a hundred that is no row."""
    keep = np.ones(len(log), bool)
    for _ in range(gaps):
        at = int(rng.integers(60 * RATE, len(log) - 200 * RATE))
        keep[at : at + int(rng.integers(25, 75))] = False
    lines = log.take(keep).lines()
    for at in np.flatnonzero(rng.random(len(lines)) < 0.01).tolist():
        lines[at] = lines[at].replace(",", ",#", 1)
    return lines


def logs(rng: np.random.Generator, kind: str) -> dict[str, list[str]]:
    """Lines of each log file of a sound run."""
    if kind == "ultimate":
        return {"5": dirty(rng, proof(rng, 4450.0, 50.0, 175.0, 150.0, (0.5, 0.002)), 0)}
    if kind.endswith("foot"):
        cycles = durability(rng, 1.0, 50.0, 1330.0, 120.0, (0.5, 0.002))
        if kind == "coarse foot":  # peaks and valleys are held, and noise is far below a digit
            for name, scale, digit in (("load", 1.0, 5.0), ("motion", 120.0, 0.02)):
                wave = np.clip((scale * getattr(cycles, name) - 690.0) * 1.4, -643.0, 643.0)
                setattr(cycles, name, digit * np.rint((690.0 + wave) / scale / digit))
        return {
            "2": dirty(rng, cycles, 2),
            "5": dirty(rng, proof(rng, 2240.0, 50.0, 175.0, 150.0, (0.5, 0.002)), 0),
        }
    return {
        "1": dirty(rng, sweeps(rng), 0),
        "2": dirty(rng, durability(rng, 1.0, 5.0, 80.0, 20.0, (0.02, 0.001)), 2),
        "3": dirty(rng, hold(rng), 0),
        "4": dirty(rng, stance(rng), 0),
        "5": dirty(rng, proof(rng, 110.0, 5.0, 10.0, 23.0, (0.02, 0.002)), 0),
        "6": dirty(rng, locks(rng), 0),
    }


def judged(kind: str, seed: int) -> list[tuple[str, str, str]]:
    """Limit, verdict and remark of everything that is due in one drawn run."""
    from benchpipe.pipeline import work
    from benchpipe.run import load_run
    from benchpipe.store.run_store import RunStore

    rng = np.random.default_rng([SEED, seed])
    plan, load, motion, most, floor = KINDS[kind]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "logs").mkdir()
        shift = 0.0
        for number, lines in logs(rng, kind).items():
            (folder / "logs" / f"{number}.csv").write_text("\n".join([HEADER, *_later(lines, shift)]) + "\n")
            shift += 2000.0
        (folder / "rig.toml").write_text(RIG.format(load=load, motion=motion, most=most, floor=floor))
        (folder / "plan.toml").write_text(plan.format(limits=LIMITS.as_posix()))
        run = load_run(folder / "plan.toml")
        work(run)
        store = RunStore(run.store, run.name)
        rows = store.read(store.manifest(), "verdicts").to_pylist()
    return [(f"{r['limits_file']}: {r['limit']}", r["verdict"], r["remark"]) for r in rows if r["due"]]


def _later(lines: list[str], shift: float) -> list[str]:
    if not shift:
        return lines
    return [f"{float(cell) + shift:.3f},{rest_}" for cell, _, rest_ in (line.partition(",") for line in lines)]


def main(runs: int) -> int:
    """Print the table."""
    found: dict[str, Counter[str]] = defaultdict(Counter)
    why: dict[str, str] = {}
    with ProcessPoolExecutor(2) as pool:
        jobs = [pool.submit(judged, kind, i) for kind in KINDS for i in range(runs)]
        for job in jobs:
            for limit, verdict, remark in job.result():
                found[limit][verdict] += 1
                if verdict != "pass":
                    why[limit] = f"{verdict}: {remark}"
    print("| limit | runs | pass % |\n|---|---|---|")
    worst = 1.0
    for limit, counts in found.items():
        share = counts["pass"] / counts.total()
        worst = min(worst, share)
        print(f"| {limit} | {counts.total()} | {100.0 * share:.1f} |")
    for limit, text in why.items():
        print(f"{limit}: {text}")
    return int(worst < 0.95)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 500))
