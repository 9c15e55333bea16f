"""A kind of block from another package goes from plan to samples, table, verdict, screen and JSON (invented data)."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

REPO = Path(__file__).resolve().parents[2]
FILES = {
    "toy-1.dist-info/METADATA": "Metadata-Version: 2.1\nName: toy\nVersion: 1\n",
    "toy-1.dist-info/entry_points.txt": "[benchpipe.blocks]\ndwell = tests.blocks.toy_kind:DWELL\n",
    "lab/lab.toml": 'name = "lab"\nplans = ["run/plan.toml"]\nstore = "store"\n[health]\nwatch = []\n',
    "lab/run/rig.toml": """name = "r"
time = { kind = "elapsed", column = "time", sample_rate = "50 Hz" }
load = { channel = "force" }
motion = { channel = "disp" }
[[channel]]
name = "force"
column = "force"
unit = "N"
uncertainty = "0.5 %"
[[channel]]
name = "disp"
column = "disp"
unit = "mm"
uncertainty = "0.5 %"
""",
    "lab/run/limits.toml": """name = "own"
basis = "invented"
[[limit]]
name = "long enough"
block = "main"
measure = "dwell_time"
statistic = "min"
operator = ">="
value = "5 s"
source = "invented"
""",
    "lab/run/plan.toml": """name = "run"
specimen = "invented"
rig = "rig.toml"
logs = ["logs/*"]
limits = ["limits.toml"]
[[block]]
name = "main"
kind = "dwell"
above = "50 N"
planned_dwells = 2
""",
}


@pytest.fixture
def root(tmp_path: Path) -> Path:
    rows = (f"{k / 50:.2f},{100.0 if k % 1000 < 400 else 1.0:.1f},0.5" for k in range(2000))
    logs = {"lab/run/logs/a.csv": "time,force,disp\n" + "\n".join(rows) + "\n"}
    for name, text in (FILES | logs).items():
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return tmp_path


def benchpipe(root: Path, *words: str) -> subprocess.CompletedProcess[str]:
    paths = os.pathsep.join((str(root), str(REPO), os.environ.get("PYTHONPATH", "")))
    return subprocess.run(
        [sys.executable, "-m", "benchpipe", *words], cwd=root / "lab", capture_output=True, text=True, check=False,
        env=os.environ | {"PYTHONPATH": paths, "NO_COLOR": "1"},
    )  # fmt: skip


def test_from_plan_to_screen_json_and_export(root: Path) -> None:
    night = benchpipe(root, "nightly", "lab.toml")
    assert night.returncode == 0, night.stderr + night.stdout
    assert "dwelling" in night.stdout
    assert "mean load" in night.stdout
    assert "pass" in night.stdout
    shown = json.loads(benchpipe(root, "show", "run", "--json").stdout)
    (run,) = shown["runs"]
    (limit,) = run["limits"]
    assert (limit["limit"], limit["verdict"], limit["used"]) == ("long enough", "pass", 2)
    assert (run["blocks"][0]["done"], run["blocks"][0]["things"]) == (2, "dwells")
    exported = benchpipe(root, "export", "run", "dwells")
    assert exported.stdout.splitlines()[0].startswith('"block","dwell","start_us","duration_s"')
    assert len(exported.stdout.splitlines()) == 3


def test_a_kind_that_nobody_installed_is_named_with_its_line(root: Path) -> None:
    (root / "toy-1.dist-info" / "entry_points.txt").unlink()
    night = benchpipe(root, "ingest", "run/plan.toml")
    assert night.returncode == 2
    assert "plan.toml:8" in night.stderr
    assert "dwell" in night.stderr
    assert "cyclic" in night.stderr


def test_one_that_cannot_be_loaded_says_so(root: Path) -> None:
    (root / "toy-1.dist-info" / "entry_points.txt").write_text("[benchpipe.blocks]\ndwell = no_such_module:X\n")
    night = benchpipe(root, "ingest", "run/plan.toml")
    assert night.returncode == 2
    assert "the kind of block 'dwell' of another package cannot be used" in night.stderr
