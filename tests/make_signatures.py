"""Write the list of kernels that a night compiles: ``python -m tests.make_signatures``.

The sample runs are worked on in a store of their own; what numba holds afterwards is the list.
"""

from __future__ import annotations

import gc
import json
import os
import shutil
import subprocess
import sys
import tempfile
import textwrap
from collections.abc import Iterator
from pathlib import Path
from typing import Any

REPO = Path(__file__).resolve().parents[1]
PAGE = REPO / "benchpipe" / "kernels" / "signatures.py"
INDENT = {"initial_indent": " " * 12, "subsequent_indent": " " * 16}
LABS = ("lab.toml", "two-weeks/lab.toml", "bumper-study/lab.toml", "rocker/lab.toml")
USED = "import gc, sys; from importlib import import_module; import_module(sys.argv[1]); " \
    "from benchpipe.kernels.compiled import Kernel; " \
    "print(*{one.py_func.__module__ for one in gc.get_objects() if isinstance(one, Kernel)})"  # fmt: skip


def compiled_now() -> Iterator[tuple[str, str, Any]]:
    """Module, name and types of the kernels that Python called in this process, if all of them came from the cache.

    What a kernel calls is in the file of that one.
    """
    from numba.core.dispatcher import Dispatcher

    for one in gc.get_objects():
        if isinstance(one, Dispatcher) and one.py_func.__module__.startswith("benchpipe."):
            for signature in one.nopython_signatures:
                yield one.py_func.__module__, one.py_func.__qualname__, signature.args


def as_text(kind: Any) -> Any:
    """A type of numba as it is listed.

    Raises
    ------
    ValueError
        An array that does not lie in one piece: the kernel's caller should see to that.
    """
    from numba import types

    if isinstance(kind, types.Array):
        if kind.layout != "C":
            raise ValueError(f"{kind}: make it contiguous before the kernel is called")
        return f"{'' if kind.mutable else 'const '}{as_text(kind.dtype)}[{','.join(':' * kind.ndim)}]"
    if isinstance(kind, types.BaseTuple):
        name = [kind.instance_class.__name__] if hasattr(kind, "instance_class") else []
        return [*name, *map(as_text, kind)]
    return "boolean" if kind == types.boolean else str(kind)


def called_in_samples(folder: Path) -> list[list[Any]]:
    """Module, kernel and arguments of all kernels that a first night over the sample runs calls, sorted.

    The first of two nights fills the cache, where kernels are missing.
    """
    code = (
        "import json, sys; from pathlib import Path; from benchpipe.night.lab import work_lab; "
        "from tests.make_signatures import as_text, compiled_now, not_ours\n"
        "for lab in sys.argv[1:]: work_lab(Path(lab), bug=not_ours)\n"
        "print(json.dumps([[m, k, list(map(as_text, a))] for m, k, a in compiled_now()]))"
    )
    for night in ("first", "second"):
        place = folder / night
        shutil.copytree(REPO / "sample_runs", place / "sample_runs", ignore=shutil.ignore_patterns("store", "pages"))
        shutil.copytree(REPO / "configs", place / "configs")
        command = [sys.executable, "-c", code, *(str(place / "sample_runs" / lab) for lab in LABS)]
        done = subprocess.run(command, cwd=REPO, capture_output=True, text=True, check=True)
    found = json.loads(done.stdout.splitlines()[-1])
    return sorted(found)


def not_ours(error: BaseException, command: list[str]) -> str:
    """The samples hold no error of ours."""
    raise RuntimeError(f"{command}: {error}") from error


def users() -> dict[str, list[str]]:
    """Which kinds, or logs of text, each module of kernels is for; every night uses the others."""
    from benchpipe.blocks.registry import OURS

    names = {name: f"benchpipe.blocks.{name}.measure" for name in OURS if name != "idle"}
    found: dict[str, list[str]] = {}
    for user, module in {"text": "benchpipe.readers.text", **names}.items():
        done = subprocess.run([sys.executable, "-c", USED, module], capture_output=True, text=True, check=True)
        for one in done.stdout.split():
            found.setdefault(one, []).append(user)
    return {module: [] if len(of) >= len(names) else sorted(of) for module, of in found.items()}


def _seconds(module: str) -> float:
    """CPU time to compile a module's kernels [s], in a process of its own with an empty cache."""
    code = (
        "import sys, time; from benchpipe.kernels.warm import compile_module; compile_module('benchpipe.ingest.rows');"
        "began = time.process_time(); compile_module(sys.argv[1]); print(time.process_time() - began)"
    )
    with tempfile.TemporaryDirectory() as folder:
        env = os.environ | {"NUMBA_CACHE_DIR": folder}
        done = subprocess.run([sys.executable, "-c", code, module], env=env, capture_output=True, text=True, check=True)
    return float(done.stdout)


def _lines(modules: dict[str, list[list[Any]]], of: dict[str, list[str]]) -> Iterator[str]:
    for module, kernels in modules.items():
        yield f"    ({module!r}, {tuple(of.get(module, ()))!r}, ("
        for name, arguments in kernels:
            yield f"        ({name!r},"
            yield from (textwrap.fill(f"{_tuples(one)!r},", 116, **INDENT) for one in arguments)
            yield "        ),"
        yield "    )),"


def _tuples(argument: Any) -> Any:
    return tuple(map(_tuples, argument)) if isinstance(argument, list) else argument


def write(modules: dict[str, list[list[Any]]]) -> None:
    """Write the list, its modules in the order given."""
    head, _, rest = PAGE.read_text(encoding="utf-8").partition("= (\n")
    body = "\n".join(_lines(modules, users())).replace("'", '"')
    PAGE.write_text(f"{head}= (\n{body}\n){rest.partition(chr(10) + ')')[2] or rest.partition(')')[2]}", "utf-8")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as room:
        found = called_in_samples(Path(room))
    listed: dict[str, list[list[Any]]] = {}
    for module, *kernel in found:
        listed.setdefault(module, []).append(kernel)
    write(listed)
    took = {module: _seconds(module) for module in listed}
    write({module: listed[module] for module in sorted(took, key=lambda one: -took[one])})
    print(*(f"{value:6.2f} s  {module}" for module, value in sorted(took.items(), key=lambda one: -one[1])), sep="\n")
