"""Memory of this process: its peak, and how often garbage is looked for."""

from __future__ import annotations

import gc
import os
import sys
from contextlib import suppress
from pathlib import Path

STATUS, FORGET = Path("/proc/self/status"), Path("/proc/self/clear_refs")


def forget_peak() -> None:
    """Reset the peak (Linux; elsewhere the peak stays that of the whole process)."""
    with suppress(OSError):
        FORGET.write_text("5")  # proc(5): resets VmHWM


def peak_mb() -> float:
    """Largest resident memory since :func:`forget_peak` [MB of 2^20 bytes]; 0 where the system does not say."""
    with suppress(OSError, ValueError, IndexError):
        return int(STATUS.read_text().partition("VmHWM:")[2].split()[0]) / 1024
    try:
        import resource
    except ImportError:
        return 0.0
    used = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return used / (1 << 20) if sys.platform == "darwin" else used / 1024


def collect_rarely() -> None:
    """Look for cyclic garbage less often: each look goes through all that was imported, and a night makes next to none.

    It took a tenth of the time of a cycle run. For processes that are benchpipe's own.
    """
    gc.set_threshold(400_000, 50, 50)


def resident_mb(pid: int | None) -> float:
    """Memory that a process holds now [MB of 2^20 bytes]; 0 where the system does not say (Linux does)."""
    with suppress(OSError, ValueError, IndexError):
        pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE") / (1 << 20)
    return 0.0


def give_back(*, thoroughly: bool = True) -> None:
    """Give memory back to the system that is unused; ``thoroughly`` after a look for cyclic garbage."""
    if thoroughly:
        gc.collect()
    arrow = sys.modules.get("pyarrow")
    if arrow is not None:
        arrow.default_memory_pool().release_unused()
