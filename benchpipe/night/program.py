"""Which program this is: by its files, the interpreter, the libraries, the processor and the zone of its clock."""

from __future__ import annotations

import hashlib
import os
import platform
import sys
import time
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

from benchpipe import __version__

INSTALLED = ".dist-info"
PROCESSOR = Path("/proc/cpuinfo")
KINDS_OF_LINES = ("vendor_id", "cpu family", "model", "stepping", "flags", "CPU ")


@lru_cache(maxsize=1)
def program() -> str:
    """A hash that is another one where anything of it is: views that another program made are not shown."""
    parts = [
        __version__, sys.version, platform.system(), platform.machine(), *sorted(_processor()), *time.tzname,
        str(time.timezone), os.environ.get("TZ", ""), *sorted(_libraries()),
        *sorted(_files(str(Path(__file__).parents[1]))),
    ]  # fmt: skip
    return hashlib.sha256("\0".join(parts).encode(errors="replace")).hexdigest()[:24]


def _files(folder: str) -> Iterator[str]:
    """Our own modules: path, size and time."""
    with os.scandir(folder) as entries:
        for entry in entries:
            if entry.name.endswith(".py"):
                stat = entry.stat()
                yield f"{entry.path} {stat.st_size} {stat.st_mtime_ns}"
            elif entry.is_dir() and entry.name != "__pycache__":
                yield from _files(entry.path)


def _libraries() -> Iterator[str]:
    """Name and version of every package that is installed."""
    for folder in dict.fromkeys(sys.path):
        try:
            yield from (name for name in os.listdir(folder or ".") if name.endswith(INSTALLED))  # noqa: PTH208
        except OSError:
            continue


def _processor() -> Iterator[str]:
    """What the system says of its first processor: it decides with which instructions kernels are compiled."""
    try:
        with PROCESSOR.open(encoding="utf-8", errors="replace") as file:
            for line in file:
                if not line.strip():
                    return
                if line.startswith(KINDS_OF_LINES):
                    yield line.strip()
    except OSError:
        yield platform.processor()
