"""Times of planned work, which a plan states in cycles; and numbers of what re-based a block."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from benchpipe.drift.bins import RunBins
from benchpipe.drift.events import Event
from benchpipe.drift.watched import DAY_US, LogEntry


def placed_entries(entries: Sequence[LogEntry], bins: RunBins) -> list[LogEntry]:
    """Entries in order of time; planned work at the time of its cycle, left out before that cycle was run.

    The time is taken from the bin that the cycle is in. A bin is whole once its day is in, so later days move nothing.
    What was done before the block began is left out.
    """
    begin_us = round(float(bins.start_s[0]) * 1e6) if bins.index.size else 0
    found = [entry for entry in entries if entry.cycle is None and not (entry.expected and entry.start_us <= begin_us)]
    for entry in entries:
        if entry.cycle is None or not bins.index.size or not bins.first[0] < entry.cycle <= bins.last[-1]:
            continue
        k = int(np.searchsorted(bins.last, entry.cycle))
        part = (entry.cycle - bins.first[k]) / (bins.last[k] - bins.first[k] + 1)
        at = bins.start_s[k] + max(float(part), 0.0) * (bins.end_s[k] - bins.start_s[k])
        found.append(replace(entry, start_us=round(float(at) * 1e6)))
    return sorted(found, key=lambda entry: (entry.start_us, entry.kind))


def expected_before(entries: Sequence[LogEntry], day: int) -> int:
    """How many entries that re-base a block there are up to the end of a day."""
    return sum(entry.expected and entry.start_us < (day + 1) * DAY_US for entry in entries)


def number_of(entry: LogEntry, entries: Sequence[LogEntry], events: Sequence[Event]) -> int:
    """Number of an entry among the events: that of its place in the order in which days brought them.

    A note that explains an event takes its number, so that a later event keeps the one it was reported under.
    """
    day = entry.start_us // DAY_US
    alarms = {event.number for event in events if event.number and event.day < day}
    before = [other for other in entries if other.expected]
    return 1 + before.index(entry) + len(alarms)
