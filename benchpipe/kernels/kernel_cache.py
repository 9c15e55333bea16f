"""Where numba keeps a compiled kernel: by the name of its module, wherever the checkout lies.

numba's own caches have a folder for each path of a source file, so a second checkout would compile all kernels again.
The folder in ``numba.config.CACHE_DIR`` belongs to one state of the sources (see
:mod:`benchpipe.kernels.compiled`): neither a path nor the file is looked at here. This module imports numba.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from numba.core import caching, config

_config: Any = config
_Cache: Any = caching.FunctionCache
_Implementation: Any = caching.CompileResultCacheImpl
_Locator: Any = caching._CacheLocator


class ByModule(_Locator):  # type: ignore[misc]
    """Folder of a kernel's room; the name of the module and the line of the kernel are in the file's name."""

    def __init__(self, py_func: Any, py_file: str) -> None:
        self._py_file, self._lineno = py_file, py_func.__code__.co_firstlineno

    def get_cache_path(self) -> str:
        """Folder of the kernel."""
        return str(Path(_config.CACHE_DIR) / Path(self._py_file).parent.name)

    def get_source_stamp(self) -> str:
        """What else has to be as it was: nothing, the folder is one of these sources."""
        return ""

    def get_disambiguator(self) -> str:
        """What differs between kernels of one name in a module."""
        return str(self._lineno)

    @classmethod
    def from_function(cls, py_func: Any, py_file: str) -> ByModule | None:
        """The place of a kernel; None where it cannot be written."""
        place = cls(py_func, py_file)
        try:
            place.ensure_cache_path()
        except OSError:
            return None
        return place


class _Kept(_Implementation):  # type: ignore[misc]
    _locator_classes = [ByModule]  # noqa: RUF012 - numba's


class KernelCache(_Cache):  # type: ignore[misc]
    """numba's cache of one kernel, with that place."""

    _impl_class = _Kept
