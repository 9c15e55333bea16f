"""Cut signals into cycles, whatever the batches.

A batch may end inside a cycle: its raw samples are held for the next batch. A cycle is
measured from its own samples only, so the borders of batches, files and nights
change nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.blocks.cut_config import CutConfig
from benchpipe.blocks.state import Anchor
from benchpipe.config.rig import RigConfig
from benchpipe.kernels.boundaries import (
    BETWEEN,
    CLOSED,
    FRESH,
    LEAD,
    NO_ROW,
    OPEN,
    ScanState,
    bounds_of,
    find_boundaries,
    find_records,
)
from benchpipe.kernels.read_only import read_only
from benchpipe.kernels.records import RecordKind, record_kind
from benchpipe.samples.signals import Signals

SEAM_SAMPLES = 1 << 12
NEVER_US = 2**62
RECORD_KINDS: tuple[RecordKind, ...] = ("loop", "several", "part", "ramp")


@dataclass(frozen=True)
class Cut:
    """Where cycles begin and end: two thresholds on load or motion, or the stretches of the log."""

    by_load: bool
    low: float
    high: float
    by_record: bool
    break_us: int
    longest_us: int
    period_s: float = np.nan


@dataclass(frozen=True)
class Standing:
    """State of cutting between two batches: samples of the row that has begun, and the scan's state.

    ``held`` begins with the sample before that row's first one (with the first one
    when a record is a cycle, and at the beginning of the log); without a row it is the last sample.
    """

    held: Signals | None
    scan: ScanState


@dataclass(frozen=True)
class Pieces:
    """Cycles, and what lies between them, that were cut out of ``signals``.

    Attributes
    ----------
    first, end : int64 arrays, shape (k,)
        Samples ``first … end - 1`` lie between the two crossings.
    start_part, end_part : float64 arrays, shape (k,)
        Where the crossings lie in the steps to ``first`` and to ``end``.
    closed, between : bool arrays, shape (k,)
        Neither: an incomplete cycle.
    segment, samples : int64 arrays, shape (k,)
    odd : int64 array, shape (k,)
        What a record is, as a place in :data:`RECORD_KINDS`: 0 for one loop.
    boundary : int or None
        Sample that begins the first cycle, whether or not it has enough samples to be measured.

    An incomplete cycle that no crossing began has a ``start_part`` of 1.
    """

    signals: Signals
    first: NDArray[np.int64]
    end: NDArray[np.int64]
    start_part: NDArray[np.float64]
    end_part: NDArray[np.float64]
    closed: NDArray[np.bool_]
    between: NDArray[np.bool_]
    segment: NDArray[np.int64]
    samples: NDArray[np.int64]
    odd: NDArray[np.int64]
    boundary: int | None

    @property
    def count(self) -> int:
        """How many cycles."""
        return len(self.first)


def cut_between(block: CutConfig, rig: RigConfig, low: float, high: float, *, by_record: bool = False) -> Cut:
    """How a block is cut on a rig between two thresholds, or into the stretches of its log."""
    gap_s = rig.time.gap_s
    return Cut(
        by_load=block.trigger == "load",
        low=low,
        high=high,
        by_record=by_record,
        break_us=round(1e6 * (gap_s if by_record else max(gap_s, 0.5 / block.frequency))),
        longest_us=NEVER_US if by_record else round(1e6 * block.longest_cycle_s),
        period_s=1.0 / block.frequency,
    )


def beginning(cut: Cut) -> Standing:
    """The standing before the first sample of a run: there a record begins, and a segment, but no cycle."""
    return Standing(None, FRESH._replace(row=OPEN) if cut.by_record else FRESH._replace(fresh=True))


def anchor_of(standing: Standing, closed: int) -> Anchor | None:
    """The anchor of a standing after ``closed`` closed cycles; None before the first sample."""
    if standing.held is None or not len(standing.held):
        return None
    scan = standing.scan
    uncrossed = scan.row in (LEAD, BETWEEN)
    armed = scan.armed if scan.row in (NO_ROW, BETWEEN) else scan.row == OPEN
    fresh = uncrossed and scan.start == 0
    change_us = int(standing.held.change_us[0]) if fresh and standing.held.change_us.size else 0
    return Anchor(
        int(standing.held.time_us[0]), armed, scan.segment, closed, uncrossed, fresh, change_us=change_us
    )  # fmt: skip


def resumed(anchor: Anchor, cut: Cut) -> Standing:
    """The standing just before the sample of an anchor."""
    scan = FRESH._replace(armed=anchor.armed, segment=anchor.segment, fresh=anchor.fresh)
    if cut.by_record:
        scan = scan._replace(row=OPEN)
    elif anchor.between and not anchor.fresh:
        scan = scan._replace(row=BETWEEN, start=1)
    return Standing(None, scan)


UNKNOWN = Standing(None, FRESH)
"""The standing before a batch whose past is not known: cycles are found from the first sure boundary on."""


def cut_batch(new: Signals, cut: Cut, standing: Standing) -> tuple[list[Pieces], Standing]:
    """Cut the rows that end in some samples.

    Only a seam is copied: what is held, and the new samples up to the first boundary.
    """
    if standing.held is None or not len(standing.held):
        pieces, standing = _cut(new, 0, cut, standing.scan)
        return [pieces], standing
    held = len(standing.held)
    size = SEAM_SAMPLES
    while True:
        size = min(size, len(new))
        seam = standing.held.followed_by(new.part(0, size))
        pieces, after = _cut(seam, held, cut, standing.scan)
        if size == len(new):
            return [pieces], after
        start = len(seam) - len(after.held or ()) - held  # where the held samples now begin, in the new ones
        if start >= 0:
            break
        size *= 4
    scan = after.scan._replace(start=after.scan.start + start)
    rest, after = _cut(new, size, cut, scan)
    return [pieces, rest], after


def end_of_log(cut: Cut, standing: Standing) -> Pieces | None:
    """The row in which the log ends; None if there is none."""
    scan = standing.scan
    if standing.held is None or scan.row == NO_ROW or scan.start >= len(standing.held):
        return None
    kind = CLOSED if cut.by_record else scan.row
    event = [[scan.start, len(standing.held), kind, scan.segment]]
    return _pieces(standing.held, np.array(event, np.int64), cut)


def _cut(signals: Signals, first: int, cut: Cut, scan: ScanState) -> tuple[Pieces, Standing]:
    time_us = _scan_times(signals, cut)
    if cut.by_record:
        events, scan = find_records(time_us, first, cut.break_us, scan)
    else:
        events, scan = find_boundaries(
            time_us, trigger_of(signals, cut), first, cut.low, cut.high, cut.break_us, cut.longest_us, scan
        )
    pieces = _pieces(signals, events, cut)
    keep = len(signals) - 1
    if scan.row != NO_ROW:
        keep = min(scan.start - (0 if cut.by_record else 1), keep)
    keep = max(keep, 0)
    return pieces, Standing(signals.part(keep, len(signals)), scan._replace(start=scan.start - keep))


def _scan_times(signals: Signals, cut: Cut) -> NDArray[np.int64]:
    """Times in which each change of the mode ends the segment, however short it was."""
    if not signals.change_us.any():
        return signals.time_us
    return read_only(signals.time_us + (cut.break_us + 1) * np.cumsum(signals.change_us > 0))


def trigger_of(signals: Signals, cut: Cut) -> NDArray[Any]:
    """The signal whose crossings bound a cycle."""
    return signals.load if cut.by_load else signals.motion


def _pieces(signals: Signals, events: NDArray[np.int64], cut: Cut) -> Pieces:
    boundary = int(events[0, 0]) if len(events) else None
    if not cut.by_record:
        start, end, start_part, end_part, closed, segment = bounds_of(events, trigger_of(signals, cut), cut.high)
        none = np.zeros(len(start), np.int64)
        between = events[:, 2] == BETWEEN
        return Pieces(signals, start, end, start_part, end_part, closed, between, segment, end - start, none, boundary)
    events = events[events[:, 1] - events[:, 0] >= 2]  # a single sample is no loop
    start, end, kind, segment = events.T.copy()
    whole = np.ones(len(events)), np.zeros(len(events))  # from the first sample to the last
    odd = _odd_records(signals, start, end, cut)
    closed, between = (kind == CLOSED) & (odd == 0), np.zeros(len(events), bool)
    return Pieces(signals, start, end, *whole, closed, between, segment, end - start, odd, boundary)


def _odd_records(signals: Signals, start: NDArray[np.int64], end: NDArray[np.int64], cut: Cut) -> NDArray[np.int64]:
    """What each record is, as a place in :data:`RECORD_KINDS`."""
    trigger, time_us = trigger_of(signals, cut), signals.time_us
    kinds = (
        record_kind(trigger[a:b], 1e-6 * float(time_us[b - 1] - time_us[a]), cut.period_s)
        for a, b in zip(start.tolist(), end.tolist(), strict=True)
    )
    return np.array([RECORD_KINDS.index(kind) for kind in kinds], np.int64)
