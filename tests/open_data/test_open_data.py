"""The main job on open measurements that nobody here made, against values recomputed from them.

Sources (each with its own licence, none of the data is kept here):

- ankle_foot_loops: MIT; a research prosthetic foot on a dynamometer, repository
  "Decoupled-Energy-Storage-and-Release-Foot". Values recomputed with the authors' 15 Hz
  Butterworth filter, which is 12.5 Hz on the true time base.
- friction_damper: CC BY-SA 4.0; repository "Dataset-Friction-Damper-with-Backlash".
"""

from __future__ import annotations

import json
import math
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
RAD = 180.0 / math.pi
KIP_INCH_J = 112.985

ANKLE_STIFFNESS = [96.5, 131.1, 191.2, 227.9, 272.8, 303.9, 317.7, 375.8, 447.2]  # N*m/rad
ANKLE_ENERGY = [0.265, 0.361, 0.632, 0.711, 0.901, 1.045, 1.574, 2.013, 2.497]  # J, sign left out
DAMPER_ENERGY = {  # kip*in
    "ds2_1Hz_30lb_1in": [5.225, 7.165, 7.243, 7.409, 5.098],
    "ds1_1Hz_70lb": [6.268, 8.484, 8.383, 8.325, 6.663, 3.632],
    "ds2_2Hz_0lb_0.5in": [0.545, 0.777, 0.766, 0.786, 0.527],
}


def cycles_of(plan: Path) -> pa.Table:
    """The complete cycles of a plan's run."""
    run = load_run(plan)
    outcome = work(run, until="process")
    table = RunStore(run.store, run.name).read(outcome.manifest, "cycles")
    return table.filter(table.column("complete"))


def test_ankle_foot_loops_give_stiffness_and_energy_within_two_per_cent(open_data: Path, tmp_path: Path) -> None:
    for name in ("ankle_rig.toml", "ankle_plan.toml"):
        shutil.copy(HERE / name, tmp_path)
    shutil.copy(open_data / "ankle_foot_loops" / "loops.mat", tmp_path)
    cycles = cycles_of(tmp_path / "ankle_plan.toml")
    stiffness = np.array(cycles.column("secant_stiffness")) * RAD
    np.testing.assert_allclose(stiffness, ANKLE_STIFFNESS, rtol=0.02)
    np.testing.assert_allclose(np.abs(np.array(cycles.column("energy_j"))), ANKLE_ENERGY, rtol=0.02)


@pytest.mark.parametrize("record", list(DAMPER_ENERGY))
def test_friction_damper_gives_counts_and_energies_within_two_per_cent(
    record: str, open_data: Path, tmp_path: Path
) -> None:
    document = json.loads((open_data / "friction_damper" / f"{record}.json").read_text())
    rows = np.array(document["data"])
    names = ("time", "displacement", "friction force")
    pq.write_table(pa.table({name: rows[:, i] for i, name in enumerate(names)}), tmp_path / f"{record}.parquet")
    for name in ("damper_rig.toml", f"damper_{record}.toml"):
        shutil.copy(HERE / name, tmp_path)
    cycles = cycles_of(tmp_path / f"damper_{record}.toml")
    energy = np.abs(np.array(cycles.column("energy_j"))) / KIP_INCH_J
    assert len(energy) == len(DAMPER_ENERGY[record]), energy
    np.testing.assert_allclose(energy, DAMPER_ENERGY[record], rtol=0.02)
