"""Compare the order of a plan's blocks and the pauses between them with the times at which they took place.

The time of a block is that of its complete cycles, holds, sweeps, stance windows or proofs. Idle and
locking blocks, and blocks of which nothing was found yet, have no place in the order.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import pairwise

import numpy as np

from benchpipe.blocks.registry import kind_of
from benchpipe.columns import floats
from benchpipe.config.block import BlockConfig
from benchpipe.store.manifest import Part, Remark
from benchpipe.store.pauses import NO_RESTART, RunClock
from benchpipe.store.run_store import RunStore

US = 1e6
CODES = ("order", "pause")
UNKNOWN = "pause-unknown"
Span = tuple[int, int]


def in_order(block: BlockConfig) -> bool:
    """Whether a block has a place in the order of the plan."""
    events = kind_of(block.kind).events
    return events is not None and events.in_order


def block_span(store: RunStore, block: BlockConfig, parts: Iterable[Part]) -> Span | None:
    """First and last time [us] of what was found of a block; None where nothing was, or it says nothing."""
    events = kind_of(block.kind).events
    if events is None or not events.in_order:
        return None
    own = [p for p in parts if p.table == events.table]
    columns = ["start_us", events.length, events.number]
    rows = store.read_parts(own, events.table, columns)
    length, number = events.length, events.number  # an open cycle has no number
    known = np.isfinite(floats(rows.column(number)))
    if not known.any():
        return None
    start = np.asarray(rows.column("start_us"), np.int64)[known]
    end = start + np.rint(US * np.nan_to_num(floats(rows.column(length))[known])).astype(np.int64)
    return int(start.min()), int(end.max())


def order_remarks(
    blocks: tuple[BlockConfig, ...], spans: dict[str, Span | None], clock: RunClock = NO_RESTART
) -> Iterator[Remark]:
    """One remark for each block that began out of turn, or after a pause that the plan does not allow.

    A pause that is not known, because the log's clock began again in it, is reported where the plan asks for one.

    Parameters
    ----------
    blocks : tuple of BlockConfig
        In the order of the plan.
    spans : dict
        First and last time of each block, or None.
    clock : RunClock
    """
    there = [(block, span) for block in blocks if (span := spans.get(block.name)) is not None]
    for (before, (began, over)), (block, (start, _)) in pairwise(there):
        if start < began:
            early = clock.between_us(start, began) / US
            text = f"it began {early:,.4g} s before '{before.name}', which the plan has before it"
            yield _remark("order", block, text)
            continue
        if (block.pause_min, block.pause_max) != (None, None) and clock.unknown_between(over, start):
            text = f"how long after '{before.name}' it began is not known: the log's clock began again in between"
            yield _remark(UNKNOWN, block, text)
            continue
        pause = clock.between_us(over, start) / US
        for asked, broken, word in (
            (block.pause_min, block.pause_min is not None and pause < block.pause_min, "least"),
            (block.pause_max, block.pause_max is not None and pause > block.pause_max, "most"),
        ):
            if broken:
                text = f"it began {pause:,.4g} s after '{before.name}' was over, at {word} {asked:,.4g} s asked"
                yield _remark("pause", block, text)


def _remark(code: str, block: BlockConfig, text: str) -> Remark:
    return Remark(step="process", code=code, where=block.name, count=1, text=text)
