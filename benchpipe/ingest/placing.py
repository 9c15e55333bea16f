"""Where each file stands on the run's time axis.

Files with dates stand where their dates say; rows that a file repeats from the one
before are left out and counted. Elapsed time that goes on stays where it is; elapsed
time that begins anew is a restart, in the order of the file names.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from benchpipe.config.rig import TimeConfig
from benchpipe.ingest.clock import RESTART_PAUSE_US
from benchpipe.store.manifest import Placed, Source


def natural_order(name: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key in which ``day9`` comes before ``day10``."""
    pieces = re.split(r"(\d+)", name)
    return tuple((1, int(p), "") if p.isdigit() else (0, 0, p) for p in pieces)


def place_sources(
    sources: list[Source], time: TimeConfig, count_until: Callable[[Source, int], int]
) -> tuple[list[Source], list[Placed]]:
    """Order the files of a run and place them on one rising axis.

    Parameters
    ----------
    sources : list of Source
    time : TimeConfig
    count_until : callable
        ``(source, last_us) -> rows`` whose own time is at or before ``last_us``.

    Returns
    -------
    ordered : list of Source
    placed : list of Placed
        In the same order.
    """
    if time.kind == "datetime":
        ordered = sorted(sources, key=lambda s: (s.first_us or 0, natural_order(s.file)))
    else:
        ordered = sorted(sources, key=lambda s: natural_order(s.file))
    placed: list[Placed] = []
    end: int | None = None
    native_end: int | None = None
    shift = 0
    step = round(1e6 / time.sample_rate)
    for source in ordered:
        after, repeats = None, 0
        if source.first_us is not None and source.last_us is not None and source.native_last_us is not None:
            if end is None or native_end is None:
                shift = 0
            elif time.kind == "datetime":
                if source.first_us <= end:
                    after, repeats = end, count_until(source, end)
            elif time.kind == "sample":
                shift = end + step - source.first_us
            elif source.first_us <= native_end:
                shift = end + RESTART_PAUSE_US - source.first_us
            start_shift = 0 if time.kind == "datetime" else shift
            placed.append(Placed(file=source.file, shift_us=start_shift, after_us=after, repeats=repeats))
            last = source.last_us + start_shift
            end = last if end is None else max(end, last)
            native_end = source.native_last_us
            shift = end - native_end
        else:
            placed.append(Placed(file=source.file, shift_us=0, after_us=None, repeats=0))
    return ordered, placed
