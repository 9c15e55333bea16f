"""Text logs of invented rigs, drawn with known truth and spoiled on purpose. Shares no code with the package.

A log is an array of rows (time, load, motion, temperature, counter, mode); what spoils it works on the rows or on
the lines that are written.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
RATE = 50.0
LOW, HIGH, STIFF, PHASE = 5.0, 80.0, 20.0, 0.12  # N*m, N*m, N*m/deg, rad
HEADER = "t,T,A,C,N,M"

RIG = """name = "drawn"
temperature = "temperature"
counter = "counter"
mode = "mode"
[log]
header = true
missing = ["OVER"]
[time]
column = "t"
sample_rate = "50 Hz"
[[channel]]
name = "torque"
column = "T"
unit = "N*m"
range = ["-200 N*m", "{top} N*m"]
uncertainty = "0.5 %"
uncertainty_floor = "0.1 N*m"
{stuck}
[[channel]]
name = "angle"
column = "A"
unit = "deg"
range = ["-30 deg", "30 deg"]
uncertainty = "0.3 %"
uncertainty_floor = "0.01 deg"
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
channel = "torque"
[motion]
channel = "angle"
"""


@dataclass
class Log:
    """Rows of a log, and which of them show a violation."""

    time: Floats
    load: Floats
    motion: Floats
    temperature: Floats
    counter: Floats
    mode: Floats
    bad: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, bool))

    def __len__(self) -> int:
        return len(self.time)

    def take(self, keep: NDArray[np.bool_]) -> Log:
        """Some of the rows."""
        return Log(*(getattr(self, name)[keep] for name in self.__dataclass_fields__))

    def lines(self) -> list[str]:
        """One text line a row."""
        columns = (self.time, self.load, self.motion, self.temperature, self.counter, self.mode)
        shown = [
            np.char.mod(how, c) for how, c in zip(("%.3f", "%.4f", "%.5f", "%.2f", "%d", "%d"), columns, strict=True)
        ]
        return [",".join(cells) for cells in zip(*shown, strict=True)]


def joined(logs: list[Log]) -> Log:
    """Logs one after the other."""
    return Log(*(np.concatenate([getattr(one, name) for one in logs]) for name in Log.__dataclass_fields__))


def cycling(
    rng: np.random.Generator, count: int, *, begin: float = 0.0, change: dict[int, dict[str, float]] | None = None
) -> Log:
    """Load cycling from valley to valley; single cycles may have another peak, valley, stiffness or phase."""
    change = change or {}
    per = int(RATE)
    n = count * per
    cycle = np.arange(n) // per
    angle = 2.0 * np.pi * (np.arange(n) % per) / per
    get = {
        name: np.array([change.get(c, {}).get(name, usual) for c in range(count)])[cycle]
        for name, usual in (("peak", HIGH), ("valley", LOW), ("stiffness", STIFF), ("phase", PHASE), ("shift", 0.0))
    }
    middle, half = 0.5 * (get["peak"] + get["valley"]), 0.5 * (get["peak"] - get["valley"])
    load = middle - half * np.cos(angle)
    motion = (middle - half * np.cos(angle - get["phase"])) / get["stiffness"] + get["shift"]
    spoilt = np.isin(cycle, list(change))
    noise = rng.standard_normal((2, n))
    return Log(
        begin + np.arange(n) / RATE, load + 0.02 * noise[0], motion + 0.001 * noise[1],
        np.full(n, 21.0) + 0.01 * rng.standard_normal(n), (1 + cycle).astype(float), np.ones(n), spoilt,
    )  # fmt: skip


def rest(
    rng: np.random.Generator, seconds: float, begin: float, counter: float, *, load: float = 0.0, mode: int = 1
) -> Log:
    """The rig stands without load."""
    n = round(seconds * RATE)
    flat = np.ones(n)
    return Log(
        begin + np.arange(n) / RATE, load + 0.02 * rng.standard_normal(n), 0.001 * rng.standard_normal(n),
        21.0 * flat, counter * flat, mode * flat, np.zeros(n, bool),
    )  # fmt: skip


Spoil = Callable[[Log, np.random.Generator], list[str]]


def _cells(how: Callable[[list[str]], list[str]]) -> Spoil:
    def spoil(log: Log, rng: np.random.Generator) -> list[str]:
        return [",".join(how(line.split(","))) if bad else line for line, bad in zip(log.lines(), log.bad, strict=True)]

    return spoil


def _deleted(log: Log, rng: np.random.Generator) -> list[str]:
    return log.take(~log.bad).lines()


def _thinned(log: Log, rng: np.random.Generator) -> list[str]:
    """Of the rows about the offending ones every fourth is left, and none that offends."""
    near = np.convolve(log.bad.astype(float), np.ones(9), "same") > 0
    return log.take(~log.bad & (~near | (np.arange(len(log)) % 4 == 0))).lines()


def _clock_back(log: Log, rng: np.random.Generator) -> list[str]:
    """The clock of the offending rows is half a minute behind."""
    log = Log(**vars(log))
    log.time = log.time - 30.0 * log.bad
    return log.lines()


def _stuck(log: Log, rng: np.random.Generator) -> list[str]:
    """The sensors hold their last good value."""
    good = np.maximum.accumulate(np.where(log.bad, 0, np.arange(len(log))))
    log = Log(**vars(log))
    log.load, log.motion = log.load[good], log.motion[good]
    return log.lines()


def held(log: Log, rng: np.random.Generator, name: str, flicker: float = 0.0) -> list[str]:
    """One sensor holds its last good value over what offends, and before and after it: 10 to 50 % of a cycle.

    With ``flicker`` it goes up by that and down again, at random.
    """
    log = Log(**vars(log))
    values = getattr(log, name).copy()
    edges = np.flatnonzero(np.diff(log.bad.astype(int), prepend=0, append=0))
    for begin, end in edges.reshape(-1, 2).tolist():
        size = max(end - begin, round(RATE * rng.uniform(0.1, 0.5)))
        first = max(begin - int(rng.integers(0, size - (end - begin) + 1)), 1)
        values[first : first + size] = values[first - 1]
        if flicker:
            values[first : first + size] += flicker * rng.integers(0, 2, len(values[first : first + size]))
    setattr(log, name, values)
    return log.lines()


def clipped(log: Log, rng: np.random.Generator, name: str) -> list[str]:
    """One channel is clipped below what offends, and well inside its range."""
    log = Log(**vars(log))
    good = getattr(log, name)[~log.bad]
    setattr(log, name, np.clip(getattr(log, name), good.min(), good.max()) if good.size else getattr(log, name))
    return log.lines()


SPOILS: dict[str, Spoil] = {
    "nan": _cells(lambda c: [c[0], "nan", "nan", *c[3:]]),
    "empty": _cells(lambda c: [c[0], "", "", *c[3:]]),
    "text": _cells(lambda c: [c[0], "OVER", "OVER", *c[3:]]),
    "letters": _cells(lambda c: [c[0], c[1] + "x", *c[2:]]),
    "cell too few": _cells(lambda c: c[:3]),
    "one channel": _cells(lambda c: [c[0], c[1], "", *c[3:]]),
    "deleted": _deleted,
    "thinned": _thinned,
    "clock back": _clock_back,
    "stuck": _stuck,
}


def write_run(
    folder: Path, lines: list[list[str]], *, plan: str, limits: str, top: float = 200.0, stuck: str = ""
) -> Path:
    """A lab folder with logs (lines of each file) and limits; gives its plan."""
    (folder / "logs").mkdir(parents=True)
    for i, some in enumerate(lines):
        (folder / "logs" / f"log_{i:03}.csv").write_text("\n".join([HEADER, *some]) + "\n")
    (folder / "rig.toml").write_text(RIG.format(top=top, stuck=stuck))
    (folder / "limits.toml").write_text(limits)
    (folder / "plan.toml").write_text(plan)
    return folder / "plan.toml"


PLAN = """name = "drawn"
specimen = "invented"
rig = "rig.toml"
limits = {limits}
logs = ["logs/*.csv"]
[[block]]
name = "durability"
kind = "cyclic"
mode = 1
load_min = "5 N*m"
load_max = "80 N*m"
frequency = "1 Hz"
tolerance = "5 %"
baseline = [10, 60]
"""
