"""Day by day: bins grow, each day's border is looked at once, and events are numbered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil
from typing import Any

from benchpipe.drift.bins import RunBins
from benchpipe.drift.changes import level_of
from benchpipe.drift.events import Event, together
from benchpipe.drift.history import History, history_of
from benchpipe.drift.looks import look
from benchpipe.drift.phases import baseline_of
from benchpipe.drift.placed import expected_before, placed_entries
from benchpipe.drift.watched import DAY_US, DriftBlock, LogEntry

FORMAT = 1


@dataclass(frozen=True, eq=False)
class Watch:
    """A block up to the end of a day: its bins, the events its looks have found, and the baseline of each measure."""

    bins: RunBins
    events: tuple[Event, ...] = ()
    baselines: tuple[tuple[str, int, int], ...] = ()

    @classmethod
    def begun(cls, block: DriftBlock) -> Watch:
        """Before the first day."""
        return cls(RunBins(tuple(w.name for w in block.watched), block.width_us / 1e6))

    def after(self, block: DriftBlock, day: RunBins, entries: Sequence[LogEntry]) -> Watch:
        """One more day is in, and looked at."""
        bins = self.bins.joined(day)
        history = history_of(block, bins)
        placed = placed_entries(entries, bins)
        known = [entry for entry in placed if entry.start_us < (day.day + 1) * DAY_US]
        found = look(block, history, self.events, known, planned_nights(block))
        events = tuple(_numbered(found, self.events, expected_before(known, day.day)))
        return Watch(bins, events, self._baselines(block, history, events, known))

    def _baselines(
        self, block: DriftBlock, history: History, events: Sequence[Event], entries: Sequence[LogEntry]
    ) -> tuple[tuple[str, int, int], ...]:
        """Baselines, each once its run-in has ended: it then stays, whatever later nights would make of it."""
        made = list(self.baselines)
        have = {name for name, _, _ in made}
        for watched in block.watched:
            if watched.name in have:
                continue
            if block.baseline is not None:
                if history.last[-1] >= block.baseline[1]:
                    made.append((watched.name, *block.baseline))
                continue
            level = level_of(block, history, watched.name, events, entries)
            found = baseline_of(level) if level is not None else None
            if found is not None:
                made.append((watched.name, *found))
        return tuple(made)

    def history(self, block: DriftBlock) -> History:
        """What the last look saw."""
        return history_of(block, self.bins)

    def to_json(self) -> dict[str, Any]:
        """State to be kept until the next night."""
        return {
            "format": FORMAT,
            "bins": self.bins.to_json(),
            "events": [event.to_json() for event in self.events],
            "baselines": [list(baseline) for baseline in self.baselines],
        }

    @classmethod
    def from_json(cls, state: Mapping[str, Any]) -> Watch | None:
        """What `to_json` gave; None where another version wrote it: the block is then taken from its begin."""
        if state.get("format") != FORMAT:
            return None
        return cls(
            RunBins.from_json(state["bins"]),
            tuple(Event.from_json(event) for event in state["events"]),
            tuple((name, first, last) for name, first, last in state["baselines"]),
        )


def planned_nights(block: DriftBlock) -> int:
    """Looks of the whole planned test."""
    return max(1, ceil(block.planned_cycles / block.frequency_hz / (DAY_US / 1e6)))


def _numbered(found: Sequence[Event], past: Sequence[Event], expected: int) -> list[Event]:
    """Give new events a number: that of one they moved with, or the next. Only a new number is an alarm.

    ``expected`` entries of plan and notes have numbers too.
    """
    made = [event for event in found if event.number]
    largest = len({event.number for event in past}) + expected
    fresh: set[int] = set()
    for event in sorted((e for e in found if not e.number), key=lambda e: -e.score / e.threshold):
        same = next((other for other in made if together(event, other)), None)
        number = same.number if same else largest + 1
        alarm = same is None
        largest = max(largest, number)
        fresh.add(number)
        made.append(replace(event, number=number, alarm=alarm))
    return sorted(made, key=lambda e: (e.number, not e.alarm, e.measure, e.of))
