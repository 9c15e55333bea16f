"""Three invented rigs that write a few rows a day, with all that goes wrong on rigs.

What a rig has written so far stands in ``logs``; what of it has come to the share is the matter of
:mod:`tests.soak.year`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from random import Random

RATE_HZ, CYCLES = 20, 12
START = datetime(2031, 1, 1, 22, 0)

PLAN = """
name = "{name}"
specimen = "invented"
rig = "rig.toml"
limits = ["../../configs/limits/drift.toml"]
logs = ["logs/*.csv"]
[[block]]
name = "main"
kind = "cyclic"
load_min = "10 N*m"
load_max = "90 N*m"
frequency = "1 Hz"
planned_cycles = 20_000
baseline = [20, 60]
least_samples = 10
"""
RIG = """
name = "{name}"
counter = "count"
temperature = "oil"
[log]
{log}
[time]
{time}
sample_rate = "20 Hz"
[[channel]]
name = "torque"
column = "Torque"
unit = "N*m"
missing = ["OVER"]
range = ["-200 N*m", "200 N*m"]
[[channel]]
name = "angle"
column = "Angle"
unit = "deg"
[[channel]]
name = "oil"
column = "Oil"
unit = "degC"
[[channel]]
name = "count"
column = "Count"
unit = "cycles"
[load]
channel = "torque"
[motion]
channel = "angle"
"""


@dataclass(frozen=True)
class Dialect:
    """How a rig writes its logs."""

    separator: str = ","
    decimal: str = "."
    end: str = "\n"
    preamble: tuple[str, ...] = ()
    log: str = ""
    time: str = 'column = "Time"'


@dataclass
class Rig:
    """One rig: its clock, its counter, and its logs so far. Each kind names and cuts its logs in another way."""

    name: str
    dialect: Dialect
    cut: str  # "renamed": a log that goes on, put away each week; "weekly"; "daily": each begins at zero
    dated: bool = False
    logs: dict[str, str] = field(default_factory=dict)
    clock_s: float = 0.0
    count: int = 0
    cycle: int = 0
    said: dict[str, int] = field(default_factory=dict)

    def files(self) -> dict[str, str]:
        """The files of the rig's folder."""
        return {
            "plan.toml": PLAN.format(name=self.name),
            "rig.toml": RIG.format(name=self.name, log=self.dialect.log, time=self.dialect.time),
        }

    def day(self, number: int, draw: Random) -> None:
        """Write the rows of a day."""
        self.clock_s += draw.choice([5.0, 3600.0, 20_000.0]) if self.cut != "daily" else -self.clock_s
        name = self._name(number)
        lines = [] if name in self.logs else self._head()
        rows = [self._row(k) for k in range(CYCLES * RATE_HZ)]
        self.clock_s += len(rows) / RATE_HZ
        for fault, chance in FAULTS.items():
            if draw.random() < chance and (fault is not _clock_back or self.dated):
                self.said[fault.__name__] = self.said.get(fault.__name__, 0) + 1
                rows = fault(self, rows, draw)
        text = "".join(line + self.dialect.end for line in lines) + "".join(rows)
        self.logs[name] = self.logs.get(name, "") + text

    def _name(self, number: int) -> str:
        if self.cut == "daily":
            return f"logs/day_{number:04d}.csv"
        week = number // 7
        if self.cut == "weekly":
            return f"logs/week_{week}.csv"
        if number % 7 == 0 and (done := self.logs.pop("logs/current.csv", None)) is not None:
            self.logs[f"logs/week_{week - 1}.csv"] = done
        return "logs/current.csv"

    def _head(self) -> list[str]:
        return [*self.dialect.preamble, self.dialect.separator.join(["Time", "Torque", "Angle", "Oil", "Count"])]

    def _row(self, k: int) -> str:
        at = self.clock_s + k / RATE_HZ
        if k % RATE_HZ == 0:
            self.cycle, self.count = self.cycle + 1, self.count + 1
        phase = 2 * math.pi * ((k % RATE_HZ) + 0.3) / RATE_HZ
        torque = 50.0 - 40.0 * math.cos(phase)
        angle = (torque + 4.0 * math.sin(phase)) / (20.0 - 2e-4 * self.cycle)
        angle += 1e-3 * math.sin(12.9898 * self.cycle + k)
        return self._line(self._time(at), torque + 0.1 * math.sin(78.233 * (self.cycle + k)), angle, self.count)

    def _time(self, at: float) -> str:
        if self.dated:
            return (START + timedelta(seconds=round(at, 3))).isoformat(" ", "milliseconds")
        return f"{at:.3f}".replace(".", self.dialect.decimal)

    def _line(self, time: str, torque: float, angle: float, count: int) -> str:
        numbers = [f"{torque:.3f}", f"{angle:.4f}", "31.5", str(count)]
        return self.dialect.separator.join(
            [time, *(text.replace(".", self.dialect.decimal) for text in numbers)]
        ) + self.dialect.end  # fmt: skip


