"""How fast a run goes, and when it is expected to end."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.check.planned_end import block_end
from benchpipe.config.plan import CyclicBlock
from benchpipe.config.run import RunConfig
from benchpipe.store.manifest import Manifest, Part
from benchpipe.store.pauses import NO_RESTART, RunClock
from benchpipe.store.run_store import RunStore
from benchpipe.store.tails import last_rows_of

DAY_US = 86_400_000_000
LEAST_US = 30 * 60_000_000  # of logs, without pauses: a shorter piece says nothing of a day


@dataclass(frozen=True)
class Pace:
    """Complete cycles of all cyclic blocks of a run.

    Attributes
    ----------
    done : int
        By the count that decides in each block (``planned_by``).
    planned : int, optional
        None where the plan does not say.
    per_day : float, optional
        Cycles a day over the last day of the logs: stops and known pauses included, pauses of unknown length not;
        None where no cycle was found, or the logs are shorter than :data:`LEAST_US`.
    end_us : int, optional
        Time of the last planned cycle at that pace, by the run's clock; None where there is nothing
        to expect: no plan, all done, or no cycle in the last day.
    """

    done: int
    planned: int | None
    per_day: float | None
    end_us: int | None

    def seen_at(self, now_us: int) -> Pace:
        """The pace at a time of the run's axis: an end that is over was none."""
        over = self.end_us is not None and self.end_us <= now_us
        return replace(self, end_us=None) if over else self


@dataclass(frozen=True)
class LastCycles:
    """The newest complete cycles of a block.

    ``start_us`` holds their starts from the asked time on; ``first_us`` is the start of the
    block's first cycle where that lies in what was read.
    """

    done: int
    start_us: NDArray[np.int64]
    first_us: int | None


def last_cycles(block: str, manifest: Manifest, store: RunStore, since_us: int | None = None) -> LastCycles:
    """Read the newest cycles of a block, and no older part than is needed.

    Parameters
    ----------
    since_us : int, optional
        Starts from there on are wanted; without it only the number of the last one.
    """
    parts = cycle_parts(block, manifest)
    done, starts, first = 0, [np.empty(0, np.int64)], None
    while parts:
        part = parts.pop()
        table = last_rows_of(store.folder, [part], ["cycle", "start_us"], part.rows)
        if table is None:
            continue
        number = np.array(table.column("cycle").combine_chunks().fill_null(0))
        start = np.array(table.column("start_us"))[number > 0]
        done = max(done, int(number.max(initial=0)))
        if start.size:
            first = int(start[0]) if number[number > 0][0] == 1 else None
            starts.insert(1, start if since_us is None else start[start >= since_us])
            if since_us is None or start[0] < since_us:
                break
    return LastCycles(done, np.concatenate(starts), first)


def cycle_parts(block: str, manifest: Manifest) -> list[Part]:
    """Parts of the cycles table that belong to a block, in order."""
    step = manifest.steps.get("process")
    state: dict[str, Any] = step.state.get(block, {}) if step else {}
    own = set(state.get("parts", ()))
    return [part for part in manifest.table("cycles") if part.path in own]


def pace_of(
    run: RunConfig, manifest: Manifest, store: RunStore, last_us: int | None, clock: RunClock = NO_RESTART
) -> Pace | None:
    """Pace of a run whose logs end at ``last_us`` of its clock; None where the plan has no cyclic block.

    Pauses of unknown length are left out: pace and end are by logged time, and by pauses that are known.
    """
    blocks = [b for b in run.plan.block if isinstance(b, CyclicBlock)]
    if not blocks:
        return None
    since = None if last_us is None else last_us - DAY_US
    from_us = None if since is None else clock.axis(since)
    tails = [last_cycles(b.name, manifest, store, from_us) for b in blocks]
    ends = [block_end(b, manifest, tail.done) for b, tail in zip(blocks, tails, strict=True)]
    done = sum(end.cycles for end in ends)
    planned = sum(b.planned_cycles or 0 for b in blocks) or None
    firsts = [int(clock.real(tail.first_us)) for tail in tails if tail.first_us is not None]
    if last_us is None or since is None or not done:
        return Pace(done, planned, None, None)
    began = max(since, min(firsts)) if len(firsts) == sum(tail.done > 0 for tail in tails) else since
    if clock.logged_us(clock.axis(began), clock.axis(last_us)) < LEAST_US:
        return Pace(done, planned, None, None)
    per_day = sum(int((clock.real(tail.start_us) >= began).sum()) for tail in tails) * DAY_US / (last_us - began)
    left = sum((end.planned or 0) - end.cycles for end in ends if end.planned is not None and not end.over)
    end = last_us + round(left / per_day * DAY_US) if left > 0 and per_day > 0 else None
    return Pace(done, planned, per_day, end)
