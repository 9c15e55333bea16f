"""What a table of cycles says when all of its rows are looked at at once: plain sums, medians and sorted columns."""

from __future__ import annotations

from collections.abc import Sequence
from math import log
from typing import Any

import numpy as np
import pyarrow as pa

from benchpipe.blocks.cyclic.counting import KINDS, CountDifference, CountResult, breaks
from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.cyclic.restarts import zero_shifts
from benchpipe.blocks.cyclic.tables import FLAG_MEANING, CycleFlag
from benchpipe.blocks.cyclic.trends import NOT_JUDGED
from benchpipe.columns import floats
from benchpipe.config.rig import RigConfig

RATES = (0.1, 0.2, 0.25, 1 / 3, 0.5, 1.0, 2.0)


def whole_count(block: CyclicBlock, rig: RigConfig, cycles: pa.Table, restarts_us: Sequence[int]) -> CountResult:
    """Every row with a counter, against the next one."""
    count, complete = floats(cycles.column("counter")), np.array(cycles.column("complete"))
    stood = ~complete & (np.array(cycles.column("samples")) / rig.time.sample_rate >= 0.9 * block.longest_cycle_s)
    used = np.flatnonzero(np.isfinite(count))
    if used.size < 2:
        return CountResult(0, 0.0, 1.0, (), 0, 0, int(used.size))
    start, segment = (np.array(cycles.column(name))[used] for name in ("start_us", "segment"))
    done, moved = (np.cumsum(np.append(0, v))[used] for v in (complete, np.array(cycles.column("uncrossed"))))
    count, stood = count[used], stood[used]
    ticks, seen, border = np.diff(count), np.diff(done).astype(float), np.diff(segment) != 0
    plain = ~border & (ticks >= 0) & (ticks <= 3 * seen + 1)
    rate = _rate(float(ticks[plain].sum()), float(seen[plain].sum()))
    steps = np.diff(start)
    usual = ~border & (seen == 1)
    period = float(np.median(steps[usual])) if usual.any() else float(steps.min()) or 1.0
    at = np.flatnonzero(border | (ticks < 0) | (np.abs(ticks - rate * seen) > 1.5))
    allowed = 1.25 * steps[at] / max(period, 1.0) + 1.0
    allowed = np.where(stood[at], np.minimum(allowed, 3.0), allowed)
    passed = np.array([np.sum((start[k] < np.array(restarts_us)) & (restarts_us <= start[k + 1])) for k in at], int)
    unknown = border[at] & (passed > 0)
    around = np.where(unknown, np.minimum(allowed, 3.0), allowed)
    allowed = np.where(unknown & ~stood[at], np.inf, allowed)
    counts = count[at], count[at + 1]
    kinds, real = breaks(counts, ticks[at], seen[at], border[at], stood[at], rate, allowed, around)
    missed = np.diff(moved)[at]
    off = np.abs(real - rate * seen[at]) > 1.5
    kinds[off & (missed > 0) & (np.abs(real - rate * (seen[at] + missed)) <= 1.5 + rate)] = KINDS.index("uncrossed")
    found = []
    for k, (first, last) in enumerate(zip([0, *(at + 1)], [*at, used.size - 1], strict=True)):
        between = float(count[last] - count[first]) / rate - int(done[last] - done[first])
        if abs(between) > 1e-9:
            kind: Any = "tick" if abs(between) <= max(1.0 / rate, 1.0) + 1e-9 else "unexplained"
            found.append(CountDifference(kind, int(start[first]), int(start[last]), between))
        extra = float(real[k] / rate - seen[last]) if k < at.size else 0.0
        if abs(extra) > 1e-9:
            found.append(CountDifference(KINDS[kinds[k]], int(start[last]), int(start[last + 1]), extra))
    resets, rollovers = (int((kinds == KINDS.index(name)).sum()) for name in ("reset", "rollover"))
    counted = float((count[-1] - count[0] + (real - ticks[at]).sum()) / rate)
    return CountResult(int(done[-1] - done[0]), counted, rate, tuple(found), resets, rollovers, int(used.size))


def _rate(ticks: float, cycles: float) -> float:
    if not ticks or not cycles:
        return 1.0
    near = min(RATES, key=lambda rate: abs(log(ticks / cycles / rate)))
    return near if abs(ticks / cycles - near) <= 0.1 * near + 1.0 / cycles else 1.0


def whole_remarks(block: CyclicBlock, cycles: pa.Table) -> list[tuple[str, int, str]]:
    """Code and number of each remark but those on the counter and on held cycles, and words of its text."""
    complete, flags = (np.array(cycles.column(name)) for name in ("complete", "flags"))
    uncrossed = int(np.array(cycles.column("uncrossed")).sum())
    said = []
    for flag in FLAG_MEANING:
        odd = (flags & int(flag)) != 0
        first = np.cumsum(complete)[odd & complete]
        count = uncrossed if flag is CycleFlag.UNCROSSED else int(odd.sum())
        words = f", from cycle {first[0]:,} on:" if flag in NOT_JUDGED and first.size else ": "
        said += [((flag.name or "").lower().replace("_", "-"), count, words)] if count else []
    where = [np.array(cycles.column(name)) for name in ("start_us", "segment", "complete")]
    for high, low in (("peak_load", "valley_load"), ("motion_max", "motion_min")):
        for one in zero_shifts(*where, floats(cycles.column(high)), floats(cycles.column(low))):
            said.append(("zero-shift", 1, f"before segment {one.segment} the "))
    stiffness = floats(cycles.column("secant_stiffness"))[complete]
    negative, known = int((stiffness < 0).sum()), int(np.isfinite(stiffness).sum())
    if negative >= max(10, 0.95 * known):
        said.append(("sign-reversed", 1 * negative, f"in {negative:,} of {known:,} cycles"))
    period = floats(cycles.column("period_s"))[complete]
    period = period[np.isfinite(period)]
    turns = float(np.median(period)) * block.frequency if period.size else 1.0
    if not 1 / 1.5 <= turns <= 1.5:
        said.append(("period", period.size, f"a cycle lasts {turns / block.frequency:.3g} s in the middle"))
    return said
