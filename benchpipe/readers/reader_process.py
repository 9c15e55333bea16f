"""Binary logs are read in another process: a crash, a hang or a huge allocation of a library there is an error here.

The libraries that read HDF5, MATLAB, MDF, Arrow, Parquet and workbooks are written in C, C++ and Rust. A damaged file
may end their process, keep it in a loop or let it take all memory. No check beforehand finds all such files.

The process starts with the first binary log (a start takes half a second) and reads one log after the other, one batch
ahead of the job. One that died is replaced at the next log. Where there are no POSIX pipes and signals, functions run
in the job's own process.
"""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import weakref
from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

from benchpipe.errors import BenchpipeError, InputError
from benchpipe.readers.allowances import most_memory, patience_s
from benchpipe.readers.messages import END, ERROR, GO_ON, ITEM, READY, STOP, PipeClosedError, items_of, receive, send
from benchpipe.stream.matrix_threads import ONE_THREAD

P = ParamSpec("P")
T = TypeVar("T")

START = (
    "import json, sys; sys.path[:] = json.loads(sys.argv[1]); "
    "from benchpipe.readers.reader_child import serve; serve(*map(int, sys.argv[2:]))"
)
PIPE_BYTES = 1 << 20
STEP_S = 1.0
GRACE_S = 5.0


def stream_apart(
    path: Path, function: Callable[P, Iterator[T]], *arguments: P.args, **options: P.kwargs
) -> Iterator[T]:
    """Yield what a function yields over a log, run in the process that reads logs.

    The process is at work from this call on, and stops when the iterator is closed.

    Parameters
    ----------
    path : Path
        The log: errors name it, and its size decides how much memory and time there is
        (:mod:`benchpipe.readers.allowances`).
    function : callable
        A function of a module, which opens the log itself. Arguments and items are pickled.

    Raises
    ------
    InputError
        The process crashed, was killed, or made no progress. Errors of the function itself come as they are.
    """
    return _begun(path, partial(function, *arguments, **options))


def call_apart(path: Path, function: Callable[P, T], *arguments: P.args, **options: P.kwargs) -> T:
    """What a function returns; as :func:`stream_apart`."""
    result: T
    (result,) = _begun(path, partial(function, *arguments, **options))
    return result


class ReaderProcess:
    """A process that runs functions over logs, one after the other. It ends with this object, and with the job."""

    def __init__(self) -> None:
        requests, self._requests = os.pipe()
        self._answers, answers = os.pipe()
        lifeline, life = os.pipe()
        _widen(answers)
        theirs = requests, answers, lifeline
        try:
            self._process = subprocess.Popen(
                [sys.executable, "-c", START, json.dumps(sys.path), *map(str, theirs)],
                stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, pass_fds=theirs,
                env=os.environ | ONE_THREAD,
            )  # fmt: skip
        finally:
            for pipe in theirs:
                os.close(pipe)
        self.end = weakref.finalize(self, _end, self._process, (self._requests, self._answers, life))
        self._ready = self._at_work = False
        self._poll = select.poll()
        self._poll.register(self._answers, select.POLLIN)

    @property
    def usable(self) -> bool:
        """Whether it lives, and is through with what it was asked before."""
        with suppress(PipeClosedError, TimeoutError):
            while self._at_work:
                self.answer(GRACE_S)
            return self._process.poll() is None
        return False

    def ask(self, path: Path, memory: int, run: Callable[[], Any]) -> None:
        """Send a request: :func:`benchpipe.readers.reader_child.serve` says what is in it."""
        folder = None
        with suppress(OSError):  # it was removed
            folder = Path.cwd()
        self._at_work = True
        self._send((folder, path, memory, run))

    def command(self, what: str) -> None:
        """Send ``GO_ON`` or ``STOP``."""
        self._send(what)

    def answer(self, patience: float) -> tuple[str, Any]:
        """Kind and content of the next answer.

        Raises
        ------
        PipeClosedError
            The process ended.
        TimeoutError
            Nothing came for ``patience`` seconds.
        """
        kind, content = receive(self._answers, partial(self._wait, patience))
        if kind == READY:
            self._ready = True
            return self.answer(patience)
        self._at_work = kind not in (END, ERROR)
        return kind, content

    def death(self, path: Path) -> BenchpipeError:
        """The error for a process that ended over a log."""
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(GRACE_S)
        code = self._process.returncode
        self.end()
        how = signal.Signals(-code).name if code is not None and code < 0 else f"exit code {code}"
        if not self._ready:
            return BenchpipeError(f"the process that reads binary logs could not be started ({how})", where=path)
        if how == "SIGKILL":
            return InputError(
                "the process that read it was killed", where=path,
                do_next="see in the system's log whether memory was short, then run again",
            )  # fmt: skip
        return InputError(
            f"the library that reads it crashed over it ({how})", where=path,
            do_next="the file may be damaged: have the rig write it again, or take a copy of it",
        )  # fmt: skip

    def _send(self, message: Any) -> None:
        with suppress(PipeClosedError):  # its end shows when the answer is read
            send(self._requests, message)

    def _wait(self, patience: float) -> None:
        """Wait in steps: they count only while the job runs, which may be stopped and go on later."""
        for _ in range(max(round(patience / STEP_S), 1)):
            if self._poll.poll(1000.0 * STEP_S):
                return
        raise TimeoutError


_FREE: list[ReaderProcess] = []  # started, and not at work: the one state that lasts from log to log


def _free_process() -> ReaderProcess:
    while _FREE:
        process = _FREE.pop()
        if process.usable:
            return process
        process.end()
    return ReaderProcess()


def _begun(path: Path, run: Callable[[], Any]) -> Iterator[Any]:
    if os.name != "posix":
        return items_of(run())
    try:
        size = path.stat().st_size
    except OSError:  # the function says so better
        size = 0
    process = _free_process()
    process.ask(path, most_memory(size), run)
    return _answers(process, path, patience_s(size))


def _answers(process: ReaderProcess, path: Path, patience: float) -> Iterator[Any]:
    try:
        while (answer := process.answer(patience))[0] == ITEM:
            process.command(GO_ON)
            yield answer[1]
    except GeneratorExit:
        process.command(STOP)
        _FREE.append(process)
        raise
    except PipeClosedError:
        raise process.death(path) from None
    except TimeoutError:
        process.end()
        raise InputError(
            f"reading it made no progress for {patience:,.0f} s", where=path,
            do_next="the file may be damaged, or its disk did not answer: take a copy of it, or have the rig write it "
            "again",
        ) from None  # fmt: skip
    except BaseException:  # Control-C in the midst of an answer
        process.end()
        raise
    _FREE.append(process)
    if answer[0] == ERROR:
        raise answer[1]


def _end(process: subprocess.Popen[bytes], pipes: tuple[int, ...]) -> None:
    """Kill a process, which has nothing to lose, and take note of its end: it would stay as a zombie."""
    for pipe in pipes:
        os.close(pipe)
    process.kill()
    with suppress(subprocess.TimeoutExpired):  # the kernel waits for a disk that is gone
        process.wait(GRACE_S)


def _widen(pipe: int) -> None:
    """Let a pipe hold more, where the system can: fewer changes from one process to the other."""
    if sys.platform == "linux":
        import fcntl

        with suppress(OSError):
            fcntl.fcntl(pipe, fcntl.F_SETPIPE_SZ, PIPE_BYTES)
