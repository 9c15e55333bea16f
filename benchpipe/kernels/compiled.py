"""The one place that asks numba to compile, with a cache where one can be written.

A kernel is given to numba when it is first called: importing a module of kernels loads neither numba nor what it is
made of. numba raises when ``cache=True`` finds no writable place (a read-only install with no home): then the kernels
are compiled in each process.
"""

from __future__ import annotations

import hashlib
import os
import platform
import tempfile
import threading
from collections.abc import Callable
from functools import lru_cache, update_wrapper, wraps
from importlib import import_module
from pathlib import Path
from typing import Any, ParamSpec, TypeVar, cast

CallableT = TypeVar("CallableT", bound=Callable[..., Any])
Given = ParamSpec("Given")
ResultT = TypeVar("ResultT")
StateT = TypeVar("StateT")
# Vector sums are added in an order that follows the width of the vectors. All processors
# with these instructions get the code of the first that had them, and so the same bits.
COMMON_PROCESSOR = "haswell"
VECTORS = {"reassoc", "nsz", "contract"}  # of fast arithmetic, nothing that touches NaN
COMMON_FEATURES = ("avx2", "fma", "bmi2")
NO_C: dict[str, Any] = {"no_cfunc_wrapper": True}  # that only C would call: a tenth of the compile time


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


@lru_cache(maxsize=16)
def _cache_folder(room: Path) -> str | None:
    """A folder of the user's for the compiled kernels of a folder, as they are now, or None."""
    base = next(filter(None, map(os.environ.get, ("NUMBA_CACHE_DIR", "XDG_CACHE_HOME", "LOCALAPPDATA"))), None)
    try:
        folder = (Path(base) if base else Path.home() / ".cache") / "benchpipe" / _sources(room)
    except RuntimeError:  # no home
        return None
    return str(folder) if _writable(folder) else None


def cache_of(module: str) -> Path | None:
    """Folder in which the compiled kernels of a module are kept.

    Parameters
    ----------
    module : str
        Dotted name, of this package.

    Returns
    -------
    Path or None
        None where no folder for them can be written.
    """
    folder = _cache_folder(Path(__file__).parents[1].joinpath(*module.split(".")[1:-1]))
    return None if folder is None else Path(folder)


def kept_kernels() -> bool | None:
    """Whether compiled kernels are there to be used again; None where no folder for them can be written.

    Returns
    -------
    bool or None
        True where a kernel of this version is kept; None: no writable folder.
    """
    folder = _cache_folder(Path(__file__).parent)
    return None if not folder else any(Path(folder).rglob("*.nbi"))


def _use_common_processor(config: Any) -> None:
    from llvmlite import binding

    if config.CPU_NAME or platform.machine().lower() not in ("x86_64", "amd64"):
        return
    features = binding.get_host_cpu_features()
    if all(features.get(name) for name in COMMON_FEATURES):
        config.CPU_NAME = COMMON_PROCESSOR
        config.CPU_FEATURES = ""


_making = threading.RLock()


class _Deferred:
    """Something of numba's that a kernel names, and that is made when it is first needed."""

    def __init__(self, make: Callable[[], Any]) -> None:
        self._make: Callable[[], Any] | None = make
        self._made: Any = None

    def made(self) -> Any:
        """What it is, made once."""
        with _making:
            if self._make is not None:
                make, self._make = self._make, None
                self._made = make()
            return self._made


class Kernel(_Deferred):
    """A function that is compiled when it is first called.

    numba looks up what a kernel calls among the globals of its module: what is deferred there is made first, and takes
    its own place.

    Attributes
    ----------
    py_func : callable
        The function in Python.
    options : dict
        How it is compiled.
    """

    def __init__(self, function: Callable[..., Any], **options: Any) -> None:
        super().__init__(self._dispatcher)
        self._ready: Any = None  # once all that it calls is made, too: another thread may be making it
        self.py_func, self.options = function, options
        update_wrapper(self, function)

    def __call__(self, *given: Any, **named: Any) -> Any:
        """Compile it if that was not done, and call it."""
        if self._ready is None:
            self._ready = self.made()
        return self._ready(*given, **named)

    def _dispatcher(self) -> Any:
        import numba

        config: Any = numba.config
        _use_common_processor(config)
        kernel: Any = numba.njit(nogil=True, error_model="numpy", **NO_C, **self.options)(self.py_func)
        config.CACHE_DIR = _cache_folder(Path(self.py_func.__code__.co_filename).parent) or ""
        if config.CACHE_DIR:
            from benchpipe.kernels.kernel_cache import KernelCache

            kernel._cache = KernelCache(self.py_func)
        self._made = kernel  # before what it calls: two may call each other
        names = self.py_func.__globals__
        # All at once: another thread that finds one there may compile it, and needs the others.
        names.update({name: value.made() for name, value in list(names.items()) if isinstance(value, _Deferred)})
        return kernel


def deferred(module: str, *names: str) -> tuple[Any, ...]:
    """Things of a module that kernels name and Python does not: it is imported when a kernel is made.

    Parameters
    ----------
    module : str
        Dotted name.
    *names : str
        What kernels use of it.

    Returns
    -------
    tuple
        A stand-in for each name, in order.
    """

    def of(name: str) -> _Deferred:
        return _Deferred(lambda: getattr(import_module(module), name))

    return tuple(map(of, names))


def _compile(function: CallableT, **options: Any) -> CallableT:
    return cast(CallableT, Kernel(function, **options))


def compiled(function: CallableT) -> CallableT:
    """Compile for arrays, with the GIL released (strict IEEE order of operations).

    What Python calls gives arrays, numbers and plain tuples of them. A named tuple is made by running Python: an
    interrupt that came while the kernel ran is raised in there, and numba goes on without the tuple, into a crash.

    Parameters
    ----------
    function : callable
        A kernel in the part of Python that numba compiles.

    Returns
    -------
    callable
        To be called like ``function``; it is compiled at its first call for each kind of arguments.
    """
    return _compile(function)


def compiled_scan(
    state: Callable[..., StateT],
) -> Callable[[Callable[Given, tuple[ResultT, tuple[Any, ...]]]], Callable[Given, tuple[ResultT, StateT]]]:
    """Compile a scan that gives what it found and, as a plain tuple, the state after it: Python names that one.

    Parameters
    ----------
    state : callable
        Class of the state, a named tuple: it is made of the plain tuple, field by field.

    Returns
    -------
    callable
        Decorator of the scan; what it makes gives ``(found, state)``.
    """

    def made(function: Callable[Given, tuple[ResultT, tuple[Any, ...]]]) -> Callable[Given, tuple[ResultT, StateT]]:
        kernel = compiled(function)

        @wraps(function)
        def scan(*given: Given.args, **named: Given.kwargs) -> tuple[ResultT, StateT]:
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

    Parameters
    ----------
    function : callable
        As for :func:`compiled`; all that it adds is finite.

    Returns
    -------
    callable
        To be called like ``function``, from Python alone.
    """
    return _compile(function, fastmath=VECTORS)


def inlined_sums(function: CallableT) -> CallableT:
    """Like :func:`compiled_sums`, and put into its callers: a loop is short, and calls cost a third of it.

    Parameters
    ----------
    function : callable
        As for :func:`compiled_sums`.

    Returns
    -------
    callable
        To be called from kernels.
    """
    return _compile(function, fastmath=VECTORS, inline="always")
