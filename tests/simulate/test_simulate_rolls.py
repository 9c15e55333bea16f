"""Simulated rolls: the contact follows a wheel, and the truth says which."""

from __future__ import annotations

import gzip
import json
from pathlib import Path

import numpy as np
import pytest

from benchpipe.simulate import simulate
from benchpipe.simulate.blocks import IdleConfig, RollConfig
from benchpipe.simulate.rig import SimulatedChannelConfig
from benchpipe.simulate.scenarios import ROLLED
from tests.simulate.simulated import scenario

SAMPLES = Path(__file__).parents[2] / "sample_runs" / "rocker"
CHANNELS = (
    SimulatedChannelConfig(source="time", name="Time", unit="s", decimals=4),
    SimulatedChannelConfig(source="load", name="Fz", unit="N", decimals=6),
    SimulatedChannelConfig(source="motion", name="CoP", unit="mm", decimals=6),
    SimulatedChannelConfig(source="tilt", name="Tilt", unit="deg", decimals=6),
    SimulatedChannelConfig(source="ankle_x", name="AnkleX", unit="mm", decimals=6),
    SimulatedChannelConfig(source="ankle_y", name="AnkleY", unit="mm", decimals=6),
    SimulatedChannelConfig(source="mode", name="Locked", decimals=0),
)


def test_a_rigid_rocker_rolls_without_slip(tmp_path: Path) -> None:
    roll = RollConfig(name="rolled", passes=3, curvature_per_m=2.5, scatter_per_m=0.1, force=700.0)
    result = simulate(
        scenario(IdleConfig(name="zero", duration_s=2.0), roll, rig={"channels": CHANNELS},
                 specimen={"axes": "force-length"}), tmp_path / "run",
    )  # fmt: skip
    (log,) = result.logs
    rows = np.genfromtxt(log, delimiter=",", names=True)
    truth = json.loads(result.truth_file.read_text())["blocks"]
    assert "roll" not in truth[0]
    told = truth[1]["roll"]
    assert len(set(told["curvatures_per_m"])) == 3
    assert told["mean_curvature_per_m"] == pytest.approx(np.mean(told["curvatures_per_m"]))
    loaded = rows[rows["Fz"] > 699.9]
    starts = np.flatnonzero(np.diff(loaded["Time"]) > 1.0) + 1
    for part, curvature in zip(np.split(loaded, starts), told["curvatures_per_m"], strict=True):
        radius, tilt = 1e3 / curvature, np.radians(part["Tilt"])
        # no slip: the contact moves by R dγ
        np.testing.assert_allclose(np.diff(part["CoP"]), radius * np.diff(tilt), atol=1e-3)
        # a wheel: the point of the shank at its centre stays above the contact, a radius up
        arm = radius - 80.0
        centre = part["AnkleX"] + 30.0 * np.cos(tilt) + arm * np.sin(tilt)
        height = part["AnkleY"] - 30.0 * np.sin(tilt) + arm * np.cos(tilt)
        np.testing.assert_allclose(centre, part["CoP"], atol=1e-3)
        np.testing.assert_allclose(height, radius, atol=1e-3)
    assert np.all(np.abs(rows["CoP"][(rows["Fz"] < 1.0) & (rows["Time"] > 2.0)]) > 200.0)  # unloaded: junk


@pytest.mark.parametrize(
    ("changed", "words"), [({"tilt_from": 20.0}, "below tilt_to"), ({"scatter_per_m": 1.0}, "may be flat")]
)
def test_rolls_that_cannot_be(changed: dict[str, float], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        RollConfig.model_validate({"name": "r", "curvature_per_m": 2.0, "force": 700.0, **changed})


@pytest.mark.parametrize("name", sorted(ROLLED))
def test_the_sample_rolls_are_what_the_scenarios_write(tmp_path: Path, name: str) -> None:
    built = ROLLED[name]()
    assert built.name == name
    assert "invented" in built.note.lower()
    result = simulate(built, tmp_path / "run")
    (log,) = result.logs
    shipped = SAMPLES / name / "logs" / log.name
    assert gzip.decompress(shipped.read_bytes()) == gzip.decompress(log.read_bytes())
    both = (SAMPLES / name / "truth/truth.json", result.truth_file)
    truth = [json.loads(path.read_text())["blocks"] for path in both]
    for old, new in zip(*truth, strict=True):
        assert (old["name"], old["rows"], "roll" in old) == (new["name"], new["rows"], "roll" in new)
        if "roll" in new:  # the last bit of a logarithm is the machine's
            assert old["roll"]["curvatures_per_m"] == pytest.approx(new["roll"]["curvatures_per_m"], rel=1e-12)
