"""How fast a run's tables grow."""

from __future__ import annotations

from benchpipe.health.rules import DAY_S
from benchpipe.store.manifest import Manifest
from benchpipe.store.pauses import RunClock

LEAST_S = 3600.0  # of logs, before a rate is made of them


def growth(manifest: Manifest) -> float:
    """Bytes of tables that a day of a run's logs makes, by all of them; 0 where there are too few to tell."""
    places = {p.file: p.shift_us for p in manifest.placed}
    ends = [
        (s.first_us + places[s.file], s.last_us + places[s.file])
        for s in manifest.sources
        if s.first_us is not None and s.last_us is not None
    ]
    lasted = RunClock.of(manifest).between_us(min(a for a, _ in ends), max(b for _, b in ends)) / 1e6 if ends else 0.0
    return sum(part.bytes for part in manifest.parts()) / lasted * DAY_S if lasted >= LEAST_S else 0.0
