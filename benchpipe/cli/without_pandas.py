"""Commands that only look need no pandas; pyarrow imports it, where it is installed, at the first value it converts.

That takes longer than all the rest of a page or a comparison.
"""

from __future__ import annotations

import sys
from importlib.abc import MetaPathFinder
from importlib.metadata import entry_points


class _NoPandas(MetaPathFinder):
    """Says that there is no pandas."""

    def find_spec(self, fullname: str, path: object = None, target: object = None) -> None:
        if fullname == "pandas":
            raise ModuleNotFoundError("No module named 'pandas'", name=fullname)


def leave_pandas_out() -> None:
    """Let pyarrow look for pandas once in this process, and find none: only for a process that runs one command.

    Not where a package brings kinds of block of its own, which may use it, nor where pandas is imported already.
    """
    if "pandas" in sys.modules or entry_points(group="benchpipe.blocks"):
        return
    import pyarrow as pa

    finder = _NoPandas()
    sys.meta_path.insert(0, finder)
    try:
        pa.scalar(0)
    finally:
        sys.meta_path.remove(finder)
