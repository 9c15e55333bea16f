"""Parts that hold a run's samples, in order, each with its place on the axis, its zeros and its second logger."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.config.log import name_matches as matches
from benchpipe.samples.second_log import SecondLog, lines_between, on_second_clock
from benchpipe.samples.second_state import Joint, joint_of
from benchpipe.store.manifest import Manifest, Part, Placed, Source, Zero

Zeros = tuple[tuple[str, tuple[tuple[int | None, float], ...]], ...]


@dataclass(frozen=True)
class SampleInput:
    """One part of the samples and where it is placed on the run's axis.

    ``first_us`` and ``last_us``, where known, are the times of its first and last row there.
    ``zeros`` holds what is taken off a channel, its reading in the idle stretch before: by channel
    steps ``(time from which on, zero)``, the first of them without a time. Only samples up to ``until_us`` count,
    where that is set. ``second`` holds the samples of a second logger beside these.
    """

    file: str
    part: Part
    shift_us: int
    after_us: int | None
    first_us: int | None = None
    last_us: int | None = None
    zeros: Zeros = ()
    lead: tuple[tuple[int, int], ...] = ()
    until_us: int | None = None
    second: SecondLog | None = None

    def placed(self, own_us: NDArray[np.int64]) -> NDArray[np.int64]:
        """Rising times of the file's own clock on the run's axis."""
        time = own_us + self.shift_us if self.shift_us or self.lead else own_us
        begin = 0
        for until, more in self.lead:
            end = int(np.searchsorted(own_us, until))
            time[begin:end] += more
            begin = end
        time.flags.writeable = False
        return time

    @property
    def identity(self) -> list[Any]:
        """What decides the samples it gives."""
        zeros = [[[name, [list(step) for step in steps]] for name, steps in self.zeros]] if self.zeros else []
        second = [] if self.second is None else [self.until_us, self.second.identity]
        lead = [["lead", *map(list, self.lead)]] if self.lead else []
        until = [["until", self.until_us]] if self.second is None and self.until_us is not None else []
        return [self.part.sha256, self.shift_us, self.after_us, *zeros, *lead, *until, *second]


def sample_inputs(manifest: Manifest, patterns: tuple[str, ...] = ("*",)) -> list[SampleInput]:
    """Parts of the samples of the files that match a pattern, in order, with those of a second logger beside them."""
    inputs = logger_inputs(manifest, patterns, second=False)
    joint = joint_of(manifest)
    return inputs if joint is None else _joined(inputs, logger_inputs(manifest, second=True), joint)


def logger_inputs(manifest: Manifest, patterns: tuple[str, ...] = ("*",), *, second: bool) -> list[SampleInput]:
    """Parts of the samples of one logger's files that match a pattern, in order."""
    places = {p.file: p for p in manifest.placed}
    zeros = {} if second else _zeros_by_part(manifest)
    return [
        one
        for source in manifest.sources
        for part in source.parts
        if part.table == "samples" and matches(source.file, patterns)
        if places[source.file].left_out < source.samples and source.second == second
        for one in _inputs(source, part, places[source.file], zeros.get((source.file, part.sha256), ()))
    ]


def _joined(first: list[SampleInput], second: list[SampleInput], joint: Joint) -> list[SampleInput]:
    """Inputs of the first logger, cut where parts of the second end: what is there stays the same when others come.

    Samples later than all of the second logger's wait for it.
    """
    lines = joint.lines
    second = [_at_own_ends(one, joint.spans) for one in second if one.file not in joint.apart]
    found = []
    for whole in first if lines and joint.ends else ():
        one = _at_own_ends(whole, joint.spans)
        begin, end = one.first_us or 0, one.last_us or 0
        for until in sorted({end, *(us for us in joint.ends if begin <= us < end)}):
            if until > joint.ends[-1]:
                break
            edges = on_second_clock(lines, np.array([begin, until]))
            beside = [other for other in second if _between(other, int(edges[0]) - joint.reach_us, int(edges[1]))]
            log = SecondLog(
                joint.channels, joint.held, tuple(beside) if one.file not in joint.apart else (),
                lines_between(lines, begin, until), joint.reach_us,
            )  # fmt: skip
            zeros = tuple((n, tuple(z for z in steps if z[0] is None or z[0] <= until)) for n, steps in one.zeros)
            found.append(replace(one, first_us=begin, last_us=until, until_us=until, zeros=zeros, second=log))
            one, begin = replace(one, after_us=until), until + 1
    return found


def _at_own_ends(one: SampleInput, spans: dict[str, tuple[int, int]]) -> SampleInput:
    """An input with the times of its own first and last sample, not those of its log."""
    begin, end = one.placed(np.array(spans[one.part.sha256], np.int64)).tolist()
    begin = begin if one.after_us is None else max(begin, one.after_us + 1)
    return replace(one, first_us=begin, last_us=end if one.until_us is None else min(end, one.until_us))


def _between(one: SampleInput, first_us: int, last_us: int) -> bool:
    return (one.last_us or 0) >= first_us and (one.first_us or 0) <= last_us


def _inputs(source: Source, part: Part, place: Placed, zeros: Zeros) -> Iterator[SampleInput]:
    """A part's samples, in pieces between those that are left out as copies."""
    first, last = (None if us is None else place.at(us) for us in (source.first_us, source.last_us))
    one = SampleInput(source.file, part, place.shift_us, place.after_us, first, last, zeros, place.lead)
    for begin_us, end_us, _ in place.copied:
        until = place.at(begin_us) - 1
        if first is not None and first <= until:
            yield replace(one, first_us=first, last_us=until, until_us=until)
        first = place.at(end_us) + 1
        one = replace(one, after_us=first - 1)
    if first is None or last is None or first <= last:
        yield replace(one, first_us=first)


def _zeros_by_part(manifest: Manifest) -> dict[tuple[str, str], Zeros]:
    """What is taken off in each part of the samples, by file and hash.

    Each sample has the zero of the last stretch that began before, else of the first. A part says the
    zeros that its own samples have and no more, so that it stays what it was when others come.
    """
    begun: dict[tuple[str, str], list[Zero]] = {}
    standing: dict[str, float] = {}
    for zero in sorted(manifest.zeros(), key=lambda z: z.from_us):
        begun.setdefault((zero.file, zero.part), []).append(zero)
        standing.setdefault(zero.channel, zero.value)
    found: dict[tuple[str, str], Zeros] = {}
    for source in manifest.sources if standing else ():
        for part in (p for p in source.parts if p.table == "samples"):
            steps: dict[str, list[tuple[int | None, float]]] = {n: [(None, v)] for n, v in sorted(standing.items())}
            for zero in begun.get((source.file, part.sha256), ()):
                if zero.value != standing[zero.channel]:
                    steps[zero.channel].append((zero.from_us, zero.value))
                standing[zero.channel] = zero.value
            found[source.file, part.sha256] = tuple((name, tuple(some)) for name, some in steps.items())
    return found
