"""Kernels compiled before a night: which, for what, once, and none where a process is lost."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from benchpipe.kernels.signatures import KERNELS
from benchpipe.kernels.warm import compile_apart, dispatcher_of, numba_type
from tests.make_signatures import as_text, called_in_samples, users

REPO = Path(__file__).parents[2]
COMPILE = """
import json, sys
from benchpipe.kernels.warm import cold_modules, compile_apart
before = cold_modules(set())
compile_apart(sys.argv[1:], 2)
print(json.dumps([before, cold_modules(set())]))
"""
CALL = "import numpy as np; from benchpipe.kernels.finite import surely_finite; surely_finite(np.zeros(9, np.float32))"


def lists(argument: Any) -> Any:
    return [lists(one) for one in argument] if isinstance(argument, tuple) else argument


def run(code: str, folder: Path, *arguments: str) -> str:
    paths = os.pathsep.join(filter(None, [str(REPO), os.environ.get("PYTHONPATH")]))
    env = os.environ | {"PYTHONPATH": paths, "NUMBA_CACHE_DIR": str(folder)}
    command = [sys.executable, "-c", code, *arguments]
    return subprocess.run(command, env=env, check=True, capture_output=True, text=True).stdout


def kept(folder: Path) -> dict[Path, int]:
    return {path: path.stat().st_mtime_ns for path in folder.rglob("*.nb?")}


@pytest.mark.parametrize(("module", "kernels"), [(module, kernels) for module, _, kernels in KERNELS])
def test_each_listed_kernel_is_there_with_types_that_numba_knows(module: str, kernels: tuple[Any, ...]) -> None:
    loaded = vars(import_module(module))
    for name, *arguments in kernels:
        dispatcher = dispatcher_of(loaded[name])
        assert dispatcher.py_func.__code__.co_argcount == len(arguments)
        assert [as_text(numba_type(one, loaded)) for one in arguments] == lists(tuple(arguments))


def test_who_uses_a_module_is_as_listed() -> None:
    found = users()
    assert {module: list(of) for module, of, _ in KERNELS} == {one: found.get(one, []) for one, _, _ in KERNELS}


def test_what_is_compiled_apart_is_found_by_the_first_call(tmp_path: Path) -> None:
    before, after = json.loads(run(COMPILE, tmp_path, "benchpipe.kernels.finite", "benchpipe.ingest.rows"))
    assert set(before) - set(after) == {"benchpipe.kernels.finite", "benchpipe.ingest.rows"}
    files = kept(tmp_path)
    assert len(files) >= 4
    run(CALL, tmp_path)
    assert kept(tmp_path) == files


def test_a_process_that_is_lost_leaves_its_kernels_to_their_first_call(tmp_path: Path) -> None:
    began = time.monotonic()
    before, after = json.loads(run(COMPILE, tmp_path, "benchpipe.kernels.no_such"))
    assert before == after
    assert time.monotonic() - began < 60


def test_where_no_process_can_be_started_nothing_is_compiled(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", "/dev/null/python")
    compile_apart(["benchpipe.kernels.finite"], 2)


@pytest.mark.soak
def test_the_list_holds_all_that_the_sample_runs_call(tmp_path: Path) -> None:
    listed = [[module, name, lists(tuple(rest))] for module, _, kernels in KERNELS for name, *rest in kernels]
    assert sorted(listed) == called_in_samples(tmp_path)
