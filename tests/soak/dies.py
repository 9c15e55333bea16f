"""Nights that die.

``python -m tests.soak.dies PLAN STORE POINT`` works on one run and dies before or after the n-th
fsync, rename or removal of the store: exit code 99 where it came to it, else 0.

``python -m tests.soak.dies LAB`` works on a lab, so that all is imported and compiled, and then
reads lines of JSON from standard input, each a command line of benchpipe and how it is to die:
``{"arguments": […], "point": 7}`` or ``{"arguments": […], "after_s": 0.3}``. Each is a process of
its own, forked from this one. The answer is its exit code (99: died at its point, -9: killed).
"""

from __future__ import annotations

import json
import os
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from benchpipe.cli.main import call
from benchpipe.pipeline import work
from benchpipe.run import load_run

POINTS = ((os, "fsync"), (Path, "replace"), (Path, "unlink"))


def dying(plain: Callable[..., Any], left: list[int]) -> Callable[..., Any]:
    """``plain``, but death before or after it when it is its turn."""

    def dies(*arguments: Any, **named: Any) -> Any:
        for moment in ("before", "after"):
            left[0] -= 1
            if left[0] < 0:
                os._exit(99)
            if moment == "before":
                result = plain(*arguments, **named)
        return result

    return dies


def die_at(point: int) -> None:
    """Die at the n-th of all moments before and after a fsync, a rename or a removal."""
    left = [point]
    for owner, name in POINTS:
        setattr(owner, name, dying(getattr(owner, name), left))


def night(arguments: list[str], point: int | None) -> int:
    """Be that process."""
    if point is not None:
        die_at(point)
    return int(call(arguments))


def serve(lab: str) -> None:
    """Start a process for each line, kill it when it is time, tell its exit code."""
    with os.fdopen(os.dup(1), "w", buffering=1) as answers:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # what the nights say is not asked for
        call(["nightly", lab, "--brief"])
        for line in sys.stdin:
            print(died(json.loads(line)), file=answers)


def died(asked: dict[str, Any]) -> int:
    """Exit code of a process that is killed when it is time."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            code = night(asked["arguments"], asked.get("point"))
        finally:
            os._exit(code)
    if "after_s" in asked:
        time.sleep(asked["after_s"])
        os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    return os.waitstatus_to_exitcode(status)


if __name__ == "__main__":
    if len(sys.argv) == 4:
        die_at(int(sys.argv[3]))
        work(load_run(Path(sys.argv[1]), Path(sys.argv[2])))
    else:
        serve(sys.argv[1])
