"""The one place that asks numba to compile, with a cache where one can be written.

numba raises at import when ``cache=True`` finds no writable place (a read-only
install with no home): then the kernels compile anew in each process.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

CallableT = TypeVar("CallableT", bound=Callable[..., Any])


def _writable(folder: Path) -> bool:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return True
    except OSError:
        return False


def _cache_folder() -> str | None:
    """A folder of the user's for compiled kernels, or None."""
    base = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA")
    try:
        folder = Path(base) / "benchpipe" if base else Path.home() / ".cache" / "benchpipe"
    except RuntimeError:  # no home
        return None
    return str(folder) if _writable(folder) else None


def compiled(function: CallableT) -> CallableT:
    """Compile for arrays, with the GIL released (strict IEEE order of operations)."""
    import numba

    if not numba.config.CACHE_DIR:
        numba.config.CACHE_DIR = _cache_folder() or ""
    cache = bool(numba.config.CACHE_DIR)
    compiled_function: CallableT = numba.njit(nogil=True, cache=cache, error_model="numpy")(function)
    return compiled_function
