"""What works on the runs of a night: processes of this machine, or workers of a scheduler elsewhere."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from benchpipe.night.task import Task, WorkerEvent

if TYPE_CHECKING:
    from benchpipe.config.engine import EngineConfig


class Executor(Protocol):
    """Works on runs; each is a task of its own, and to work on one twice changes nothing.

    ``alone``: a run that looks as if there is little to do need not leave this process.
    """

    @property
    def alone(self) -> bool:
        """Whether all runs are worked on in this process."""

    def work(self, tasks: Sequence[Task]) -> Iterator[WorkerEvent]:
        """Work on runs, and yield what happens; the caller holds the store. However it is left, no run goes on."""


@dataclass(frozen=True)
class LocalExecutor:
    """Lasting processes of this machine."""

    jobs: int
    memory_mb: float | None = None
    longest_s: float | None = None

    @property
    def alone(self) -> bool:
        """Whether one run at a time is asked for, and no limit that needs a process of its own."""
        return self.jobs <= 1 and self.memory_mb is None and self.longest_s is None

    def work(self, tasks: Sequence[Task]) -> Iterator[WorkerEvent]:
        """Work on runs (see :func:`benchpipe.night.workers.work_apart`)."""
        from benchpipe.night.workers import RunLimits, work_apart

        return work_apart(tasks, max(self.jobs, 1), RunLimits(self.memory_mb, self.longest_s))


def executor_of(engine: EngineConfig, jobs: int, lab: Path) -> Executor:
    """The executor that a lab file asks for; ``jobs`` is for this machine."""
    if engine.kind == "dask":
        from benchpipe.night.dask_engine import DaskExecutor

        return DaskExecutor(str(engine.scheduler), lab, engine.longest_run)
    return LocalExecutor(jobs, engine.memory_mb, engine.longest_run)
