"""Sweeps of a device with real backlash and stick-slip, against a plain computation from the same file.

friction_damper: CC BY-SA 4.0; repository "Dataset-Friction-Damper-with-Backlash". Loop energies recomputed on
upward crossings of displacement (see test_open_data.py); the dead zone at the reversals is recomputed here.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.store.run_store import RunStore

HERE = Path(__file__).parent
RECORD = "ds2_1Hz_30lb_1in"
ENERGY_J = [e * 112.985 for e in (5.225, 7.165, 7.243, 7.409, 5.098)]  # from kip*in
INCH, KIP = 25.4, 4448.2216152605


def dead_zones(x: np.ndarray, force: np.ndarray, level: float) -> list[float]:
    """Motion after each turn at full amplitude in which the force is less than an eighth of its level."""
    zones = []
    for sign in (1.0, -1.0):
        s, f = sign * x, sign * force
        turns = [i for i in range(200, x.size - 400) if s[i] == s[i - 200 : i + 200].max() > 0.9 * s.max()]
        for i in turns:
            leaves = i + int(np.argmax(f[i:] < 0.125 * level))
            comes = i + int(np.argmax(f[i:] < -0.125 * level))
            zones.append(float(s[leaves] - s[comes]))
    return zones


def test_a_real_backlash_and_its_loop_are_measured(open_data: Path, tmp_path: Path) -> None:
    rows = np.array(json.loads((open_data / "friction_damper" / f"{RECORD}.json").read_text())["data"])
    names = ("time", "displacement", "friction force")
    pq.write_table(pa.table({name: rows[:, i] for i, name in enumerate(names)}), tmp_path / f"{RECORD}.parquet")
    for name in ("damper_rig.toml", "damper_sweep.toml"):
        shutil.copy(HERE / name, tmp_path)
    run = load_run(tmp_path / "damper_sweep.toml")
    outcome = work(run, until="process")
    store = RunStore(run.store, run.name)
    sweeps = store.read(outcome.manifest, "sweeps").to_pylist()
    np.testing.assert_allclose([s["energy_j"] for s in sweeps], ENERGY_J, rtol=0.02)
    # backlash: the middle of what a plain reading of each reversal gives
    x, force = rows[:, 1] * INCH, rows[:, 2] * KIP
    level = float(np.median(np.abs(force[np.abs(x) < 0.5 * INCH])))
    plain = float(np.median(dead_zones(x, force, level)))
    for sweep in sweeps[1:4]:  # at full amplitude all through
        assert sweep["backlash"] == pytest.approx(plain, rel=0.25)
        assert sweep["backlash_u"] < 0.5 * sweep["backlash"]
        # no stop is there, and none is seen
        assert sweep["range_of_motion"] is None
        assert "upper end stop: not reached" in sweep["remark"]
        assert min(sweep["resistance_forward"], sweep["resistance_back"]) > level
    points = np.abs(store.read(outcome.manifest, "resistance_points").column("load").to_numpy())
    assert np.median(points) == pytest.approx(level, rel=0.1)
    # it is driven as a sine and slips: the speeds in the middle do not tell the parts apart
    together = [r for r in store.read(outcome.manifest, "resistance").to_pylist() if r["sweep"] is None]
    assert len(together) == 2
    for row in together:
        assert row["orifice"] is None
        assert row["remark"]
