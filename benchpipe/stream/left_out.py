"""What libraries import where it is installed, and no command needs.

- pandas: pyarrow imports it at the first value it converts, which takes as long as a page or a comparison.
- scipy.linalg: numba asks it for matrix products within kernels, when it makes its first. Ours have none.
"""

from __future__ import annotations

import sys
from functools import lru_cache
from importlib.abc import MetaPathFinder

PLUGINS = ("benchpipe.blocks", "benchpipe.readers", "benchpipe.columns")
"""Entry points of packages that may use it."""
ASKS = "numba.np.linalg"  # scipy.linalg is there for all others
FRAMES = 12  # from the import to who asks for it


class _LeftOut(MetaPathFinder):
    """Says that these are not installed, unless a plugin is."""

    def find_spec(self, fullname: str, path: object = None, target: object = None) -> None:
        if (fullname == "pandas" or (fullname == "scipy.linalg" and _asked_by_numba())) and not _plugins():
            raise ModuleNotFoundError(f"No module named '{fullname}'", name=fullname)


def _asked_by_numba() -> bool:
    frame = sys._getframe(1)
    for _ in range(FRAMES):
        if frame.f_globals.get("__name__") == ASKS:
            return True
        if frame.f_back is None:
            break
        frame = frame.f_back
    return False


@lru_cache(maxsize=1)
def _plugins() -> bool:
    from importlib.metadata import entry_points

    return not entry_points().groups.isdisjoint(PLUGINS)


def leave_out() -> None:
    """Let libraries find none of it in this process from now on: only for a process that runs commands of ours.

    What is imported already stays.
    """
    if "pandas" not in sys.modules:
        sys.meta_path.insert(0, _LeftOut())
