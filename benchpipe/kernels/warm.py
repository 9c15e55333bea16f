"""Compile the kernels that a night will use before it needs them, in several processes.

numba compiles one kernel at a time in a process: it holds the GIL and a lock of its own. So each process compiles the
kernels of a module and then asks for the next. What they write is read from the cache by all that come later. Which
kernels, for which arguments: :mod:`benchpipe.kernels.signatures`.
"""

from __future__ import annotations

import gc
import json
import signal
import subprocess
import sys
from collections import deque
from collections.abc import Collection
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from importlib import import_module, metadata
from pathlib import Path
from subprocess import DEVNULL, PIPE
from types import FunctionType
from typing import Any

from benchpipe.kernels.compiled import Kernel, cache_of
from benchpipe.kernels.signatures import KERNELS, Argument

START = (
    "import json, sys; sys.path[:] = json.loads(sys.argv[1]); "
    "from benchpipe.kernels.warm import serve; serve()"
)
MOST_PROCESSES = 4  # two of the modules take a quarter of the time each
DONE = "warm"  # name of the note that all kernels of a module are there


def cold_modules(uses: Collection[str]) -> list[str]:
    """Modules whose kernels have to be compiled, those that take longest first.

    Parameters
    ----------
    uses : collection of str
        Kinds of blocks, and ``text`` for logs that are text. What every night uses need not be named.

    Returns
    -------
    list of str
        Dotted names; empty where no folder for kernels can be written.
    """
    wanted = [module for module, of, _ in KERNELS if not of or not set(of).isdisjoint(uses)]
    marks = {module: _mark(module) for module in wanted}
    return [module for module, mark in marks.items() if mark is not None and not mark.exists()]


def _mark(module: str) -> Path | None:
    folder = cache_of(module)
    version = f"{sys.implementation.cache_tag}.numba-{metadata.version('numba')}"
    return None if folder is None else folder / f"{module}.{version}.{DONE}"


def compile_apart(modules: Collection[str], processes: int) -> None:
    """Compile the kernels of modules in processes of their own, and wait for them.

    One that fails leaves its kernels to their first call. However this is left, no process goes on.

    Parameters
    ----------
    modules : collection of str
        Dotted names, those that take longest first.
    processes : int
        How many at once.
    """
    command = [sys.executable, "-c", START, json.dumps(sys.path)]
    waiting, begun = deque(modules), list[subprocess.Popen[str]]()
    try:
        with suppress(OSError):  # no process can be had
            for _ in range(min(processes, MOST_PROCESSES, len(waiting))):
                begun.append(subprocess.Popen(command, stdin=PIPE, stdout=PIPE, stderr=DEVNULL, text=True))
        with ThreadPoolExecutor(max(len(begun), 1)) as threads:
            try:
                list(threads.map(lambda process: _feed(process, waiting), begun))
            finally:
                for process in begun:  # else the threads would wait for them
                    process.kill()
    finally:
        for process in begun:
            process.kill()
            process.communicate()


def _feed(process: subprocess.Popen[str], waiting: deque[str]) -> None:
    """Give a process one module after the other until none waits or it has ended."""
    if process.stdin is None or process.stdout is None:
        return
    with suppress(OSError, IndexError):
        while True:
            process.stdin.write(waiting.popleft() + "\n")
            process.stdin.flush()
            if not process.stdout.readline():
                return


def serve() -> None:
    """Compile the kernels of each module whose name comes in, and answer when they are there."""
    gc.set_threshold(200_000, 20, 100)  # what a compiler makes lives long: looking through it is a tenth of the time
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # it reaches the whole group, and the job answers
    for line in sys.stdin:
        compile_module(line.strip())
        sys.stdout.write(line)
        sys.stdout.flush()


def compile_module(module: str) -> None:
    """Compile the listed kernels of a module, and note it.

    Parameters
    ----------
    module : str
        Dotted name.
    """
    loaded = vars(import_module(module))
    for name, *arguments in next(kernels for one, _, kernels in KERNELS if one == module):
        with suppress(Exception):  # its first call says what is wrong with it
            dispatcher_of(loaded[name]).compile(tuple(numba_type(argument, loaded) for argument in arguments))
    mark = _mark(module)
    if mark is not None:
        mark.touch()


def dispatcher_of(function: Any) -> Any:
    """What numba made of a kernel.

    Parameters
    ----------
    function : callable
        As a module has it: a kernel, made or not, or a scan.

    Returns
    -------
    numba dispatcher
    """
    kernel = vars(function)["__wrapped__"] if isinstance(function, FunctionType) else function
    return kernel.made() if isinstance(kernel, Kernel) else kernel


def numba_type(argument: Argument, names: dict[str, Any]) -> Any:
    """The type that numba gives an argument.

    Parameters
    ----------
    argument : str or tuple
        As in :data:`benchpipe.kernels.signatures.KERNELS`.
    names : dict
        Of the kernel's module: classes of named tuples.

    Returns
    -------
    numba.types.Type
    """
    from numba import types

    numba: Any = types
    if isinstance(argument, str):
        constant, _, scalar = argument.rpartition(" ")
        scalar, _, axes = scalar.partition("[")
        kind = getattr(numba, scalar)
        return numba.Array(kind, axes.count(":"), "C", readonly=bool(constant)) if axes else kind
    first = argument[0] if argument else ""
    if isinstance(first, str) and first in names:
        return numba.BaseTuple.from_types([numba_type(one, names) for one in argument[1:]], names[first])
    return numba.BaseTuple.from_types([numba_type(one, names) for one in argument])
