"""Before the first run of a night is worked on: are the kernels that it uses compiled for this machine?"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from benchpipe.kernels.warm import cold_modules, compile_apart

if TYPE_CHECKING:
    from benchpipe.run import RunConfig


def warm_kernels(runs: Iterable[RunConfig], on_progress: Callable[[str], None]) -> None:
    """Compile what the runs use and no night before has, in several processes at once, and report it.

    With one processor nothing is gained: each kernel is then compiled at its first call.

    Parameters
    ----------
    runs : iterable of RunConfig
        Runs that have something new.
    on_progress : callable
        Called with a line before and one after; not where all kernels are there.
    """
    uses = {use for run in runs for use in uses_of(run)}
    modules, processes = cold_modules(uses), processors()
    if not uses or not modules or processes < 2:
        return
    on_progress("compiling the kernels for this machine: once, about a quarter of a minute")
    began = time.perf_counter()
    compile_apart(modules, processes)
    count = len(modules) - len(cold_modules(uses))
    on_progress(f"kernels of {count} modules compiled in {time.perf_counter() - began:.0f} s")


def uses_of(run: RunConfig) -> set[str]:
    """What a run uses of the list of kernels: the kinds of its blocks, and whether its logs are text."""
    return {block.kind for block in run.plan.block} | {"text" if run.rig.log.format == "text" else "binary"}


def processors() -> int:
    """Processors that this job may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