Rows = list[str]


def _at(rows: Rows, draw: Random, most: int = 0) -> int:
    return draw.randrange(1, max(len(rows) - most, 2))


def _header_again(rig: Rig, rows: Rows, draw: Random) -> Rows:
    at = _at(rows, draw)
    return [*rows[:at], *(line + rig.dialect.end for line in rig._head()), *rows[at:]]


def _resumed(rig: Rig, rows: Rows, draw: Random) -> Rows:
    at = _at(rows, draw)
    return [*rows[:at], *rows[max(0, at - draw.randrange(1, 90)) : at], *rows[at:]]


def _text_line(rig: Rig, rows: Rows, draw: Random) -> Rows:
    at = _at(rows, draw)
    return [*rows[:at], draw.choice(["STOP: door open", "", "\x00\x00", "1;2,3\t4"]) + rig.dialect.end, *rows[at:]]


def _over(rig: Rig, rows: Rows, draw: Random) -> Rows:
    at = _at(rows, draw, 30)
    some = rows[at : at + draw.randrange(1, 30)]
    spoilt = []
    for row in some:
        cells = row.split(rig.dialect.separator)
        spoilt.append(rig.dialect.separator.join([cells[0], "OVER", *cells[2:]]) if len(cells) == 5 else row)
    return [*rows[:at], *spoilt, *rows[at + len(some) :]]


def _lost_rows(rig: Rig, rows: Rows, draw: Random) -> Rows:
    at = _at(rows, draw, 60)
    return [*rows[:at], *rows[at + draw.randrange(1, 60) :]]


def _out_of_order(rig: Rig, rows: Rows, draw: Random) -> Rows:
    at = _at(rows, draw, 12)
    n = draw.randrange(1, 5)
    return [*rows[:at], *rows[at + n : at + n + 4], *rows[at : at + n], *rows[at + n + 4 :]]


def _other_line_ends(rig: Rig, rows: Rows, draw: Random) -> Rows:
    other = "\n" if rig.dialect.end == "\r\n" else "\r\n"
    at = _at(rows, draw, 20)
    return [*rows[:at], *(row.rstrip("\r\n") + other for row in rows[at : at + 20]), *rows[at + 20 :]]


def _counter_reset(rig: Rig, rows: Rows, draw: Random) -> Rows:
    rig.count = 0
    return rows


def _clock_back(rig: Rig, rows: Rows, draw: Random) -> Rows:
    rig.clock_s -= draw.choice([30.0, 600.0, 3600.0])
    return rows


def _stuck(rig: Rig, rows: Rows, draw: Random) -> Rows:
    at = _at(rows, draw, 40)
    some = [row.split(rig.dialect.separator) for row in rows[at : at + 40]]
    if any(len(cells) != 5 for cells in some):
        return rows
    held = [rig.dialect.separator.join([cells[0], some[0][1], *cells[2:]]) for cells in some]
    return [*rows[:at], *held, *rows[at + 40 :]]


Fault = Callable[[Rig, Rows, Random], Rows]
FAULTS: dict[Fault, float] = {
    _header_again: 0.08, _resumed: 0.12, _text_line: 0.06, _over: 0.05, _lost_rows: 0.06, _out_of_order: 0.06,
    _other_line_ends: 0.05, _counter_reset: 0.02, _clock_back: 0.03, _stuck: 0.04,
}  # fmt: skip


def three_rigs() -> list[Rig]:
    """The rigs of the lab."""
    stamp = 'kind = "datetime"\ncolumn = "Time"\nformat = "%Y-%m-%d %H:%M:%S%.f"'
    return [
        Rig("dated", Dialect(time=stamp), "renamed", dated=True),
        Rig(
            "comma", Dialect(";", ",", log='separator = ";"\ndecimal = ","', preamble=("Rig 2",)), "weekly",
        ),
        Rig("tabs", Dialect("\t", end="\r\n", log='separator = "\\t"', preamble=("Rig 3", "started")), "daily"),
    ]  # fmt: skip
