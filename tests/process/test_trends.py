"""Trends of invented cycles."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest

from benchpipe.config.model import Quantity
from benchpipe.config.plan import CyclicBlock
from benchpipe.process.trends import MEASURES, MOST_BINS, bin_width, cycle_trends

BLOCK = CyclicBlock(
    name="b", kind="cyclic", frequency="1 Hz", baseline=(1, 100),
    load_min=Quantity(0.0, "torque"), load_max=Quantity(10.0, "torque"),
)  # fmt: skip


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
    rows = [r for r in cycle_trends(BLOCK, table.select).to_pylist() if r["measure"] == "secant_stiffness"]
    assert all(r["first"] <= 100 or r["last"] >= 401 for r in rows)
    assert sum(r["used"] for r in rows) == 200
    assert rows[0]["change"] == pytest.approx(0.0)
    assert rows[-1]["change"] == pytest.approx(-0.1)
    assert (rows[0]["first"], rows[-1]["last"]) == (1, 500)
