"""The one place that asks numba to compile, with a cache where one can be written.

numba raises at import when ``cache=True`` finds no writable place (a read-only
install with no home): then the kernels are compiled in each process.
"""

from __future__ import annotations

import hashlib
import os
import platform
import tempfile
from collections.abc import Callable
from functools import lru_cache, wraps
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

CallableT = TypeVar("CallableT", bound=Callable[..., Any])
Given = ParamSpec("Given")
Found = TypeVar("Found")
State = TypeVar("State")
# Vector sums are added in an order that follows the width of the vectors. All processors
# with these instructions get the code of the first that had them, and so the same bits.
COMMON_PROCESSOR = "haswell"
VECTORS = {"reassoc", "nsz", "contract"}  # of fast arithmetic, nothing that touches NaN
COMMON_FEATURES = ("avx2", "fma", "bmi2")


def _writable(folder: Path) -> bool:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return True
    except OSError:
        return False


@lru_cache(maxsize=16)
def _sources(room: Path) -> str:
    """Names the kernels of a folder, and of this one, as they are: numba looks at a kernel's own file only.

    A kernel that calls one in another file holds a copy of it.
    """
    found, here = hashlib.sha256(), Path(__file__).parent
    for path in sorted({*here.glob("*.py"), *room.glob("*.py")}):
        text = path.read_bytes()
        if path.parent == here or b"compiled" in text:
            found.update(text)
    return found.hexdigest()[:12]


@lru_cache(maxsize=1)
def _chosen_folder() -> str:
    """The folder that the user's settings of numba name, before we name one."""
    import numba

    config: Any = numba.config
    return str(config.CACHE_DIR or "")


@lru_cache(maxsize=16)
def _cache_folder(room: Path) -> str | None:
    """A folder of the user's for the compiled kernels of a folder, as they are now, or None."""
    base = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA")
    try:
        folder = (Path(base) if base else Path.home() / ".cache") / "benchpipe" / _sources(room)
    except RuntimeError:  # no home
        return None
    return str(folder) if _writable(folder) else None


def kept_kernels() -> bool | None:
    """Whether compiled kernels are there to be used again; None where no folder for them can be written."""
    folder = _chosen_folder() or _cache_folder(Path(__file__).parent)
    return None if not folder else any(Path(folder).rglob("*.nbi"))


def _use_common_processor(config: Any) -> None:
    from llvmlite import binding

    if config.CPU_NAME or platform.machine().lower() not in ("x86_64", "amd64"):
        return
    features = binding.get_host_cpu_features()
    if all(features.get(name) for name in COMMON_FEATURES):
        config.CPU_NAME = COMMON_PROCESSOR
        config.CPU_FEATURES = ""


def _compile(function: CallableT, **options: Any) -> CallableT:
    import numba

    config: Any = numba.config
    _use_common_processor(config)
    config.CACHE_DIR = _chosen_folder() or _cache_folder(Path(function.__code__.co_filename).parent) or ""
    cache = bool(config.CACHE_DIR)
    made: CallableT = numba.njit(nogil=True, cache=cache, error_model="numpy", **options)(function)
    return made


def compiled(function: CallableT) -> CallableT:
    """Compile for arrays, with the GIL released (strict IEEE order of operations).

    What Python calls gives arrays, numbers and plain tuples of them. A named tuple is made by running Python: an
    interrupt that came while the kernel ran is raised in there, and numba goes on without the tuple, into a crash.
    """
    return _compile(function)


def compiled_scan(
    state: Callable[..., State],
) -> Callable[[Callable[Given, tuple[Found, tuple[Any, ...]]]], Callable[Given, tuple[Found, State]]]:
    """Compile a scan that gives what it found and, as a plain tuple, the state after it: Python names that one."""

    def made(function: Callable[Given, tuple[Found, tuple[Any, ...]]]) -> Callable[Given, tuple[Found, State]]:
        kernel = compiled(function)

        @wraps(function)
        def scan(*given: Given.args, **named: Given.kwargs) -> tuple[Found, State]:
            found, after = kernel(*given, **named)
            return found, state(*after)

        scan.__wrapped__ = kernel
        return scan

    return made


def compiled_sums(function: CallableT) -> CallableT:
    """Like :func:`compiled`, for sums of finite numbers that may be added in vectors.

    The order of additions then follows the number of terms alone: the same samples give
    the same bits, wherever they stand in memory. Call such a kernel from Python alone: a kernel that calls
    it would hold a copy that went through the compiler twice, with sums in another order, and which of the
    two runs depends on what came from the cache. Parts of kernels are :func:`inlined_sums`.
    """
    return _compile(function, fastmath=VECTORS)


def inlined_sums(function: CallableT) -> CallableT:
    """Like :func:`compiled_sums`, and put into its callers: a loop is short, and calls cost a third of it."""
    return _compile(function, fastmath=VECTORS, inline="always")
