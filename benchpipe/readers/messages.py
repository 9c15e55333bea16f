"""Messages between this process and the one that reads binary logs: pickles, with the arrays beside them.

Arrays go straight from their own memory into the pipe and out of it into new arrays (pickle protocol 5, PEP 574).
Both ends are one program of one user, so a pickle is as safe here as it is between the processes of a night.
"""

from __future__ import annotations

import os
import pickle
import struct
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

SIZE = struct.Struct("<Q")
GO_ON, STOP = "go on", "stop"  # commands
READY, ITEM, ERROR, END = "ready", "item", "error", "end"  # kinds of answers


class PipeClosedError(Exception):
    """The other end of a pipe is gone."""


def send(pipe: int, message: Any) -> None:
    """Write a message into a pipe.

    Raises
    ------
    PipeClosedError
    """
    arrays: list[memoryview] = []
    text = pickle.dumps(message, protocol=5, buffer_callback=lambda array: arrays.append(array.raw()))
    sizes = [len(text), *(array.nbytes for array in arrays)]
    head = SIZE.pack(len(sizes)) + b"".join(map(SIZE.pack, sizes))
    try:
        for rest in (memoryview(head + text), *arrays):
            while rest:
                rest = rest[os.write(pipe, rest) :]
    except BrokenPipeError:
        raise PipeClosedError from None


def receive(pipe: int, wait: Callable[[], None] = lambda: None) -> Any:
    """Read a message from a pipe.

    Parameters
    ----------
    pipe : int
        File descriptor.
    wait : callable
        Called before each read; may raise where nothing comes.

    Raises
    ------
    PipeClosedError
    """
    (count,) = SIZE.unpack(_read(pipe, SIZE.size, wait))
    sizes = [size for (size,) in SIZE.iter_unpack(_read(pipe, SIZE.size * count, wait))]
    text, *arrays = (_read(pipe, size, wait) for size in sizes)
    return pickle.loads(text, buffers=arrays)


def _read(pipe: int, size: int, wait: Callable[[], None]) -> memoryview:
    """Exactly so many bytes, in memory that nothing has been written to before."""
    whole = np.empty(size, np.uint8).data
    rest = whole
    while rest:
        wait()
        count = os.readv(pipe, [rest])
        if not count:
            raise PipeClosedError
        rest = rest[count:]
    return whole


def items_of(result: Any) -> Iterator[Any]:
    """What a function yields, or the one thing that it returns."""
    if isinstance(result, Iterator):
        yield from result
    else:
        yield result
