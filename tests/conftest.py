"""What every test shares: Hypothesis profiles, and the folder of real open measurements."""

from __future__ import annotations

import gc
import os
import shutil
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

# No deadlines: a busy machine is not a defect. "ci" draws the same examples every time; "dev" searches on.
settings.register_profile("ci", deadline=None, derandomize=True, database=None, print_blob=True, max_examples=50)
settings.register_profile("dev", deadline=None)
settings.register_profile("soak", deadline=None)
# In the background of a script Control-C is ignored, and what is started from here would ignore it too.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
PROFILE = os.environ.get("HYPOTHESIS_PROFILE", "ci" if os.environ.get("CI") else "dev")
settings.load_profile(PROFILE)


def examples(most: int) -> int:
    """How many examples of a property whose examples take long: all in ``make soak``, else a third, six at least."""
    return most if PROFILE == "soak" else max(min(most, 6), most // 3)


def roomy(function: Callable[..., Any], *given: Any) -> Any:
    """Call a function from a frame so large that all frames above it lie in one piece of memory.

    Python keeps its frames in pieces of 16 KiB, asks the system for one when a call does not fit and gives it back when
    the call returns. Calls in a loop at that depth cost ten times as much, and pytest is deep: compiling the kernel of
    loops took 27 s instead of 9, two thirds of it in the system.
    """
    return function(*given)


roomy.__code__ = roomy.__code__.replace(co_stacksize=140_000)  # words: of a piece of 2 MiB, 0.9 are left


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_protocol(item: pytest.Item, nextitem: pytest.Item | None) -> object:
    """Run a test as pytest does, with room above."""
    return roomy(item.config.pluginmanager.getplugin("runner").pytest_runtest_protocol, item, nextitem)


def pytest_collection_finish() -> None:
    """Look for cyclic garbage less often, and not among what was imported and collected: a look goes through it all."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 10, 10)


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
    from benchpipe.cli.runs import work_night

    folder = tmp_path_factory.mktemp("lab")
    copy_samples(folder)
    work_night(folder / "sample_runs" / "lab.toml", new_store=True)
    return folder / "sample_runs" / "lab.toml"


def copy_samples(folder: Path) -> Path:
    """Copy the sample runs, without a store, and the limit files they name; return the lab file."""
    repo = Path(__file__).resolve().parents[1]
    shutil.copytree(repo / "sample_runs", folder / "sample_runs", ignore=shutil.ignore_patterns("store", "*.svg"))
    shutil.copytree(repo / "configs", folder / "configs")
    return folder / "sample_runs" / "lab.toml"
