"""Readers that do what libraries do over damaged files, for the process that reads logs."""

from __future__ import annotations

import os
import re
import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np


def numbers(count: int, size: int = 1000) -> Iterator[np.ndarray]:
    """Arrays that can be told apart."""
    for k in range(count):
        yield np.full(size, float(k))


def process() -> int:
    """Which process this is."""
    return os.getpid()


def killed(number: int, after: int = 0) -> Iterator[int]:
    """End by a signal."""
    yield from range(after)
    os.kill(os.getpid(), number)
    time.sleep(60)


def left(code: int) -> None:
    """End as a library that calls exit()."""
    os._exit(code)


def waits(seconds: float) -> float:
    """No progress, and nothing done."""
    time.sleep(seconds)
    return seconds


def in_a_circle(note: Path | None = None) -> None:
    """No progress in a library that lets nothing else of the process run: neither handlers of signals nor threads."""
    if note is not None:
        note.write_text(str(os.getpid()))
    for kind in (signal.SIGINT, signal.SIGTERM):
        signal.signal(kind, signal.SIG_IGN)
    re.match(r"(a+)+$", "a" * 60 + "b")


def takes(size: int) -> int:
    """Memory that is written to."""
    return int(np.ones(size, np.uint8)[-1])


def chatters() -> str:
    """Writes on the terminal, as libraries do."""
    for stream in (sys.stdout, sys.stderr):
        stream.write("library: something is odd\n")
        stream.flush()
    os.write(1, b"more\n")
    return "done"


def fails() -> None:
    """A slip."""
    raise ZeroDivisionError("a slip")
