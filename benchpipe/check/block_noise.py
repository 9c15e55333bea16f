"""The noise of a block's cycles, for the uncertainty of figures made from some of them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchpipe.blocks.cyclic.run_cycles import cycle_window, last_cycle
from benchpipe.blocks.cyclic.trends import NOT_JUDGED
from benchpipe.blocks.run_tables import RunTables
from benchpipe.columns import floats
from benchpipe.kernels.window_noise import BlockNoise, fit_block_noise

Floats = NDArray[np.float64]
MOST_CYCLES = 1 << 17  # the last so many of a block show its noise; reading two million would take as long as a night
WINDOWS = 40  # a block in which a window's noise is looked for is so many times longer, where there is so much


class Noises:
    """Noise of each measure of each block, fitted when a limit asks for it."""

    def __init__(self, tables: RunTables) -> None:
        self._tables = tables
        self._known: dict[tuple[str, str, int, int], BlockNoise] = {}

    def of(self, block: str, column: str, size: int) -> BlockNoise:
        """Noise of a column of a block's cycles; of more than :data:`MOST_CYCLES` that of the last.

        Parameters
        ----------
        size : int
            Cycles of the window that it is for.
        """
        last = self.last(block)
        first = max(1, last - max(MOST_CYCLES, WINDOWS * size) + 1)
        key = (block, column, first, last)
        if key not in self._known:
            rows = cycle_window(self._tables, block, ["flags", column], first, last).table
            good = np.array(rows.column("complete"), bool) & ((np.array(rows.column("flags")) & int(NOT_JUDGED)) == 0)
            self._known[key] = fit_block_noise(np.where(good, floats(rows.column(column)), np.nan))
        return self._known[key]

    def last(self, block: str) -> int:
        """Number of the last complete cycle of a block."""
        return last_cycle(self._tables, block)

    def history(self, block: str, column: str, last: int) -> tuple[Floats, Floats, Floats, NDArray[np.int64]]:
        """Start [s], value and temperature of the complete cycles up to one, and their numbers; NaN where unknown."""
        rows = cycle_window(self._tables, block, ["flags", column, "temperature_c"], 1, last).table
        rows = rows.filter(rows.column("complete"))
        good = (np.array(rows.column("flags")) & int(NOT_JUDGED)) == 0
        value = np.where(good, floats(rows.column(column)), np.nan)
        time_s = np.array(rows.column("start_us")) * 1e-6
        return time_s, value, floats(rows.column("temperature_c")), np.array(rows.column("cycle"), np.int64)


def place_of(size: int, last: int, cycle: float) -> int:
    """Place of a cycle in a block of ``size`` that ends with cycle ``last``; negative before it."""
    return size - 1 - (last - int(cycle))
