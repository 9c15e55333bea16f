"""Two walking steps that another lab recorded, read with nothing but a rig file and a plan.

roll_steps: CC BY 4.0, Marcos Duarte, repository "BMClab/BMC", commit fa66686: markers in mm at 150 Hz, seven force
plates at 450 Hz. The values below were recomputed from the files by plain arithmetic: stance from 20 N on, its part
from 5 to 81 %, the centre of pressure at the times of the markers, orthogonal least squares.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.store.run_store import RunStore

HERE = Path(__file__).parent
# block: curvature 1/m, rms mm, rolling slope m, tilt from, to
LATERAL = {"right-lateral": (1.737, 1.137, 0.3699, -8.5, 22.0), "left-lateral": (1.572, 0.754, 0.3114, -9.4, 22.3)}
MIDDLE = {"right-middle": (0.416, 0.346), "left-middle": (0.480, 0.295)}  # radius m, rolling slope m


def test_two_steps_of_another_lab(open_data: Path, tmp_path: Path) -> None:
    for name in ("steps_rig.toml", "steps_plan.toml"):
        shutil.copy(HERE / name, tmp_path)
    for name in ("walk1.trc", "walk1.forces"):
        shutil.copy(open_data / "roll_steps" / name, tmp_path)
    run = load_run(tmp_path / "steps_plan.toml")
    outcome = work(run, until="process")
    table = RunStore(run.store, run.name, run.tables).read(outcome.manifest, "rolls")
    rows = {row["block"]: row for row in table.to_pylist()}
    assert set(rows) == {*LATERAL, *MIDDLE}
    for block, (curvature, rms, slope, low, high) in LATERAL.items():
        row = rows[block]
        assert row["curvature_per_m"] == pytest.approx(curvature, rel=0.01)
        assert row["rms_mm"] == pytest.approx(rms, rel=0.01)
        assert row["slope_mm"] == pytest.approx(1e3 * slope, rel=0.01)
        assert (row["tilt_low_deg"], row["tilt_high_deg"]) == pytest.approx((low, high), abs=0.06)
    for block, (radius, slope) in MIDDLE.items():
        row = rows[block]
        assert 1 / row["curvature_per_m"] == pytest.approx(radius, rel=0.01)
        assert row["slope_mm"] == pytest.approx(1e3 * slope, rel=0.01)
    # another axis is another number, by far more than the arithmetic: 13 to 50 % published for this record
    for side in ("right", "left"):
        ratio = rows[f"{side}-middle"]["curvature_per_m"] / rows[f"{side}-lateral"]["curvature_per_m"]
        assert 1.13 < ratio < 1.5
