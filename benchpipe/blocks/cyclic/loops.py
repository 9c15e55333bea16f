"""Keep the full loops of some cycles for plots, spaced evenly in the logarithm of the cycle number."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.cyclic.tables import LOOPS
from benchpipe.columns import schema_of
from benchpipe.config.rig import RigConfig
from benchpipe.samples.inputs import SampleInput
from benchpipe.samples.signals import block_signals, signal_units
from benchpipe.store.run_store import RunStore
from benchpipe.stream.ordered import ordered_map

STEPS = (1, 2, 3, 5, 7)


def loop_numbers(last: int) -> list[int]:
    """Cycle numbers whose loops are kept: 1, 2, 3, 5, 7 of each decade up to ``last``."""
    numbers = [step * 10**decade for decade in range(len(str(max(last, 1)))) for step in STEPS]
    return [n for n in numbers if n <= last]


def loops_table(
    store: RunStore,
    inputs: list[SampleInput],
    rig: RigConfig,
    block: CyclicBlock,
    cycle: NDArray[np.int64],
    start_us: NDArray[np.int64],
    period_s: NDArray[np.float64],
) -> pa.Table:
    """Rows of the loops table for some cycles.

    Parameters
    ----------
    cycle, start_us, period_s : arrays, shape (k,)
        Number, start and length of each cycle wanted.
    """
    schema = schema_of(LOOPS, signal_units(rig))

    def rows(one: tuple[int, int, float]) -> list[pa.Table]:
        number, start, period = one
        found = []
        for signals in block_signals(store, inputs, rig, block, start, start + round(period * 1e6)):
            n = len(signals)
            columns = [
                pa.array([block.name] * n),
                pa.array(np.full(n, number)),
                pa.array(np.ascontiguousarray(signals.time_us)),
                pa.array(signals.load.astype(np.float64)),
                pa.array(signals.motion.astype(np.float64)),
            ]
            found.append(pa.Table.from_arrays(columns, schema=schema))
        return found

    wanted = zip(cycle.tolist(), start_us.tolist(), period_s.tolist(), strict=True)
    tables = [table for some in ordered_map(rows, wanted) for table in some]
    return pa.concat_tables(tables) if tables else schema.empty_table()
