"""Trends of invented cycles."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.cyclic.tables import CycleFlag
from benchpipe.blocks.cyclic.trends import MEASURES, MOST_BINS, CycleValues, bin_width, cycle_trends
from benchpipe.config.model import Quantity

BLOCK = CyclicBlock(
    name="b", kind="cyclic", frequency="1 Hz", baseline=(1, 100),
    load_min=Quantity(0.0, "torque"), load_max=Quantity(10.0, "torque"),
)  # fmt: skip


def all_of(table: pa.Table) -> CycleValues:
    """All rows, whatever is asked for."""
    return CycleValues(lambda columns, *_: table.select(columns))


@pytest.mark.parametrize("last", [1, 119, 121, 5_000, 2_000_000])
def test_bins_are_round_and_few(last: int) -> None:
    width = bin_width(last)
    assert last / width <= MOST_BINS
    assert str(width)[0] in "125"
    assert set(str(width)[1:]) <= {"0"}


def test_a_bin_without_cycles_is_left_out_and_the_others_keep_their_numbers() -> None:
    number = np.concatenate([np.arange(1, 101), np.arange(401, 501)])
    columns = {"cycle": number, "flags": np.zeros(200, np.uint16)}
    columns |= {m: np.where(number <= 100, 10.0, 9.0) for m in MEASURES}
    table = pa.table(columns)
    rows = [r for r in cycle_trends(BLOCK, all_of(table)).to_pylist() if r["measure"] == "secant_stiffness"]
    assert all(r["first"] <= 100 or r["last"] >= 401 for r in rows)
    assert sum(r["used"] for r in rows) == 200
    assert rows[0]["change"] == pytest.approx(0.0)
    assert rows[-1]["change"] == pytest.approx(-0.1)
    assert (rows[0]["first"], rows[-1]["last"]) == (1, 500)


@given(
    st.lists(st.integers(0, 700), min_size=1, max_size=5), st.integers(0, 2**32 - 1),
    st.sampled_from([(1, 100), (150, 300), None]), st.sampled_from([0.0, 0.3, 0.97]),
)  # fmt: skip
def test_nights_give_the_trends_of_one_pass_to_the_last_bit(
    nights: list[int], seed: int, baseline: tuple[int, int] | None, lost: float
) -> None:
    draw = np.random.default_rng(seed)
    n = sum(nights)
    flags = np.where(draw.random(n) < lost, int(CycleFlag.GAP), 0).astype(np.uint16)
    number = pa.array(np.arange(1, n + 1))
    columns = {m: pa.array(draw.normal(10.0, 1.0, n), mask=draw.random(n) < 0.2) for m in MEASURES}
    table = pa.table({"cycle": number, "flags": flags, **columns})
    block = BLOCK.model_copy(update={"baseline": baseline})
    past, settled = None, 0
    for until in np.cumsum(nights).tolist():
        here = table.slice(0, until)
        past, settled = cycle_trends(block, all_of(here), past, settled), until
    assert past == cycle_trends(block, all_of(table))


def test_bins_that_are_full_are_not_read_again() -> None:
    n = 2_000
    columns = {m: np.full(n, 10.0) for m in MEASURES}
    table = pa.table({"cycle": np.arange(1, n + 1), "flags": np.zeros(n, np.uint16), **columns})
    asked: list[tuple[int, int | None]] = []

    def read(names: list[str], first: int, last: int | None) -> pa.Table:
        asked.append((first, last))
        return table.select(names)

    past = cycle_trends(BLOCK, all_of(table.slice(0, 1_900)))
    cycle_trends(BLOCK, CycleValues(read), past, 1_900)
    assert set(asked) == {(1901, None), (1, 100)}
