"""Cycles and holds → trends: medians over bins of cycle numbers, and the change since the baseline."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.cyclic.tables import NOT_ONE_LOOP, TRENDS, CycleFlag
from benchpipe.columns import floats, schema_of
from benchpipe.kernels.robust import binned_medians, median

MEASURES = (
    "secant_stiffness", "loading_stiffness", "unloading_stiffness", "energy_j", "loss_factor",
    "load_range", "motion_range", "motion_mean", "temperature_c",
)  # fmt: skip
NO_RATIO = ("motion_mean", "temperature_c")  # scales whose zero is arbitrary have no relative change
MOST_BINS = 120
NOT_JUDGED = (
    CycleFlag.OPEN | CycleFlag.UNDER_SAMPLED | CycleFlag.GAP | CycleFlag.SATURATED | CycleFlag.STOOD_STILL
    | CycleFlag.UNCROSSED | NOT_ONE_LOOP
)
Floats = NDArray[np.float64]


def bin_width(last: int) -> int:
    """Cycles in a bin: 1, 2 or 5 times a power of ten, at most :data:`MOST_BINS` bins up to ``last``."""
    width = 1
    while last / width > MOST_BINS:
        width = next(w for w in (width * 2, width * 5 // 2, width * 2) if str(w)[0] in "125" and w > width)
    return width


class CycleValues:
    """Measures of the judged cycles of a block, read as they are asked for.

    Parameters
    ----------
    read : callable
        ``read(columns, first, last)`` gives columns of rows of the cycles table that hold the cycles
        from ``first`` to ``last`` (None: to the end), and maybe others.
    """

    def __init__(self, read: Callable[[list[str], int, int | None], pa.Table]) -> None:
        self._read = read
        self._judged: dict[tuple[int, int | None], tuple[Floats, NDArray[np.bool_]]] = {}

    def __call__(self, measure: str, first: int = 1, last: int | None = None) -> tuple[Floats, Floats]:
        """Numbers and values of the judged cycles in a range whose measure is known, one measure at a time."""
        if (first, last) not in self._judged:
            basis = self._read(["cycle", "flags"], first, last)
            number = floats(basis.column("cycle"))
            inside = (number >= first) & (number <= (np.inf if last is None else last))
            good = inside & ((np.array(basis.column("flags")) & int(NOT_JUDGED)) == 0)
            self._judged[first, last] = number, good
        number, good = self._judged[first, last]
        values = floats(self._read([measure], first, last).column(measure))
        use = good & np.isfinite(values)
        return number[use], values[use]


def cycle_trends(block: CyclicBlock, values: CycleValues, past: pa.Table | None = None, settled: int = 0) -> pa.Table:
    """Trend rows of a block.

    Parameters
    ----------
    block : CyclicBlock
    values : CycleValues
    past : Table, optional
        Trend rows of the night before, and ``settled`` the number of cycles that they were made from:
        full bins are not rebuilt. The rows are the same to the last bit.
    """
    old = past.to_pylist() if past is not None else []
    rows: list[dict[str, Any]] = []
    for measure in MEASURES:
        full = [row for row in old if row["measure"] == measure and row["last"] <= settled]
        rows += _continued(block, measure, full, settled, values) or _from_start(block, measure, values)
    return pa.Table.from_pylist(rows, schema=schema_of(TRENDS))


def _from_start(block: CyclicBlock, measure: str, values: CycleValues) -> list[dict[str, Any]]:
    number, value = values(measure)
    if not number.size:
        return []
    base = None if measure in NO_RATIO else baseline_median(block, number, value)
    return list(_trend_rows(block, measure, number, value, base, bin_width(int(number[-1]))))


def _continued(
    block: CyclicBlock, measure: str, full: list[dict[str, Any]], settled: int, values: CycleValues
) -> list[dict[str, Any]]:
    """Full bins of the night before, and those after; empty where all are to be rebuilt."""
    if not full:
        return []
    width = full[0]["last"] - full[0]["first"] + 1
    first = settled // width * width + 1
    number, value = values(measure, first)
    if not number.size or bin_width(int(number[-1])) != width:
        return []
    base = None
    if block.baseline is not None and measure not in NO_RATIO:
        if full[0]["change"] is None:  # the baseline was not full
            return []
        base = median(values(measure, *block.baseline)[1])
    return [*full, *_trend_rows(block, measure, number, value, base, width, first)]


def _trend_rows(
    block: CyclicBlock, measure: str, number: Floats, values: Floats, base: float | None, width: int, start: int = 1
) -> Iterator[dict[str, Any]]:
    """Rows of the bins from cycle ``start`` on, where one begins."""
    edges = np.arange(start - 0.5, number[-1] + width + 0.5, width)
    bins = binned_medians(number, values, edges)
    for k, (value, spread, count) in enumerate(zip(bins.value, bins.spread, bins.count, strict=True)):
        if count == 0:  # no cycle of the bin could be measured
            continue
        first, last = start + k * width, start + (k + 1) * width - 1
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
