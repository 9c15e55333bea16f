"""Place each file on the run's time axis.

Files with dates are placed by them, others in the order of their names. Elapsed time that
continues stays where it is. Where a file begins before the end of the one before, the rules are
those of :mod:`benchpipe.ingest.clock`: the same rows again are left out and counted; else it is a
restart, the next day, or a clock that went back. A file with the same bytes as another is left out.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from itertools import takewhile

import numpy as np

from benchpipe.config.rig import TimeConfig
from benchpipe.ingest.clock import ClockEvent, step_back
from benchpipe.ingest.copies import CopiedStretch
from benchpipe.ingest.moved import IsCopy, at_once
from benchpipe.ingest.overlap import NO_OVERLAP, Earlier, Overlap
from benchpipe.ingest.ticks import most_rows, offsets_us, thin_at_border
from benchpipe.store.files import natural_order
from benchpipe.store.manifest import EARLY_ROWS, Placed, Remark, Source, key_of

FindCopies = Callable[[list[Source], list[str]], dict[str, tuple[CopiedStretch, ...]]]


@dataclass(frozen=True)
class _End:
    """End of the run's axis: its last row by the clock, and where that is placed.

    ``stamp``, where it may be shared, is the last by the clock, and has ``rows``; ``before`` are of the one before.
    """

    native: int
    us: int
    stamp: int | None = None
    rows: int = 0
    before: int = 0

    @property
    def shift(self) -> int:
        return self.us - self.native


def place_sources(
    sources: list[Source], time: TimeConfig, overlap: Callable[..., Overlap],
    known: dict[str, Placed] | None = None, is_copy: IsCopy | None = None, copies: FindCopies | None = None,
) -> tuple[list[Source], list[Placed], list[Remark]]:  # fmt: skip
    """Order the files of a run and place them on one rising axis.

    Parameters
    ----------
    sources : list of Source
    time : TimeConfig
    overlap : callable
        :func:`~benchpipe.ingest.overlap.find_overlap` on a store.
    known : dict of Placed, optional
        Places of the last time by file: overlaps and copies of what did not change are not looked for again.
    is_copy : callable, optional
        :func:`~benchpipe.ingest.moved.is_copy` on a store.
    copies : callable, optional
        What :mod:`benchpipe.ingest.copies` finds in logs in the order of time, given the best of them first.

    Returns
    -------
    ordered : list of Source
    placed : list of Placed
        In the same order.
    remarks : list of Remark
    """
    ordered = sorted(sources, key=lambda s: natural_order(s.file))
    if time.dated:
        ordered.sort(key=lambda s: s.first_us or 0)  # stable
    original = _originals(ordered)
    gap_us = round(1e6 * time.gap_s)
    moved = _moved_copies(ordered, original, known or {}, is_copy, gap_us) if is_copy and time.dated else {}
    rest = [s for s in ordered if s.samples and s.file not in original and s.file not in moved]
    best = [s.file for s in sorted(_the_best_first(ordered), key=lambda s: -s.samples)]
    copied = copies(rest, best) if copies else {}
    whole = {s.file for s in rest if sum(one.rows for one in copied.get(s.file, ())) == s.samples}
    ticks = [s.stamps.tick_us for s in ordered if s.stamps is not None and s.stamps.tick_us]
    tick = 0 if time.kind == "sample" else time.resolution_us or min(ticks, default=0)
    places: dict[str, Placed] = {}
    remarks: list[Remark] = []
    end: _End | None = None
    earlier: list[Earlier] = []
    for source in (_without_copies(s, copied.get(s.file, ())) for s in ordered):
        times = (source.first_us, source.last_us, source.native_last_us)
        if source.file in original or source.file in moved or source.file in whole or None in times:
            places[source.file] = Placed(file=source.file, shift_us=0, after_us=None, repeats=0)
            continue
        first, _, native = (us or 0 for us in times)
        find = partial(_overlap, overlap, earlier, known.get(source.file) if known else None)
        if end is not None and (lead := _lead(source, end, time, tick)):
            place, event = Placed(file=source.file, shift_us=end.shift, after_us=None, repeats=0, lead=lead), None
        else:
            place, event = _place(source, first, end, time, find)
        place = _with_thin(_with_early(place, source, end, find), source, end, time)
        place = _with_copies(place, copied.get(source.file, ()))
        places[source.file] = place
        remarks += _remarks(place, event)
        if place.left_out < source.samples:
            end = _end(source, native, place, end)
            earlier.append(Earlier(source, place.shift_us))
    for copy, one in original.items():
        shift = places[one.file].shift_us
        places[copy] = Placed(file=copy, shift_us=shift, after_us=(one.last_us or 0) + shift, repeats=one.samples)
        text = f"it is {one.file} again, byte for byte: {one.samples:,} row(s) are left out"
        remarks.append(Remark(step="ingest", code="duplicate", where=copy, count=one.samples, text=text))
    for source in (source for source in ordered if source.file in moved):
        one, key = moved[source.file]
        by, count = (one.first_us or 0) - (source.first_us or 0), source.samples
        shift = by + places[one.file].shift_us
        after = (source.last_us or 0) + shift
        places[source.file] = Placed(file=source.file, shift_us=shift, after_us=after, repeats=count, key=key)
        text = f"it is {one.file} again, its clock moved by {-by / 1e6:+,g} s: {count:,} row(s) are left out"
        remarks.append(Remark(step="ingest", code="moved-copy", where=source.file, count=count, text=text))
    for source in (source for source in ordered if source.file in whole):
        shift, after = places[source.file].shift_us, source.last_us or 0
        places[source.file] = Placed(file=source.file, shift_us=shift, after_us=after, repeats=source.samples)
    begins = {s.file: s.first_us for s in ordered}
    for file, some in copied.items():
        count, text = sum(one.rows for one in some), _of_copies(file, some, begins, whole=file in whole)
        remarks.append(Remark(step="ingest", code="moved-copy", where=file, count=count, text=text))
    return ordered, [places[s.file] for s in ordered], remarks


def _without_copies(source: Source, stretches: tuple[CopiedStretch, ...]) -> Source:
    """A source as if it began and ended with samples that are no copies."""
    first, last, native = source.first_us, source.last_us, source.native_last_us
    if not stretches or first is None or last is None or native is None:
        return source
    begin = stretches[0].last_us + 1 if stretches[0].first_us == first else first
    end = stretches[-1].first_us - 1 if stretches[-1].last_us == last else last
    ends = {"first_us": begin, "last_us": end, "native_last_us": native - (last - end)}
    return source.model_copy(update={**ends, "stamps": source.stamps if (begin, end) == (first, last) else None})


def _with_copies(place: Placed, stretches: tuple[CopiedStretch, ...]) -> Placed:
    """A place without the copies that do not lie among the first samples, which are left out otherwise."""
    left = [s for s in stretches if place.after_us is None or place.at(s.first_us) > place.after_us]
    return place.model_copy(update={"copied": tuple((s.first_us, s.last_us, s.rows) for s in left)})


def _of_copies(file: str, stretches: tuple[CopiedStretch, ...], begins: dict[str, int | None], *, whole: bool) -> str:
    """Remark on samples that are copies; ``begins`` are the own times at which the logs begin."""
    first, count = stretches[0], sum(one.rows for one in stretches)
    if whole and len(stretches) == 1:
        what = first.other if first.other_us == begins[first.other] else f"a piece of {first.other}"
        by = (first.first_us - first.other_us) / 1e6
        return f"it is {what} again, its clock moved by {by:+,g} s: {count:,} row(s) are left out"
    others = sorted({one.other for one in stretches}, key=natural_order)
    named = ", ".join("it before" if one == file else one for one in others[:3]) + (", …" if len(others) > 3 else "")
    return f"{count:,} row(s) stand in {named} too, at other times: they are a copy, and left out"


def _lead(source: Source, end: _End, time: TimeConfig, tick: int) -> tuple[tuple[int, int], ...]:
    """How far the first samples move that share the last stamp of the file before; empty where they do not.

    They go on in that stamp where it has room for all of them.
    """
    stamps = source.stamps
    if not tick or stamps is None or stamps.first_us != end.stamp:
        return ()
    rate, begin, count = time.sample_rate, end.rows, stamps.first_rows
    if begin + count > most_rows(rate, tick):
        return ()
    own = offsets_us(rate, stamps.tick_us)[:count]
    more = offsets_us(rate, tick)[begin : begin + count] - own
    last = np.flatnonzero(np.diff(more, append=more[-1] + 1))
    return tuple((stamps.first_us + int(own[k]) + 1, int(more[k])) for k in last)


def _end(source: Source, native: int, place: Placed, before: _End | None) -> _End:
    """End of the axis with one more file."""
    stamps, last = source.stamps, source.last_us or 0
    us = place.at(last)
    native += us - last - place.shift_us
    if stamps is None:
        return _End(native, us)
    rows, ahead, shared = stamps.last_rows, stamps.before_rows, before.rows if before is not None and place.lead else 0
    if stamps.first_us == stamps.last_us:
        rows += shared
        if before is not None and _goes_on(place, source, before):
            ahead = before.before if place.lead else before.rows
    elif stamps.last_us == stamps.first_us + stamps.tick_us:
        ahead += shared
    return _End(native, us, stamps.last_us, rows, ahead)


def _goes_on(place: Placed, source: Source, end: _End) -> bool:
    """Whether a file begins in the last stamp of the file before, or with the next one."""
    stamps = source.stamps
    if stamps is None or end.stamp is None or place.shift_us != end.shift or place.after_us is not None:
        return False
    return bool(stamps.tick_us) and (bool(place.lead) or stamps.first_us == end.stamp + stamps.tick_us)


def _with_thin(place: Placed, source: Source, end: _End | None, time: TimeConfig) -> Placed:
    """A place with the rows before which a stamp lacks rows, as only the files before show."""
    if source.stamps is None or end is None or not _goes_on(place, source, end):
        return place
    most = most_rows(time.sample_rate, source.stamps.tick_us)
    thin = thin_at_border(source.stamps, (end.rows, end.before), most, shared=bool(place.lead))
    return place.model_copy(update={"thin": tuple(thin)})


def _place(
    source: Source, first: int, end: _End | None, time: TimeConfig,
    overlap: Callable[[Source, _End, bool], tuple[Overlap, str]],
) -> tuple[Placed, ClockEvent | None]:  # fmt: skip
    gap = round(1e6 * time.gap_s)
    event: ClockEvent | None = None
    shift, after, shared, key = 0, None, NO_OVERLAP, ""
    if end is not None and time.kind == "sample":
        shift = end.us + round(1e6 / time.sample_rate) - first
    elif end is not None and first > end.native:
        shift = end.shift
        if time.dated and shift and first > end.us + gap:
            shift, event = 0, "clock ahead again"
    elif end is not None:
        shared, key = overlap(source, end, first >= end.native - gap)
        if shared.again:
            shift, after = end.shift, end.us
        else:
            shift, event = step_back(time, first, end.native, end.us)
            shared = NO_OVERLAP
    place = Placed(
        file=source.file, shift_us=shift, after_us=after, repeats=shared.same, late=shared.late, key=key,
        restart=event == "restart", early=shared.early,
    )  # fmt: skip
    return place, event


def _with_early(
    place: Placed, source: Source, end: _End | None, overlap: Callable[[Source, _End, bool], tuple[Overlap, str]]
) -> Placed:
    """A place with those early rows that earlier files hold, where the file begins after the end of these."""
    if end is None or not source.early or place.after_us is not None or place.shift_us != end.shift:
        return place
    shared, key = overlap(source, end, True)
    return place.model_copy(update={"early": shared.early, "key": key})


def _overlap(
    find: Callable[..., Overlap], placed: list[Earlier], known: Placed | None, source: Source, end: _End, is_one: bool
) -> tuple[Overlap, str]:  # fmt: skip
    """Overlap of a file with those before, as it was known if nothing changed; and a key of what it is from."""
    first = min(us for us in (source.first_us, source.early_us) if us is not None) + end.shift
    earlier = list(takewhile(lambda one: one.end_us >= first, reversed(placed)))  # ends rise
    before = [[_samples(one.source), one.shift_us] for one in earlier]
    early = [[part.sha256 for part in source.parts if part.table == EARLY_ROWS]] if source.early else []
    key = key_of([_samples(source), end.us, end.shift, is_one, before, *early])
    if known is not None and known.key == key:
        return Overlap(known.repeats, known.late, again=known.after_us is not None, early=known.early), key
    return find(earlier, end.shift, source, end.us, is_one=is_one), key


def _samples(source: Source) -> list[str]:
    return [part.sha256 for part in source.parts if part.table == "samples"]


def _moved_copies(
    ordered: list[Source], others: dict[str, Source], known: dict[str, Placed], is_copy: IsCopy, gap_us: int
) -> dict[str, tuple[Source, str]]:
    """For each file that is another in the same time, its clock moved: that other, and a key of what it was found from.

    No rig writes one thing twice at once, so that this holds without noise too (see :mod:`benchpipe.ingest.copies`).
    """
    alike: dict[str, list[Source]] = {}
    for source in _the_best_first(ordered):
        if source.begins is not None and source.file not in others:
            alike.setdefault(source.begins, []).append(source)
    copies = {}
    for group in alike.values():
        group.sort(key=lambda source: -source.samples)  # stable
        for place, source in enumerate(group):
            for one in group[:place]:
                if one.file in copies or one.first_us == source.first_us:
                    continue
                if not at_once(source, one, ordered, gap_us):
                    continue
                key = key_of(["moved", _samples(source), _samples(one)])
                before = known.get(source.file)
                if (before is not None and before.key == key) or is_copy(source, one):
                    copies[source.file] = one, key
                    break
    return copies


def _originals(ordered: list[Source]) -> dict[str, Source]:
    """For each file that is a copy of another: that other.

    The original is the one whose name belongs to the longest series, then the oldest, then the first by name.
    """
    first: dict[str, Source] = {}
    copies = {}
    for source in _the_best_first(ordered):
        if source.samples and first.setdefault(source.sha256, source) is not source:
            copies[source.file] = first[source.sha256]
    return copies


def _the_best_first(ordered: list[Source]) -> list[Source]:
    series = Counter(_series(s.file) for s in ordered)
    return sorted(ordered, key=lambda s: (-series[_series(s.file)], s.mtime_ns, natural_order(s.file)))


def _series(name: str) -> str:
    return re.sub(r"\d+", "#", name)


def _remarks(place: Placed, event: ClockEvent | None) -> list[Remark]:
    found = []
    if again := place.repeats + sum(rows for _, rows in place.early):
        text = f"{again:,} row(s) repeat the file before and are left out"
        found.append(Remark(step="ingest", code="repeats", where=place.file, count=again, text=text))
    if place.late:
        count = sum(rows for _, rows in place.late)
        text = f"{count:,} row(s) stand at times that the file before has other rows for; they are rejected"
        found.append(Remark(step="ingest", code="late", where=place.file, count=count, text=text))
    if place.thin:
        text = f"{len(place.thin):,} stamp(s) at its begin have half of their rows or fewer: rows are missing there"
        found.append(Remark(step="ingest", code="thin-stamps", where=place.file, count=len(place.thin), text=text))
    if event in ("end of summer time", "clock set back", "clock ahead again"):
        text = f"between the file before and this one: {event}"
        found.append(Remark(step="ingest", code=event.replace(" ", "-"), where=place.file, count=1, text=text))
    return found
