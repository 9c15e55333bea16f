"""benchpipe: rig logs of lockable prosthetic ankles and feet in, a durability verdict out.

In Python: ``run = benchpipe.open_run("my-lab", "wearing")``; see ``help(benchpipe.open_run)``.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from benchpipe.api import BenchpipeError as BenchpipeError
    from benchpipe.api import Run as Run
    from benchpipe.api import open_run as open_run
    from benchpipe.arrays import Cycles as Cycles
    from benchpipe.arrays import find_cycles as find_cycles
    from benchpipe.arrays import fit_creep as fit_creep
    from benchpipe.arrays import measure_loops as measure_loops

__version__ = "0.1.0"

# What a program may use, and where it is: nothing is imported before it is asked for.
_API = ("BenchpipeError", "Run", "open_run")
_ARRAYS = ("Cycles", "find_cycles", "fit_creep", "measure_loops")
__all__ = [
    "BenchpipeError", "Cycles", "Run", "__version__", "find_cycles", "fit_creep", "measure_loops", "open_run",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    if name not in _API + _ARRAYS:
        raise AttributeError(f"module 'benchpipe' has no attribute '{name}'")
    return getattr(import_module("benchpipe.api" if name in _API else "benchpipe.arrays"), name)


def __dir__() -> list[str]:
    return sorted(__all__)
