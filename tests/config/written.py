"""A small lab of valid files, for tests that spoil one of them."""

from __future__ import annotations

from pathlib import Path

RIG = """\
name = "small rig"
temperature = "temperature"

[log]
format = "text"
encoding = "utf-8"

[time]
column = "t"
sample_rate = "50 Hz"

[[channel]]
name = "torque"
column = "T"
unit = "N*m"
uncertainty = "0.5 %"
uncertainty_floor = "0.1 N*m"

[[channel]]
name = "angle"
column = "A"
unit = "deg"
uncertainty = "0 %"

[[channel]]
name = "temperature"
column = "C"
unit = "degC"

[load]
channel = "torque"

[motion]
channel = "angle"
"""

PLAN = """\
name = "one"
specimen = "S-1"
rig = "rig.toml"
limits = ["limits.toml"]
logs = ["logs/*.csv"]

[[block]]
name = "durability"
kind = "cyclic"
load_min = "5 N*m"
load_max = "80 N*m"
frequency = "1 Hz"
planned_cycles = 1000
baseline = [10, 20]

[[block]]
name = "held"
kind = "hold"
load = "60 N*m"
report_at = ["1 min", "10 min"]

[[block]]
name = "free"
kind = "sweep"
low = "-4 deg"
high = "4 deg"
frequency = "0.2 Hz"
resistance_between = ["-5 deg", "12 deg"]
usable_load = "3 N*m"
"""

LIMITS = """\
name = "own"
basis = "the lab's own"

[[limit]]
name = "creep"
block = "hold"
measure = "creep"
at_time = "10 min"
operator = "<="
value = "0.1 deg"
source = "the lab's own"

[[limit]]
name = "stiffness lost"
block = "durability"
measure = "secant_stiffness"
statistic = "change"
last_cycles = 100
operator = ">="
value = "-15 %"
source = "the lab's own"
"""

LAB = """\
name = "small lab"
store = "store"
plans = ["plan.toml"]
"""

FILES = {"rig.toml": RIG, "plan.toml": PLAN, "limits.toml": LIMITS, "lab.toml": LAB}


def write_lab(folder: Path, **spoilt: tuple[str, str]) -> Path:
    """Write the files; ``rig=("old", "new")`` replaces a piece of ``rig.toml``. Return the plan file."""
    for name, text in FILES.items():
        old, new = spoilt.pop(name.removesuffix(".toml"), ("", ""))
        assert old in text, f"{name} has no {old!r}"
        (folder / name).write_text(text.replace(old, new, 1) if old else text, encoding="utf-8")
    assert not spoilt
    return folder / "plan.toml"


def line_of(file: str, piece: str) -> int:
    """Line of a piece of one of the files, from 1."""
    return FILES[file][: FILES[file].index(piece)].count("\n") + 1
