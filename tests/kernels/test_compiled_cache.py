"""A kernel from the cache gives the bits of one that was compiled a moment ago."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor, wait
from pathlib import Path

import pytest

from benchpipe.kernels.compiled import _Deferred

REPO = Path(__file__).parents[2]
MEASURE = """
import numpy as np
from benchpipe.kernels.loops import measure_loops
draw = np.random.default_rng(0)
load, motion = draw.standard_normal((2, 1001)).cumsum(axis=1)
ends = np.array([[1, 500], [499, 999]])
parts = np.array([0.3, 0.4])
out = measure_loops(np.arange(1001) * 20_000, load, motion, np.empty(0), *ends, parts, parts, 0.2, 0.8, np.ones(1))
print(out.tobytes().hex())
"""


def test_a_kernel_from_the_cache_gives_the_same_bits(tmp_path: Path) -> None:
    paths = os.pathsep.join(filter(None, [str(REPO), os.environ.get("PYTHONPATH")]))
    env = {**os.environ, "PYTHONPATH": paths, "NUMBA_CACHE_DIR": str(tmp_path)}
    command = [sys.executable, "-c", MEASURE]
    fresh, kept = (subprocess.run(command, env=env, check=True, capture_output=True).stdout for _ in range(2))
    assert list(tmp_path.rglob("*.nbc"))
    assert fresh == kept


INNER = """
from benchpipe.kernels.compiled import compiled

@compiled
def inner(x):
    return x + {}
"""
OUTER = """
from benchpipe.kernels.compiled import compiled
from inner import inner as _inner

@compiled
def outer(x):
    return 10.0 * _inner(x)

print(outer(1.0))
"""


def test_a_kernel_is_compiled_anew_when_one_that_it_calls_in_another_file_changed(tmp_path: Path) -> None:
    room = tmp_path / "room"
    room.mkdir()
    paths = os.pathsep.join(filter(None, [str(REPO), str(room), os.environ.get("PYTHONPATH")]))
    env = {**os.environ, "PYTHONPATH": paths, "XDG_CACHE_HOME": str(tmp_path / "cache")}
    env.pop("NUMBA_CACHE_DIR", None)
    (room / "outer.py").write_text(OUTER)
    printed = []
    for more in (1, 1, 2):
        (room / "inner.py").write_text(INNER.format(more))
        command = [sys.executable, "-B", str(room / "outer.py")]
        printed.append(subprocess.run(command, env=env, check=True, capture_output=True, text=True).stdout.strip())
    assert printed == ["20.0", "20.0", "30.0"]
    assert len({path.parent for path in (tmp_path / "cache").rglob("*.nbc")}) == 2


def test_a_second_checkout_compiles_nothing(tmp_path: Path) -> None:
    written = []
    for checkout in ("one", "two"):
        room = tmp_path / checkout / "room"
        room.mkdir(parents=True)
        paths = os.pathsep.join(filter(None, [str(REPO), str(room), os.environ.get("PYTHONPATH")]))
        env = {**os.environ, "PYTHONPATH": paths, "XDG_CACHE_HOME": str(tmp_path / "cache")}
        env.pop("NUMBA_CACHE_DIR", None)
        (room / "inner.py").write_text(INNER.format(1))
        (room / "outer.py").write_text(OUTER)
        subprocess.run([sys.executable, "-B", str(room / "outer.py")], env=env, check=True, capture_output=True)
        written.append({path: path.stat().st_mtime_ns for path in (tmp_path / "cache").rglob("*.nb?")})
    assert written[0] == written[1]
    assert {path.suffix for path in written[0]} == {".nbi", ".nbc"}


def test_a_thread_waits_until_all_that_a_kernel_calls_is_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "kept"))  # an earlier run kept the kernel of a lost module
    began, go = threading.Event(), threading.Event()

    def made() -> int:
        began.set()
        go.wait(60)
        return 3

    file = tmp_path / "slowly_made.py"
    file.write_text(
        "from benchpipe.kernels.compiled import compiled\n\n@compiled\ndef kernel(x):\n    return three * x\n", "utf-8"
    )
    spec = importlib.util.spec_from_file_location("slowly_made", file)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    vars(module)["three"] = _Deferred(made)
    with ThreadPoolExecutor(2) as threads:
        first = threads.submit(module.kernel, 2)
        assert began.wait(60)
        second = threads.submit(module.kernel, 5)
        waits = not wait([second], 1.5).done
        go.set()
        assert [first.result(60), second.result(60)] == [6, 15]
    assert waits
