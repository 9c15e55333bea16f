"""Limit of what mirrors hold on this machine: parts that can be fetched again give way, the longest unread first."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

LIMIT = "BENCHPIPE_CACHE_GB"  # environment variable
DEFAULT_GB = 20.0
MayGo = Callable[[Path], bool]


def limit_bytes() -> int:
    """Most bytes of parts in all mirrors of this user on this machine."""
    try:
        return int(max(float(os.environ.get(LIMIT, "")), 0.0) * 1e9)
    except (ValueError, OverflowError):
        return int(DEFAULT_GB * 1e9)


def trim(home: Path, limit: int, may_go: MayGo, *, unread_s: float = 0.0) -> int:
    """Remove parts until the rest is within the limit.

    Parameters
    ----------
    home : Path
        Folder of the mirrors.
    may_go : callable
        Says of a part whether it may be removed: it is stored elsewhere, or no job will ever store it.
    unread_s : float
        Only parts that were not read for so long.

    Returns
    -------
    int
        Bytes that were removed.
    """
    parts = sorted(_parts(home))
    over, gone = sum(size for _, size, _ in parts) - limit, 0
    for when, size, path in parts:
        if gone >= over or when > time.time() - unread_s:
            break
        if may_go(path):
            with suppress(OSError):
                path.unlink()
                gone += size
    return gone


def forget_parts(mirror: Path, may_go: MayGo) -> int:
    """Remove all parts of a mirror that may be removed; the bytes."""
    return trim(mirror.parent, 0, may_go)


def _parts(home: Path) -> Iterator[tuple[float, int, Path]]:
    """When each part was last read, its size and path."""
    for path in home.glob("*/*/*/*.parquet"):
        with suppress(OSError):
            stat = path.stat()
            yield max(stat.st_atime, stat.st_mtime), stat.st_size, path
