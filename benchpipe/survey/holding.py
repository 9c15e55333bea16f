"""Held loads and motions of all stretches → holds, relaxations, proofs, dwells of cycles and stances."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

import numpy as np

from benchpipe.kernels.robust import mad_sigma
from benchpipe.survey.activity import LoopAxis
from benchpipe.survey.held import Hold, Sway
from benchpipe.survey.seen import CyclicSeen, HoldSeen, LevelSeen, ProofSeen, RelaxationSeen, StanceSeen, Where

SAME_LEVEL = 0.04  # of a level: holds of one kind
SAME_SWAY = 0.2  # of a load: stances of one kind
PROOF_S = 120.0
PROOF_BEYOND = 1.05  # times the largest load of the cycles
SETTLING = (0.005, 0.5)  # of the proof load
DWELLS = 5
Dwell = tuple[LoopAxis, float]


def dwells_of(holds: list[Hold]) -> list[Dwell]:
    """Levels that are held evenly again and again in one stretch: the top or the bottom of cycles, no holds."""
    found = []
    for axis, level, group in _by_level(holds):
        stretch, _ = Counter(hold.at[0] for hold in group).most_common(1)[0]
        own = [hold for hold in group if hold.at[0] == stretch]
        lasted = np.array([hold.duration_s for hold in own])
        apart = np.diff(np.sort([hold.start_us for hold in own]))
        even = [np.quantile(x, 0.9) <= 1.3 * np.quantile(x, 0.1) for x in (lasted, apart) if x.size]
        if len(own) >= DWELLS and all(even) and float(np.median(apart)) <= 1e6 * 10.0 * float(np.median(lasted)):
            found.append((axis, level))
    return found


def is_dwell(hold: Hold, dwells: list[Dwell]) -> bool:
    """Whether a hold is one of the dwells of cycles."""
    return any(hold.axis == axis and abs(hold.level - level) <= SAME_LEVEL * abs(level) for axis, level in dwells)


def _by_level(holds: list[Hold], axis: LoopAxis | None = None) -> Iterator[tuple[LoopAxis, float, list[Hold]]]:
    """Holds of each axis by level, the lowest first."""
    for one in ("load", "motion") if axis is None else (axis,):
        group: list[Hold] = []
        for hold in sorted((h for h in holds if h.axis == one), key=lambda h: h.level):
            if group and abs(hold.level - group[0].level) > SAME_LEVEL * abs(group[0].level):
                yield one, float(np.median([h.level for h in group])), group
                group = []
            group.append(hold)
        if group:
            yield one, float(np.median([h.level for h in group])), group


def proofs_of(holds: list[Hold], cyclic: tuple[CyclicSeen, ...]) -> tuple[list[Hold], list[Hold]]:
    """Holds that are proofs, and the others."""
    top = max((max(abs(c.peak.value), abs(c.valley.value)) for c in cyclic if c.axis == "load"), default=0.0)

    def is_proof(hold: Hold) -> bool:
        if hold.axis != "load":
            return False
        size = abs(hold.level)
        settled = abs(hold.after - hold.before) <= 0.03 * size and hold.before * hold.level > 0.0
        part = abs(hold.before) / size
        short = hold.duration_s <= PROOF_S and size > PROOF_BEYOND * top
        return settled and short and SETTLING[0] <= part <= SETTLING[1]

    return [hold for hold in holds if is_proof(hold)], [hold for hold in holds if not is_proof(hold)]


def proofs_seen(found: list[Hold]) -> Iterator[ProofSeen]:
    """Proofs of one load together."""
    for _, load, group in _by_level(found):
        lasted = float(np.median([hold.duration_s for hold in group]))
        settling = float(np.median([hold.before for hold in group]))
        rest_s = min(hold.rest_s for hold in group)
        yield ProofSeen(_of_holds(group), _level(load, group), settling, rest_s, len(group), lasted)


def holds_seen(found: list[Hold]) -> Iterator[HoldSeen]:
    """Holds of one load together."""
    for _, load, group in _by_level(found, "load"):
        yield HoldSeen(_of_holds(group), _level(load, group), _begun(group), max(hold.duration_s for hold in group))


def relaxations_seen(found: list[Hold]) -> Iterator[RelaxationSeen]:
    """Relaxations at one motion together."""
    for _, motion, group in _by_level(found, "motion"):
        first, lost = max((hold.load_at_first, hold.lost) for hold in group)
        longest = max(hold.duration_s for hold in group)
        yield RelaxationSeen(_of_holds(group), _level(motion, group), first, lost, _begun(group), longest)


def stances_seen(found: list[Sway]) -> Iterator[StanceSeen]:
    """Stays about one load together."""
    groups: list[list[Sway]] = []
    for sway in found:
        middle = 0.5 * sum(sway.load)
        near = (g for g in groups if abs(0.5 * sum(g[0].load) - middle) <= SAME_SWAY * abs(middle))
        group = next(near, None)
        if group is None:
            groups.append([sway])
        else:
            group.append(sway)
    for group in groups:
        modes = {sway.mode for sway in group}
        where = Where(group[0].at, modes.pop() if len(modes) == 1 else None)
        ends = min(sway.load[0] for sway in group), max(sway.load[1] for sway in group)
        yield StanceSeen(where, ends, len(group), min(sway.duration_s for sway in group))


def _begun(group: list[Hold]) -> int:
    """Holds that do not go on from the log before."""
    return sum(not any(hold.goes_on(other) for other in group) for hold in group)


def _level(level: float, group: list[Hold]) -> LevelSeen:
    return LevelSeen(level, float(mad_sigma(np.array([hold.level for hold in group]))) if len(group) > 2 else 0.0)


def _of_holds(group: list[Hold]) -> Where:
    """Rows of holds: their mode if it is one; their level tells them from what else is there."""
    modes = {hold.mode for hold in group}
    return Where(min(hold.at for hold in group), modes.pop() if len(modes) == 1 else None)
