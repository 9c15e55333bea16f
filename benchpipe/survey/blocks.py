"""Activity of all stretches → evidence for each kind of block, and the rows it is in."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

import numpy as np

from benchpipe.samples.stream import matches
from benchpipe.survey.activity import SamplePlace, WholeRanges, cycles_of, spans_of
from benchpipe.survey.cycling import ByAxis, repeating_of
from benchpipe.survey.held import Hold, Sway, holds_of, sways_of
from benchpipe.survey.holding import (
    dwells_of,
    holds_seen,
    is_dwell,
    proofs_of,
    proofs_seen,
    relaxations_seen,
    stances_seen,
)
from benchpipe.survey.names import pattern_of
from benchpipe.survey.rolling import rolls_seen
from benchpipe.survey.seen import MovingSeen, Seen, Where
from benchpipe.survey.stretches import Stretch, Surveyed

LAST: SamplePlace = (1 << 62, 0)
MOVES = 0.1  # of the range of all load or motion: more is no rest
LEAST_MOVING_S = 10.0  # in all: less is a move between tests
ENDS = (0.005, 0.995)


def find_blocks(surveyed: Surveyed) -> Seen:
    """Put together what the stretches show. One that shows a roll shows no other test."""
    stretches = [stretch for stretch in surveyed.stretches if stretch.rolling is None]
    spans = spans_of(surveyed.stretches)
    held = [holds_of(stretch, spans) for stretch in stretches]
    dwells = dwells_of([hold for found in held for hold in found])
    holds: list[Hold] = []
    swaying: list[Sway] = []
    cycles: ByAxis = {"load": [], "motion": []}
    for stretch, found in zip(stretches, held, strict=True):
        kept = [hold for hold in found if not is_dwell(hold, dwells)]
        taken = [hold.samples for hold in kept]
        holds += kept
        for axis, some in cycles.items():
            new = list(cycles_of(stretch, axis, spans, taken[: len(kept)]))
            some += new
            taken += [(one.at[1], one.end) for one in new]
        swaying += sways_of(stretch, spans, taken)
    repeating = repeating_of(cycles, surveyed)
    proofs, rest = proofs_of(holds, repeating.cyclic)
    seen = Seen(
        cyclic=repeating.cyclic,
        sweeps=repeating.sweeps,
        slow=repeating.slow,
        holds=tuple(holds_seen(rest)),
        relaxations=tuple(relaxations_seen(rest)),
        proofs=tuple(proofs_seen(proofs)),
        rolls=tuple(rolls_seen(surveyed.stretches)),
        stances=tuple(stances_seen(swaying)),
        changes=_changes(surveyed),
        notes=tuple(f"the {axis} dwells at about {level:.4g} in each cycle" for axis, level in dwells),
    )
    left = [(where, _moving(where, surveyed, spans)) for where in _left(seen, surveyed)]
    return replace(
        seen,
        moving=tuple(moving for _, moving in left if moving is not None),
        idle=tuple(where for where, moving in left if moving is None),
    )


def _left(seen: Seen, surveyed: Surveyed) -> Iterator[Where]:
    """Modes that no block takes, and logs that none does."""
    taken = [one.where for one in seen.repeated]
    if not taken:
        return
    modes = dict.fromkeys(mode for _, mode in surveyed.rows if mode is not None)
    if None not in {where.mode for where in taken}:
        yield from (Where(LAST, mode) for mode in modes if mode not in {where.mode for where in taken})
    names = {name for name, _ in surveyed.rows}
    if all(where.files for where in taken):
        left = {name for name in names if not any(matches(name, where.files) for where in taken)}
        if left:
            yield Where(LAST, None, pattern_of(left, names - left))


def _moving(where: Where, surveyed: Surveyed, spans: WholeRanges) -> MovingSeen | None:
    """What moves in rows that no block takes; None where they are at rest, or only go from one test to another."""
    own = [s for s in surveyed.stretches if _takes(where, s)]
    seconds = sum(float(s.time_s[-1]) for s in own)
    if seconds < LEAST_MOVING_S:
        return None
    load, motion = (
        tuple(np.quantile(np.concatenate([getattr(s.signals, axis) for s in own]), ENDS).tolist())
        for axis in ("load", "motion")
    )
    moves = load[1] - load[0] > MOVES * spans.load or motion[1] - motion[0] > MOVES * spans.motion
    return MovingSeen(where, seconds, load, motion) if moves else None


def _takes(where: Where, stretch: Stretch) -> bool:
    return where.mode in (None, stretch.mode) and (not where.files or matches(stretch.file, where.files))


def _changes(surveyed: Surveyed) -> int:
    """Changes of the mode from one stretch to the next of a log."""
    known = [(s.file, s.mode) for s in surveyed.stretches if s.mode is not None]
    return sum(a[0] == b[0] and a[1] != b[1] for a, b in pairwise(known))
