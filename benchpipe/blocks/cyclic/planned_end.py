"""Has a cycle test reached its planned end? One answer, by detection or by the rig's own counter.

A rig that ran 2,000,000 cycles may have logged 1,999,970 of them: the others went by at stops, in gaps of the log and
in files that are missing. The plan says which of the two counts decides (``planned_by``). Where the counter decides,
only differences with a known reason count: what is unexplained leaves the answer undecided, as soon as the answer
depends on it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import floor

from benchpipe.blocks.cyclic.plan import CyclicBlock, PlannedBy
from benchpipe.blocks.cyclic.state import Counted, CycleFigures
from benchpipe.store.manifest import Manifest

# Kind of difference (process/counting.py) → words, in the order in which they are stated.
REASONS = {
    "stop": "at stops", "gap": "in logging gaps", "uncrossed": "that crossed no threshold",
    "rollover": "at counter rollovers", "tick": "by the tick's moment", "reset": "at counter resets",
    "unexplained": "unexplained",
}  # fmt: skip
# What went by while a counter was set to zero is not known from its values.
IN_DOUBT = ("reset", "unexplained")
LEAST_STATED = 0.5  # cycles


@dataclass(frozen=True)
class PlannedEnd:
    """Whether a cycle test has come to its planned end.

    Attributes
    ----------
    done : bool
        The count that decides has surely reached the plan.
    cycles : int
        Cycles by the count that decides.
    planned : int or None
        None where the plan does not say: never done.
    planned_by : str
        ``"detected"`` or ``"counter"``.
    detected : int
        Complete cycles that were detected.
    counted : float or None
        Cycles by the rig's counter over the same block, before the first row with a counter those detected; None
        without counter values.
    difference : str
        By how much and why the two differ, in words; empty where they do not differ or there is no counter.
    undecided : str
        Why it cannot be decided whether the end has been reached; empty where it can.
    """

    done: bool
    cycles: int
    planned: int | None
    planned_by: PlannedBy
    detected: int
    counted: float | None
    difference: str
    undecided: str

    @property
    def over(self) -> bool:
        """Nothing more is to come: what is asked of the cycle test is judged, as inconclusive where undecided."""
        return self.done or bool(self.undecided)


def planned_end(detected: int, counted: Counted | None, planned: int | None, planned_by: PlannedBy) -> PlannedEnd:
    """Decide whether a cycle test has reached a number of cycles.

    Parameters
    ----------
    detected : int
        Complete cycles of the block.
    counted : Counted or None
        What the process step keeps of the comparison with the counter. None without counter values.
    planned : int or None
        Cycles to be reached: those of the plan, or of a limit on ``cycles_done``.
    planned_by : str

    Returns
    -------
    PlannedEnd

    Notes
    -----
    A counter is read at the start of each cycle, so the last tick of a run shows in no cycle: one tick (and at least
    one cycle) short of the plan, the counter has reached it.
    """
    if counted is None:
        return _without_counter(detected, planned, planned_by)
    by_kind = dict.fromkeys(REASONS, 0.0)
    more, fewer = 0.0, 0.0  # cycles in doubt that the counter has more, or fewer, than the detection
    for kind, _, _, cycles in counted.differences:
        by_kind[kind] += cycles
        if kind in IN_DOUBT:
            more, fewer = more + max(cycles, 0.0), fewer + max(-cycles, 0.0)
    total = detected + counted.counted - counted.detected
    words = _difference(detected, total, by_kind)
    tick = max(1.0, 1.0 / counted.per_cycle)
    goal = float("inf") if planned is None else planned - tick
    if planned_by == "detected":
        done = planned is not None and detected >= planned
        why = ""
        if not done and total - more >= goal and detected < goal:
            why = (
                f"the rig counter has reached {planned:,} cycles and detection has not: "
                'planned_by = "counter" in the plan lets the counter decide'
            )
        return PlannedEnd(done, detected, planned, planned_by, detected, total, words, why)
    done = total - more >= goal
    doubt = more + fewer
    why = f"{doubt:,.6g} cycles between counter and detection have no known reason"
    undecided = why if not done and total + fewer >= goal else ""
    cycles = floor(total + 1e-6)
    if planned is not None and done and total < planned:
        cycles = planned
        words = words and f"{words}; the last tick falls after the start of the last cycle"
    return PlannedEnd(done, cycles, planned, planned_by, detected, total, words, undecided)


def block_end(block: CyclicBlock, manifest: Manifest, detected: int, planned: int | None = None) -> PlannedEnd:
    """Whether a cyclic block has come to its planned end, as the process step left it.

    Parameters
    ----------
    detected : int
        Number of its last complete cycle.
    planned : int, optional
        Cycles to be reached, where a limit asks for others than the plan.
    """
    kept = manifest.block_state(block.name, CycleFigures)
    counted = None if kept is None else kept.counted
    return planned_end(detected, counted, block.planned_cycles if planned is None else planned, block.planned_by)


def _without_counter(detected: int, planned: int | None, planned_by: PlannedBy) -> PlannedEnd:
    reached = planned is not None and detected >= planned
    if planned_by == "detected":
        return PlannedEnd(reached, detected, planned, planned_by, detected, None, "", "")
    why = "the plan lets the rig counter decide, and the cycles have no counter values" if reached else ""
    words = f"cycle count: rig counter without values, detected {detected:,}"
    return PlannedEnd(False, detected, planned, planned_by, detected, None, words, why)


def _difference(detected: int, total: float, by_kind: Mapping[str, float]) -> str:
    """``cycle count: rig counter 2,000,000, detected 1,999,970; 12 at stops, 18 in logging gaps``."""
    parts = [f"{by_kind[kind]:,.0f} {words}" for kind, words in REASONS.items() if abs(by_kind[kind]) >= LEAST_STATED]
    if not parts:
        return ""
    return f"cycle count: rig counter {total:,.0f}, detected {detected:,}; {', '.join(parts)}"
