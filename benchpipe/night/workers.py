"""Runs in parallel, in lasting processes: one that is killed or crashes stops no other run.

A process takes one run after the other, since to start one costs more CPU than most runs. One that ends early, needs
more memory than it may, or takes too long is replaced, and its run is tried once more. If the job itself dies, its
processes notice and end at once, before they would write anything without the lock.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
import time
from collections import deque
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from multiprocessing import resource_tracker
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from pathlib import Path

from benchpipe.errors import ExitCode
from benchpipe.night.task import Done, Task, WorkerEvent
from benchpipe.stream.left_out import leave_out
from benchpipe.stream.matrix_threads import take_one_thread
from benchpipe.stream.memory import collect_rarely, resident_mb

GRACE_S = 5.0
LOOK_S = 0.5  # so often memory and time of the processes are looked at
TRIES = 2
KEEP_MB = 1500.0  # a process that holds more after a run is replaced
CRASHES = ("SIGSEGV", "SIGBUS", "SIGILL", "SIGFPE", "SIGABRT")


@dataclass(frozen=True)
class RunLimits:
    """What one run may take: memory of its process [MB] and time [s]; None: as much as it needs."""

    memory_mb: float | None = None
    time_s: float | None = None


NO_LIMITS = RunLimits()


@dataclass
class _Worker:
    """A process; ``task`` is the run it works on, and ``why`` is set where it is ended for that."""

    process: BaseProcess
    line: Connection
    task: Task | None = None
    since: float = 0.0
    why: str = ""


def work_apart(tasks: Iterable[Task], jobs: int, limits: RunLimits = NO_LIMITS) -> Iterator[WorkerEvent]:
    """Work on runs, at most ``jobs`` at once, and yield what happens. The caller holds the store.

    However this is left, no process of it is left running.
    """
    waiting, tried = deque(tasks), dict[Path, int]()
    workers: list[_Worker] = []
    try:
        while waiting or any(worker.task for worker in workers):
            yield from _given(waiting, tried, workers, jobs)
            _look(workers, limits)
            busy = {worker.line: worker for worker in workers if worker.task is not None}
            for line in wait(list(busy), LOOK_S if limits != NO_LIMITS else None):
                worker = busy[line]  # type: ignore[index]
                event = _received(worker)
                if event.kind == "ends" and worker not in _alive(workers) and _again(event, worker, tried):
                    waiting.append(event.task)
                    event = WorkerEvent("again", event.task, _reason(worker))
                yield event
            workers = _alive(workers)
    finally:
        for worker in workers:
            _stopped(worker)


def _given(
    waiting: deque[Task], tried: dict[Path, int], workers: list[_Worker], jobs: int
) -> Iterator[WorkerEvent]:  # fmt: skip
    """Give runs that wait to processes that are free, new ones where there are too few."""
    while waiting:
        free = next((worker for worker in workers if worker.task is None), None)
        if free is None:
            if len(workers) >= jobs:
                return
            workers.append(free := _started())
        free.task, free.since = waiting.popleft(), time.monotonic()
        tried[free.task.plan] = tried.get(free.task.plan, 0) + 1
        with suppress(OSError):  # it has ended: that is seen when it is listened to
            free.line.send(free.task)
        if tried[free.task.plan] == 1:
            yield WorkerEvent("begins", free.task)


def _started() -> _Worker:
    """Begin a process from nothing: a fork would take this one's threads' locks along, and not the threads."""
    os.environ.setdefault("MALLOC_ARENA_MAX", "2")  # of glibc: else each thread there keeps free memory of its own
    context = multiprocessing.get_context("spawn")
    line, theirs = context.Pipe()
    process = context.Process(target=_run, args=(theirs,), name="benchpipe worker", daemon=True)
    with _interrupts_held():
        process.start()
    theirs.close()
    return _Worker(process, line)


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Let Control-C wait. A process begun meanwhile never gets one: it reaches the whole group, and the job answers."""
    if sys.platform == "win32":
        yield
        return
    resource_tracker.ensure_running()  # begun with the first process otherwise, and lets interrupts through again
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _received(worker: _Worker) -> WorkerEvent:
    """The next word of a process, or how it ended without one."""
    task = worker.task
    if task is None:
        raise RuntimeError("a process without a run has nothing to say")
    try:
        said = worker.line.recv()
    except (EOFError, OSError):
        worker.process.join()
        worker.line.close()
        return WorkerEvent("ends", task, done=_ended(task, _reason(worker), worker))
    if isinstance(said, str):
        return WorkerEvent("reads", task, said)
    done, held_mb = said
    worker.task = None
    if held_mb > KEEP_MB:
        _stopped(worker)
    return WorkerEvent("ends", task, done=done)


def _look(workers: list[_Worker], limits: RunLimits) -> None:
    """End processes whose run takes more than it may."""
    for worker in workers:
        if worker.task is None or worker.why:
            continue
        held = resident_mb(worker.process.pid)
        took = time.monotonic() - worker.since
        if limits.memory_mb is not None and held > limits.memory_mb:
            worker.why = f"it held {held:,.0f} MB of memory, allowed are {limits.memory_mb:,.0f} MB"
        elif limits.time_s is not None and took > limits.time_s:
            worker.why = f"it took {took:,.0f} s, allowed are {limits.time_s:,.0f} s"
        if worker.why:
            worker.process.kill()


def _alive(workers: list[_Worker]) -> list[_Worker]:
    return [worker for worker in workers if not worker.line.closed]


def _again(event: WorkerEvent, worker: _Worker, tried: dict[Path, int]) -> bool:
    """Whether a run is tried again: it was lost with its process, and that for the first time."""
    return worker.task is not None and tried[event.task.plan] < TRIES


def _reason(worker: _Worker) -> str:
    """How a process ended."""
    if worker.why:
        return f"the process that worked on it was ended: {worker.why}"
    return f"the process that worked on it was ended ({_signal(worker)})"


def _signal(worker: _Worker) -> str:
    code = worker.process.exitcode or 0
    return signal.Signals(-code).name if code < 0 else f"exit code {code}"


def _ended(task: Task, reason: str, worker: _Worker) -> Done:
    """A process that ended before its run did."""
    from benchpipe.views.run_view import failed_view

    bug = not worker.why and (_signal(worker) in CRASHES or (worker.process.exitcode or 0) >= 0)
    hint = "run again, nothing is lost; if memory was short (the system's log says so), with fewer --jobs"
    if bug:
        hint = "run again; if it happens again, send this line to the people who maintain benchpipe"
    if worker.why:
        hint = "raise the limit in [engine] of the lab file, or see why this run needs so much; nothing is lost"
    view = failed_view(task.plan, f"{reason}\n  do next:  {hint}", task.name)
    return Done(ExitCode.BUG if bug else ExitCode.INTERRUPTED, view)


def _stopped(worker: _Worker) -> None:
    """End a process: nothing of what it has begun counts yet."""
    worker.process.terminate()
    worker.process.join(GRACE_S)
    if worker.process.is_alive():
        worker.process.kill()
        worker.process.join()
    worker.line.close()


def _run(line: Connection) -> None:
    """Work on one run after the other in this process, and say how each went."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    collect_rarely()
    leave_out()
    take_one_thread()
    from benchpipe.night.run import work_run
    from benchpipe.stream.memory import give_back

    with suppress(BrokenPipeError, EOFError):
        while True:
            done = work_run(line.recv(), line.send)
            give_back()
            line.send((done, resident_mb(os.getpid())))


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(1)
