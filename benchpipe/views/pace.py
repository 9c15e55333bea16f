"""Pace of a run, and its expected end."""

from __future__ import annotations

from benchpipe.blocks.cyclic.final_cycles import last_cycles
from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.cyclic.planned_end import block_end
from benchpipe.run import RunConfig
from benchpipe.store.manifest import Manifest
from benchpipe.store.pauses import NO_RESTART, RunClock
from benchpipe.store.run_store import RunStore
from benchpipe.views.model import Pace

DAY_US = 86_400_000_000
LEAST_US = 30 * 60_000_000  # of logs, without pauses: a shorter piece says nothing of a day


def pace_of(
    run: RunConfig, manifest: Manifest, store: RunStore, last_us: int | None, clock: RunClock = NO_RESTART
) -> Pace | None:
    """Pace of a run whose logs end at ``last_us`` of its clock; None where the plan has no cyclic block.

    Pauses of unknown length are left out: pace and end are by logged time, and by pauses that are known.
    """
    blocks = run.plan.blocks_of(CyclicBlock)
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
