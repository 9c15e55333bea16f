"""The process that reads binary logs: it answers requests over a pipe until that is closed.

It has a memory limit for each log, is the first that the kernel ends where memory runs out, writes nothing on the
terminal, and ends with the process that started it, in the midst of a library's loop too.
"""

from __future__ import annotations

import fcntl
import os
import pickle
import resource
import select
import signal
import traceback
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from benchpipe.errors import BenchpipeError
from benchpipe.readers.allowances import out_of_memory
from benchpipe.readers.messages import END, ERROR, ITEM, READY, STOP, PipeClosedError, items_of, receive, send

STATUS, KILLED_FIRST = Path("/proc/self/status"), Path("/proc/self/oom_score_adj")


def serve(requests: int, answers: int, lifeline: int) -> None:
    """Answer requests until there are no more.

    Parameters
    ----------
    requests, answers : int
        Pipes to read from and to write to. A request is ``(folder, path, memory, run)``: what ``run()`` returns is
        the answer, or what it yields are the answers, and after each a command is awaited.
    lifeline : int
        A pipe into which nothing is written: its other end closes with the process that started this one.
    """
    _end_with_parent(lifeline)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Control-C reaches the whole group, and the parent answers it
    resource.setrlimit(resource.RLIMIT_CORE, (0, resource.getrlimit(resource.RLIMIT_CORE)[1]))
    with suppress(OSError):
        KILLED_FIRST.write_text("1000")
    send(answers, (READY, None))
    with suppress(PipeClosedError):
        while True:
            request = receive(requests)
            if request != STOP:  # a reader that ended by itself before it saw that
                _answer(requests, answers, *request)


def _answer(
    requests: int, answers: int, folder: Path | None, path: Path, memory: int, run: Callable[[], Any]
) -> None:
    """Answer one request; whatever a reader raises is an answer too."""
    end: tuple[str, Exception | None] = END, None
    try:
        if folder is not None:  # paths are relative to where the job is now
            os.chdir(folder)
        _limit_memory(memory)
        for item in items_of(run()):
            send(answers, (ITEM, item))
            if receive(requests) == STOP:
                break
    except PipeClosedError:
        raise
    except MemoryError:
        end = ERROR, out_of_memory(path)
    except Exception as error:
        end = ERROR, _that_travels(error)
    send(answers, end)


def _that_travels(error: Exception) -> Exception:
    """An error that can be pickled; one that is a bug brings the place where it happened along."""
    if isinstance(error, BenchpipeError):
        return error
    error.add_note("in the process that reads logs:\n" + "".join(traceback.format_exception(error)))
    try:
        pickle.loads(pickle.dumps(error))
    except Exception:
        return RuntimeError(error.__notes__[-1])
    return error


def _end_with_parent(lifeline: int) -> None:
    """Have the kernel end this process when the other end of a pipe is closed, whatever a library does meanwhile."""
    signal.signal(signal.SIGIO, signal.SIG_DFL)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGIO})
    fcntl.fcntl(lifeline, fcntl.F_SETOWN, os.getpid())
    fcntl.fcntl(lifeline, fcntl.F_SETFL, fcntl.fcntl(lifeline, fcntl.F_GETFL) | os.O_ASYNC)
    if select.select([lifeline], [], [], 0.0)[0]:  # it was closed before
        os._exit(1)


def _limit_memory(more: int) -> None:
    """Let this process take so much more memory than it has now; Linux only.

    ``RLIMIT_DATA`` counts all private memory that can be written to (since Linux 4.7), and nothing that is only
    reserved or mapped from a file, as ``RLIMIT_AS`` does.
    """
    with suppress(OSError, ValueError, IndexError):
        now = int(STATUS.read_text().partition("VmData:")[2].split()[0]) << 10
        most = resource.getrlimit(resource.RLIMIT_DATA)[1]
        wanted = now + more
        resource.setrlimit(resource.RLIMIT_DATA, (wanted if most < 0 else min(wanted, most), most))
