"""Run in parallel, each run in a process of its own: one that is killed or crashes stops no other.

A process ends with its run, and so does the memory it used. If the job itself dies, its
processes notice and end at once, before they would write anything without the lock.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from multiprocessing import resource_tracker
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from typing import Literal

from benchpipe.errors import ExitCode
from benchpipe.night.one import Done, Task, work_run
from benchpipe.stream.memory import collect_rarely
from benchpipe.views.run_view import failed_view

GRACE_S = 5.0
CRASHES = ("SIGSEGV", "SIGBUS", "SIGILL", "SIGFPE", "SIGABRT")


@dataclass(frozen=True)
class WorkerEvent:
    """What happens to a run. ``text`` is the log that is read; ``done`` is there at the end."""

    kind: Literal["begins", "reads", "ends"]
    task: Task
    text: str = ""
    done: Done | None = None


@dataclass(frozen=True)
class _RunWork:
    task: Task
    process: BaseProcess
    inlet: Connection


def work_apart(tasks: Iterable[Task], jobs: int) -> Iterator[WorkerEvent]:
    """Work on runs, at most ``jobs`` at once, and yield what happens. The caller holds the store.

    However this is left, no process of it is left running.
    """
    waiting, works = list(reversed(list(tasks))), list[_RunWork]()
    try:
        while waiting or works:
            while waiting and len(works) < jobs:
                works.append(_started(waiting.pop()))
                yield WorkerEvent("begins", works[-1].task)
            ready = wait([work.inlet for work in works])
            for work in [work for work in works if work.inlet in ready]:
                event = _received(work)
                if event.done is not None:
                    works.remove(work)
                yield event
    finally:
        for work in works:
            _stopped(work)


def _started(task: Task) -> _RunWork:
    """Begin a process from nothing: a fork would take this one's threads' locks along, and not the threads."""
    context = multiprocessing.get_context("spawn")
    inlet, outlet = context.Pipe(duplex=False)
    process = context.Process(target=_run, args=(task, outlet), name=task.name, daemon=True)
    with _interrupts_held():
        process.start()
    outlet.close()
    return _RunWork(task, process, inlet)


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


def _received(work: _RunWork) -> WorkerEvent:
    """The next word of a process, or how it ended without one."""
    try:
        said = work.inlet.recv()
    except (EOFError, OSError):
        work.process.join()
        work.inlet.close()
        return WorkerEvent("ends", work.task, done=_ended(work.task, work.process.exitcode or 0))
    if isinstance(said, str):
        return WorkerEvent("reads", work.task, said)
    work.process.join(GRACE_S)
    _stopped(work)
    return WorkerEvent("ends", work.task, done=said)


def _ended(task: Task, code: int) -> Done:
    """A process that ended before its run did."""
    name = signal.Signals(-code).name if code < 0 else f"exit code {code}"
    bug = name in CRASHES or code >= 0
    hint = (
        "run again; if it happens again, send this line to the people who maintain benchpipe"
        if bug
        else "run again, nothing is lost; if memory was short (the system's log says so), with fewer --jobs"
    )
    why = f"the process that worked on it was ended ({name})\n  do next:  {hint}"
    return Done(ExitCode.BUG if bug else ExitCode.INTERRUPTED, failed_view(task.plan, why, task.name))


def _stopped(work: _RunWork) -> None:
    """End a process: nothing of what it has begun counts yet."""
    work.process.terminate()
    work.process.join(GRACE_S)
    if work.process.is_alive():
        work.process.kill()
        work.process.join()
    work.inlet.close()


def _run(task: Task, outlet: Connection) -> None:
    """Work on one run in this process, and say how it went."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    collect_rarely()
    with suppress(BrokenPipeError):
        outlet.send(work_run(task, outlet.send))
    outlet.close()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(1)

