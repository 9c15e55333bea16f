"""What every test shares: Hypothesis profiles, and the folder of real open measurements."""

from __future__ import annotations

import os
import shutil
import signal
from pathlib import Path

import pytest
from hypothesis import settings

# No deadlines: a busy machine is not a defect. "ci" draws the same examples every time; "dev" searches on.
settings.register_profile("ci", deadline=None, derandomize=True, database=None, print_blob=True)
settings.register_profile("dev", deadline=None)
# In the background of a script Control-C is ignored, and what is started from here would ignore it too.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "ci" if os.environ.get("CI") else "dev"))


@pytest.fixture(scope="session")
def open_data() -> Path:
    """Return the folder of open measurements, or skip where nobody named one."""
    named = os.environ.get("BENCHPIPE_OPEN_DATA")
    if not named:
        pytest.skip("BENCHPIPE_OPEN_DATA is not set")
    folder = Path(named)
    if not folder.is_dir():
        pytest.fail(f"BENCHPIPE_OPEN_DATA names no folder: {folder}")
    return folder


@pytest.fixture(scope="session")
def sample_lab(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Lab file of a copy of the sample runs, worked through once. To change something, copy the folder above it."""
    from benchpipe.cli.runs import run_lab

    folder = tmp_path_factory.mktemp("lab")
    copy_samples(folder)
    run_lab(folder / "sample_runs" / "lab.toml")
    return folder / "sample_runs" / "lab.toml"


def copy_samples(folder: Path) -> Path:
    """Copy the sample runs, without a store, and the limit files they name; return the lab file."""
    repo = Path(__file__).resolve().parents[1]
    shutil.copytree(repo / "sample_runs", folder / "sample_runs", ignore=shutil.ignore_patterns("store", "*.svg"))
    shutil.copytree(repo / "configs", folder / "configs")
    return folder / "sample_runs" / "lab.toml"
