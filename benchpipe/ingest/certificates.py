"""Compare calibrations with the days on which the samples were taken."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime

from benchpipe.config.rig import ChannelConfig, RigConfig
from benchpipe.store.manifest import Manifest, Remark


def calibration_remarks(rig: RigConfig, manifest: Manifest) -> Iterator[Remark]:
    """Samples before the first day of a channel's calibrations, or after the day one was due; dated logs only."""
    places = {place.file: place.shift_us for place in manifest.placed}
    ends = [
        (s.first_us + places[s.file], s.last_us + places[s.file])
        for s in manifest.sources
        if s.first_us is not None and s.last_us is not None
    ]
    if not (rig.time.dated and ends):
        return
    first, last = _day(min(a for a, _ in ends)), _day(max(b for _, b in ends))
    for channel in rig.channel:
        begin = channel.calibrations[0].valid_from
        if begin is not None and first < begin:
            text = f"samples from {first} on, the calibration of '{channel.name}' holds from {begin}: it was used"
            yield Remark(step="ingest", code="calibration-early", where=channel.name, count=1, text=text)
        for held_from, due, until in _held(channel, last):
            if until > due and last > due and first < until:
                text = f"the calibration of '{channel.name}' was due on {due}, and held for samples up to {until}"
                text += f" (it holds from {held_from})" if held_from else ""
                yield Remark(step="ingest", code="calibration-overdue", where=channel.name, count=1, text=text)


def _held(channel: ChannelConfig, last: date) -> Iterator[tuple[date | None, date, date]]:
    """First day, due day and last day of use of each calibration that is ever due."""
    ways = channel.calibrations
    for way, after in zip(ways, (*ways[1:], None), strict=True):
        until = last if after is None or after.valid_from is None else min(last, after.valid_from)
        if way.due is not None and (way.valid_from is None or way.valid_from <= last):
            yield way.valid_from, way.due, until


def _day(time_us: int) -> date:
    return datetime.fromtimestamp(time_us / 1e6, UTC).date()
