"""The order of a plan's blocks and the pauses between them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pyarrow as pa

from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.hold.plan import HoldBlock
from benchpipe.blocks.idle.plan import IdleBlock
from benchpipe.blocks.proof.plan import ProofBlock
from benchpipe.config.model import Quantity
from benchpipe.plan import Block
from benchpipe.process.order import Span, block_span, order_remarks
from benchpipe.store.pauses import Restart, RunClock
from benchpipe.store.run_store import RunStore
from benchpipe.tables import schema
from tests.check.judged import cycles, rows

S = 1_000_000


def blocks(**pauses: Any) -> tuple[Block, ...]:
    """Cycling, rest, a hold and a proof; the pauses are the proof's."""
    load, settling = Quantity(60.0, "torque"), Quantity(5.0, "torque")
    return (
        CyclicBlock(name="durability", kind="cyclic", load_min=settling, load_max=load, frequency="1 Hz"),
        IdleBlock(name="rest", kind="idle"),
        HoldBlock(name="held", kind="hold", load=load),
        ProofBlock(name="strength", kind="proof", load=load, settling_load=settling, **pauses),
    )


def told(spans: dict[str, Span | None], **pauses: Any) -> list[tuple[str, str]]:
    return [(r.code, r.where) for r in order_remarks(blocks(**pauses), spans)]


IN_ORDER: dict[str, Span | None] = {
    "durability": (0, 1000 * S), "held": (1100 * S, 1700 * S), "strength": (1760 * S, 1800 * S),
}  # fmt: skip


def test_blocks_in_the_order_of_the_plan_are_fine() -> None:
    assert told(IN_ORDER) == []
    assert told({**IN_ORDER, "held": None}) == []
    assert told({}) == []


def test_a_block_that_begins_before_the_one_before_it_is_told() -> None:
    assert told({**IN_ORDER, "held": (1900 * S, 2000 * S)}) == [("order", "strength")]
    assert told({**IN_ORDER, "durability": (5000 * S, 6000 * S)}) == [("order", "held")]


def test_holds_between_cycles_are_in_order() -> None:
    assert told({**IN_ORDER, "durability": (0, 1500 * S)}) == []


def test_pauses_that_the_plan_does_not_allow_are_told() -> None:
    assert told(IN_ORDER, pause_min=60.0, pause_max=60.0) == []
    assert told(IN_ORDER, pause_min=60.1) == [("pause", "strength")]
    assert told(IN_ORDER, pause_max=59.9) == [("pause", "strength")]
    (remark,) = order_remarks(blocks(pause_min=90.0), IN_ORDER)
    assert remark.text == "it began 60 s after 'held' was over, at least 90 s asked"


def test_a_block_stands_where_what_was_found_of_it_stands(tmp_path: Path) -> None:
    store = RunStore(tmp_path, "one")

    def span(block: Block, table: str, content: list[dict[str, Any]]) -> Span | None:
        made = pa.Table.from_pylist(content, schema=schema(table))
        other = store.write("trends", schema("trends").empty_table(), "1" * 64)  # of the same block
        return block_span(store, block, [store.write(table, made, "0" * 64), other])

    cyclic, idle, held, _ = blocks()
    starts = [k * S for k in range(4)]
    whole = cycles(4, start_us=starts, period_s=1.0, cycle=[1, 2, 3, None])  # the open one is left out
    assert span(cyclic, "cycles", whole) == (0, 3 * S)
    assert span(cyclic, "cycles", cycles(2, cycle=None, start_us=0)) is None
    assert span(held, "holds", rows("holds", 2, start_us=[5 * S, 50 * S], duration_s=10.0)) == (5 * S, 60 * S)
    assert block_span(store, idle, []) is None
    assert block_span(store, held, []) is None


def test_a_pause_of_unknown_length_is_neither_kept_nor_broken() -> None:
    unknown = RunClock((Restart(1750 * S, None),))
    (remark,) = order_remarks(blocks(pause_min=90.0), IN_ORDER, unknown)
    assert (remark.code, remark.where) == ("pause-unknown", "strength")
    assert list(order_remarks(blocks(), IN_ORDER, unknown)) == []


def test_a_pause_that_is_known_is_judged_by_its_length() -> None:
    hour = 3600 * S  # as the axis has it
    spans = {**IN_ORDER, "strength": (1700 * S + hour, 1800 * S + hour)}
    known = RunClock((Restart(1700 * S + hour, 100 * S),))
    assert list(order_remarks(blocks(pause_min=90.0, pause_max=110.0), spans, known)) == []
    (remark,) = order_remarks(blocks(pause_max=90.0), spans, known)
    assert remark.text == "it began 100 s after 'held' was over, at most 90 s asked"
