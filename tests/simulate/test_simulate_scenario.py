"""Scenario files and the three scenarios that ship."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from benchpipe.errors import ConfigError
from benchpipe.simulate import load_scenario, simulate
from benchpipe.simulate.scenarios import BUILDERS

GOOD = """
name = "from-a-file"
seed = 4

[specimen]
name = "Elm-4"
spring = { stiffness = 12 }
lock = { reference_load = 60.0, leak_per_h = 0.4 }

[rig]
name = "Rig Three"
sample_rate_hz = 100
start = 2031-01-01T08:00:00
[[rig.channels]]
source = "time"
name = "Time"
[[rig.channels]]
source = "load"
name = "Torque"
noise = 0.1
[[rig.channels]]
source = "motion"
name = "Angle"

[log]
separator = ";"
decimal = ","

[[block]]
kind = "cyclic"
name = "main"
cycles = 5
frequency_hz = 1
valley = 5
peak = 60

[[block]]
kind = "hold"
name = "hold"
load = 60
duration_s = 5

[[fault]]
kind = "lose-rows"
row = 10
rows = 2
"""


def loaded(folder: Path, text: str) -> Any:
    path = folder / "scenario.toml"
    path.write_text(text, encoding="utf-8")
    return load_scenario(path)


def test_a_file_makes_a_run(tmp_path: Path) -> None:
    result = simulate(loaded(tmp_path, GOOD), tmp_path / "run")
    assert [b.kind for b in result.blocks] == ["cyclic", "hold"]
    assert result.faults[0].rows_added == -2
    assert result.logs[0].read_bytes().startswith(b"Time;Torque;Angle\n0,000;")


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (("leak_per_h", "leek_per_h"), ("leek_per_h", "did you mean 'leak_per_h'", "specimen.lock")),
        (("duration_s", "woble = 1.0\nduration_s"), ("woble", "did you mean 'wobble'", "block[1]")),
        (('kind = "hold"', 'kind = "hodl"'), ("hodl", "block[1]")),
        (("stiffness = 12", "stiffness = -1"), ("specimen.spring.stiffness", "greater than 0")),
        (("sample_rate_hz = 100", 'sample_rate_hz = "100"'), ("rig.sample_rate_hz",)),
        (('separator = ";"', 'separator = ","'), ("log", "must differ")),
        (("valley = 5", "valley = 500"), ("block[0]", "valley must be below peak")),
        (('name = "hold"', 'name = "main"'), ("block names must differ",)),
        (('source = "motion"', 'source = "mode"'), ("no channel has the source motion",)),
        (("[log]", '[log]\ntime_format = "%y"'), ("time_format", "%Y")),
        (("[log]", '[log]\npreamble = ["{nobody}"]'), ("preamble",)),
        (("[log]", '[[rig.stops]]\nblock = "hold"\nafter_cycles = 2\n[log]'), ("no cyclic block",)),
        (("[log]", '[[rig.stops]]\nblock = "main"\nafter_cycles = 9\n[log]'), ("ends before",)),
    ],
)
def test_a_wrong_file_is_told_by_key(tmp_path: Path, change: tuple[str, str], told: tuple[str, ...]) -> None:
    text = GOOD.replace(*change, 1)
    assert text != GOOD
    with pytest.raises(ConfigError) as caught:
        loaded(tmp_path, text)
    message = str(caught.value)
    assert "scenario.toml" in message
    for part in told:
        assert part in message, message


@pytest.mark.parametrize("name", BUILDERS)
def test_the_shipped_scenarios_are_small_invented_and_say_so(tmp_path: Path, name: str) -> None:
    made = BUILDERS[name]()
    assert made.name == name
    assert "invented" in made.note.lower()
    result = simulate(made, tmp_path / name)
    assert sum(path.stat().st_size for path in tmp_path.rglob("*") if path.is_file()) < 2.7e6  # three under 8 MB
    assert result.cycles_completed == next(b.cycles for b in made.block if b.name == "main")


def test_the_three_differ_in_what_is_wrong(tmp_path: Path) -> None:
    change, leak = {}, {}
    for name, build in BUILDERS.items():
        result = simulate(build(), tmp_path / name)
        stiffness = pq.read_table(result.cycles_file)["secant_stiffness"].to_numpy()
        change[name] = stiffness[-1] / stiffness[100] - 1.0
        leak[name] = max((b.hold.leak_per_h_start for b in result.blocks if b.hold), default=0.0)
    assert abs(change["healthy"]) < 0.03 > abs(change["creeping-lock"])
    assert change["wearing"] < -0.12
    assert leak["healthy"] == 0.0 < leak["creeping-lock"]


def test_a_scenario_can_be_made_shorter(tmp_path: Path) -> None:
    short = BUILDERS["wearing"]().changed(seed=9, cycles=50)
    assert short.seed == 9
    assert short.rig.stops == ()
    assert simulate(short, tmp_path / "run").cycles_completed == 50
