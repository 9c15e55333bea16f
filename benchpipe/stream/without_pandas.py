"""Commands need no pandas; pyarrow imports it, where it is installed, at the first value it converts.

That takes as long as a page or a comparison, or a tenth of a night.
"""

from __future__ import annotations

import sys
from functools import lru_cache
from importlib.abc import MetaPathFinder

PLUGINS = ("benchpipe.blocks", "benchpipe.readers", "benchpipe.columns")
"""Entry points of packages that may use it."""


class _NoPandas(MetaPathFinder):
    """Says that there is no pandas, unless a plugin is installed."""

    def find_spec(self, fullname: str, path: object = None, target: object = None) -> None:
        if fullname == "pandas" and not _plugins():
            raise ModuleNotFoundError("No module named 'pandas'", name=fullname)


@lru_cache(maxsize=1)
def _plugins() -> bool:
    from importlib.metadata import entry_points

    return not entry_points().groups.isdisjoint(PLUGINS)


def leave_pandas_out() -> None:
    """Let pyarrow find no pandas in this process from now on: only for a process that runs commands of ours.

    Not where pandas is imported already.
    """
    if "pandas" not in sys.modules:
        sys.meta_path.insert(0, _NoPandas())
