"""Map over a stream on a few threads, results in order, memory bounded."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

A = TypeVar("A")
B = TypeVar("B")


def default_workers() -> int:
    """Threads to use: the processors this job may run on, 2 to 8."""
    count = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return max(2, min(count, 8))


def ordered_map(
    function: Callable[[A], B], items: Iterable[A], workers: int | None = None, ahead: int | None = None
) -> Iterator[B]:
    """Yield ``function(item)`` for each item in order, a few items ahead.

    Parameters
    ----------
    function : callable
        Runs on a worker thread; should release the GIL where it counts.
    items : iterable
        Taken on the calling thread. A generator is closed when the map ends, by an error too: what it reads from is
        let go of then, and not when the error is garbage-collected.
    workers : int, optional
        Threads; :func:`default_workers` if not given. The results do not depend on it.
    ahead : int, optional
        Most items begun whose results are not taken yet; ``workers + 1`` if not given. More of them keep the threads
        at work while the caller is busy, and take memory.
    """
    workers = workers or default_workers()
    ahead = ahead or workers + 1
    begun: deque[Future[B]] = deque()
    source = iter(items)
    with ThreadPoolExecutor(workers) as pool:
        try:
            for item in source:
                begun.append(pool.submit(function, item))
                if len(begun) > ahead:
                    yield begun.popleft().result()
            while begun:
                yield begun.popleft().result()
        finally:
            for future in begun:
                future.cancel()
            if isinstance(source, Generator):
                source.close()
