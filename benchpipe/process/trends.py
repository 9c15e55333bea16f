"""Cycles and holds → trends: medians over bins of cycle numbers, and the change since the baseline."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from benchpipe.config.plan import CyclicBlock
from benchpipe.kernels.robust import binned_medians, median
from benchpipe.tables import CycleFlag, schema

MEASURES = (
    "secant_stiffness", "loading_stiffness", "unloading_stiffness", "energy_j", "loss_factor",
    "load_range", "motion_range", "motion_mean", "temperature_c",
)  # fmt: skip
NO_RATIO = ("motion_mean", "temperature_c")  # scales whose zero is arbitrary have no relative change
MOST_BINS = 120
NOT_JUDGED = CycleFlag.OPEN | CycleFlag.UNDER_SAMPLED | CycleFlag.GAP | CycleFlag.SATURATED
Floats = NDArray[np.float64]


def bin_width(last: int) -> int:
    """Cycles in a bin: 1, 2 or 5 times a power of ten, at most :data:`MOST_BINS` bins up to ``last``."""
    width = 1
    while last / width > MOST_BINS:
        width = next(w for w in (width * 2, width * 5 // 2, width * 2) if str(w)[0] in "125" and w > width)
    return width


def floats(column: pa.ChunkedArray) -> Floats:
    """Column → float64, NaN for null."""
    array = column.combine_chunks().cast("float64", safe=False)
    return np.array(array.fill_null(float("nan")) if array.null_count else array)


def cycle_trends(block: CyclicBlock, read: Callable[[list[str]], pa.Table]) -> pa.Table:
    """Trend rows of a block.

    Parameters
    ----------
    block : CyclicBlock
    read : callable
        ``read(columns)`` gives columns of its rows of the cycles table; one measure at a
        time is read, so that memory does not grow with their number.
    """
    basis = read(["cycle", "flags"])
    number = floats(basis.column("cycle"))
    judged = np.isfinite(number) & ((np.array(basis.column("flags")) & int(NOT_JUDGED)) == 0)
    rows: list[dict[str, Any]] = []
    if judged.any():
        for measure in MEASURES:
            values = floats(read([measure]).column(measure))
            use = judged & np.isfinite(values)
            rows += _trend_rows(block, measure, number[use], values[use])
    return pa.Table.from_pylist(rows, schema=schema("trends"))


def _trend_rows(block: CyclicBlock, measure: str, number: Floats, values: Floats) -> Iterator[dict[str, Any]]:
    if not number.size:
        return
    width = bin_width(int(number[-1]))
    edges = np.arange(0.5, number[-1] + width + 0.5, width)
    bins = binned_medians(number, values, edges)
    base = None if measure in NO_RATIO else baseline_median(block, number, values)
    for k, (value, spread, count) in enumerate(zip(bins.value, bins.spread, bins.count, strict=True)):
        if count == 0:  # no cycle of the bin could be measured
            continue
        first, last = k * width + 1, (k + 1) * width
        change = value / base - 1.0 if base is not None and base != 0.0 else None
        yield {
            "block": block.name, "measure": measure, "number": (first + last) // 2, "first": first, "last": last,
            "used": int(count), "median": float(value), "spread": float(spread), "change": change,
        }  # fmt: skip


def baseline_median(block: CyclicBlock, number: Floats, values: Floats) -> float | None:
    """Median over the block's baseline window; None while the window is not full."""
    if block.baseline is None:
        return None
    first, last = block.baseline
    inside = (number >= first) & (number <= last)
    return median(values[inside]) if inside.any() and number[-1] >= last else None
