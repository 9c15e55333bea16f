"""A night that dies at a chosen point: before or after the n-th fsync or rename of the store.

``python -m tests.soak.dies PLAN STORE POINT``: exit code 99 where it came to it, else 0.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from benchpipe.config.run import load_run
from benchpipe.pipeline import work


def dying(plain: Callable[..., Any], left: list[int]) -> Callable[..., Any]:
    """``plain``, but death before or after it when it is its turn."""

    def call(*arguments: Any) -> Any:
        for moment in ("before", "after"):
            left[0] -= 1
            if left[0] < 0:
                os._exit(99)
            if moment == "before":
                result = plain(*arguments)
        return result

    return call


def main(plan: str, store: str, point: str) -> None:
    """Work on a run until it is time to die."""
    left = [int(point)]
    os.fsync = dying(os.fsync, left)
    Path.replace = dying(Path.replace, left)  # type: ignore[method-assign]
    work(load_run(Path(plan), Path(store)))


if __name__ == "__main__":
    main(*sys.argv[1:])
