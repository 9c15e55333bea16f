"""Scenario files and the scenarios that ship."""

from __future__ import annotations

import gzip
import json
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pyarrow.parquet as pq
import pytest
from pydantic import BaseModel

from benchpipe.errors import ConfigError
from benchpipe.simulate import ScenarioConfig, load_scenario, simulate
from benchpipe.simulate.blocks import CyclicConfig
from benchpipe.simulate.faults import _MAKERS
from benchpipe.simulate.scenarios import BUILDERS
from benchpipe.simulate.truth import TruthResult

SAMPLES = Path(__file__).resolve().parents[2] / "sample_runs"

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
        (("[log]", '[log]\npreamble = ["a\\nb"]'), ("more than one line",)),
        (("[log]", '[log]\nencoding = "latin-1"\npreamble = ["5 Ω"]'), ("latin-1 has no 'Ω'",)),
        (('name = "Torque"', 'name = "Torque; left"'), ("holds ';'",)),
        (('name = "Rig Three"', 'name = "Rig\\nThree"'), ("more than one line",)),
        (('kind = "lose-rows"\nrow = 10', 'kind = "text-line"\ntext = "a\\nb"\nrow = 10'), ("fault",)),
        (("lock = {", "lash = { play = 0.1 }\nlock = {"), ("unknown key 'lash'", "did you mean 'backlash'?")),
        (("sample_rate_hz = 100", "sample_rate_hz = nan"), ("rig.sample_rate_hz", "finite")),
        (("[log]", "[rig.counter]\nrollover = 9_000_000_000\n[log]"), ("rollover",)),
        (("[log]", '[log]\nmissing = ["OVER"]'), ("log", "for reading")),
        (("[log]", '[log]\nformat = "parquet"'), ("text logs only",)),
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


def values_of(path: Path) -> dict[str, Any]:
    """All values of a JSON file by their place."""

    def flat(value: Any, place: str) -> Iterator[tuple[str, Any]]:
        inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else None
        if inner is None:
            yield place, value
        for key, one in inner or ():
            yield from flat(one, f"{place}.{key}")

    return dict(flat(json.loads(path.read_text(encoding="utf-8")), ""))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> dict[str, TruthResult]:
    """All shipped scenarios, simulated."""
    root = tmp_path_factory.mktemp("shipped")
    return {name: simulate(build(), root / name) for name, build in BUILDERS.items()}


@pytest.mark.parametrize("name", BUILDERS)
def test_the_shipped_scenarios_are_small_invented_and_say_so(made: dict[str, TruthResult], name: str) -> None:
    scenario, result = BUILDERS[name](), made[name]
    assert scenario.name == name
    assert "invented" in scenario.note.lower()
    sizes = [path.stat().st_size for path in result.folder.rglob("*") if path.is_file()]
    assert sum(sizes) < 2.7e6  # all under 8 MB
    asked = next(b.cycles for b in scenario.block if isinstance(b, CyclicConfig) and b.name == "main")
    assert result.cycles_completed == asked


@pytest.mark.parametrize("name", BUILDERS)
def test_the_sample_runs_are_what_the_scenarios_write(made: dict[str, TruthResult], name: str) -> None:
    sample = SAMPLES / name
    for log in made[name].logs:
        shipped = sample / "logs" / log.name
        if log.suffix == ".gz":  # compressed by whatever zlib there was
            assert gzip.decompress(shipped.read_bytes()) == gzip.decompress(log.read_bytes())
        else:
            assert pq.read_table(shipped).equals(pq.read_table(log))
    shipped_truth, truth = ((path / "truth.json") for path in (sample / "truth", made[name].truth_file.parent))
    shipped_values, values = values_of(shipped_truth), values_of(truth)
    assert shipped_values.keys() == values.keys()
    for place, value in values.items():  # the last bit of a logarithm is the machine's
        expected = pytest.approx(value, rel=1e-12) if isinstance(value, float) else value
        assert shipped_values[place] == expected, place
    if name == "two-weeks":  # of which a row is a cycle: only what changes is shipped, not each cycle
        assert not (sample / "truth" / "truth_cycles.parquet").exists()
        return
    shipped_cycles = pq.read_table(sample / "truth" / "truth_cycles.parquet")
    for column in ("cycle", "peak_load", "energy_j", "secant_stiffness"):
        np.testing.assert_allclose(
            shipped_cycles[column].to_numpy(), pq.read_table(made[name].cycles_file)[column].to_numpy(), rtol=1e-12
        )


def test_the_three_differ_in_what_is_wrong(made: dict[str, TruthResult]) -> None:
    change, leak = {}, {}
    for name, result in made.items():
        stiffness = pq.read_table(result.cycles_file)["secant_stiffness"].to_numpy()
        change[name] = np.median(stiffness[-100:]) / np.median(stiffness[199:400]) - 1.0
        leak[name] = max((b.hold.leak_per_h_start for b in result.blocks if b.hold), default=0.0)
    assert abs(change["healthy"]) < 0.03
    assert -0.25 < change["wearing"] < -0.16  # a limit of -15 % fails clearly
    assert leak["healthy"] == 0.0 < leak["creeping-lock"]


def test_a_scenario_can_be_made_shorter(tmp_path: Path) -> None:
    short = BUILDERS["wearing"]().changed(seed=9, cycles=50)
    assert short.seed == 9
    assert short.rig.stops == ()
    assert simulate(short, tmp_path / "run").cycles_completed == 50


TEMPLATE = Path(__file__).resolve().parents[2] / "configs" / "scenario.toml"


def test_the_commented_template_makes_a_run(tmp_path: Path) -> None:
    result = simulate(load_scenario(TEMPLATE), tmp_path / "run")
    assert [b.kind for b in result.blocks] == ["idle", "sweep", "cyclic", "hold", "proof", "locking"]
    assert result.cycles_completed == 300
    assert result.faults == ()


def test_the_template_makes_a_run_with_all_its_examples(tmp_path: Path) -> None:
    text = re.sub(r"^#(?=\S)", "", TEMPLATE.read_text(encoding="utf-8"), flags=re.MULTILINE)
    made = loaded(tmp_path, text)
    result = simulate(made, tmp_path / "run")
    assert {fault.kind for fault in result.faults} == set(_MAKERS)
    # every key of every model stands in it; what only a reader of logs needs does not
    assert missing_keys(ScenarioConfig, tomllib.loads(text)) == {"log.missing", "log.variables"}


def missing_keys(model: type[BaseModel], values: dict[str, Any]) -> set[str]:
    """Keys of a model, and of all below it, that a document never gives."""
    missing = set()
    for name, field in model.model_fields.items():
        if name not in values:
            missing.add(name)
            continue
        inner = values[name] if isinstance(values[name], list) else [values[name]]
        for kind in models_in(field.annotation):
            mine = [v for v in inner if isinstance(v, dict) and fits(kind, v)]
            never = set.intersection(*(missing_keys(kind, v) for v in mine)) if mine else {kind.__name__}
            missing |= {f"{name}.{key}" for key in never if not any(key in v for v in inner)}
    return missing


def fits(kind: type[BaseModel], values: dict[str, Any]) -> bool:
    """Whether a table of a document is of this kind of block or fault."""
    wanted = kind.model_fields.get("kind")
    return wanted is None or values["kind"] in get_args(wanted.annotation)


def models_in(annotation: Any) -> list[type[BaseModel]]:
    """Models that an annotation names."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for part in get_args(annotation) for model in models_in(part)]
