"""Logs of which each row is one cycle, with its peaks and valleys only → rows of the cycles table.

The channels of the rig's axes give the peaks, the channels that they name as ``valley`` the valleys.
What needs the loop is null. A row that was rejected is a cycle that was lost: the next one says so.
A row costs so little that the block is rebuilt when it has more.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pyarrow as pa

from benchpipe.blocks.block import BlockTask
from benchpipe.blocks.cyclic.cycles import CycleRows, CycleSettings, cycle_settings, cycles_table
from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.cyclic.state import CyclicState
from benchpipe.blocks.cyclic.tables import CycleFlag
from benchpipe.blocks.rejected import reject_losses
from benchpipe.config.rig import AxisConfig, RigConfig
from benchpipe.kernels.loops import FIELD, N_FIELDS
from benchpipe.samples.inputs import SampleInput
from benchpipe.samples.lost import Losses, dropped_samples, in_order, no_losses, together
from benchpipe.samples.signals import Signals, look_back_us, of_block, signal_columns, signal_units, to_signals
from benchpipe.samples.stream import stream_samples
from benchpipe.store.manifest import Part
from benchpipe.store.parts import new_part
from benchpipe.store.run_store import RunStore
from benchpipe.tables import schema

BEFORE_ALL: int = np.iinfo(np.int64).min


def write_peaks(task: BlockTask[CyclicBlock, CyclicState]) -> tuple[list[Part], int]:
    """Write the cycles of a block whose rows are cycles.

    Returns
    -------
    parts : list of Part
        One part, or none.
    lost_at_end : int
        Rows lost after the last cycle.
    """
    rig, store, block, inputs = task.rig, task.store, task.block, task.inputs
    table_schema = schema("cycles", signal_units(rig))
    settings = cycle_settings(block, rig, inputs=inputs)
    rejects = reject_losses(store, inputs, task.rejected, rig.mode, block.mode)
    break_us = round(1e6 * block.longest_cycle_s)
    done, segment, last_us, missing = 0, 1, BEFORE_ALL, no_losses()
    with new_part(store.folder, "cycles", table_schema) as writer:
        for peaks, valleys, more in _ends(rig, store, block, inputs):
            missing = in_order([missing, more])
            if not len(peaks):
                continue
            before_us = np.concatenate(([last_us], peaks.time_us[:-1]))
            lost = rejects.between(before_us, peaks.time_us) + missing.between(before_us, peaks.time_us)
            first_us = peaks.time_us[0] if not done else last_us
            steps = np.diff(peaks.time_us, prepend=first_us)
            segments = segment + np.cumsum(steps > break_us)
            writer.write(_table(peaks, valleys, segments, done, settings, table_schema, lost))
            done, segment, last_us = done + len(peaks), int(segments[-1]), int(peaks.time_us[-1])
            missing = missing.after(last_us)
        at_end = int(rejects.after(last_us).rows.sum() + missing.rows.sum())
        return [writer.finish(task.key)] if writer.rows else [], at_end


def _ends(
    rig: RigConfig, store: RunStore, block: CyclicBlock, inputs: list[SampleInput]
) -> Iterator[tuple[Signals, Signals, Losses]]:
    """Load and motion of the peaks and of the valleys, row by row; rows without one of them are lost."""
    low = rig.model_copy(update={"load": _valley(rig.load), "motion": _valley(rig.motion)})
    columns = list(dict.fromkeys([*signal_columns(rig, block.mode), *signal_columns(low, block.mode)]))
    back_us = max(look_back_us(rig), look_back_us(low))
    for batch in stream_samples(store.folder, inputs, columns, back_us=back_us):
        peaks, valleys = to_signals(batch, rig, block.mode), to_signals(batch, low, block.mode)
        peaks = peaks.select(np.isin(peaks.time_us, valleys.time_us))
        valleys = valleys.select(np.isin(valleys.time_us, peaks.time_us))
        time_us = batch.time_us[batch.context :]
        good = np.isin(time_us, peaks.time_us)
        wanted = of_block(batch, rig, block.mode) & of_block(batch, low, block.mode)
        yield peaks, valleys, together(dropped_samples(time_us, wanted & ~good), peaks.time_us)


def _valley(axis: AxisConfig) -> AxisConfig:
    """The same axis on the channel of its valleys."""
    return axis.model_copy(update={"channel": axis.valley})


def _table(
    peaks: Signals, valleys: Signals, segment: np.ndarray, done: int, settings: CycleSettings, table_schema: pa.Schema,
    lost: np.ndarray,
) -> pa.Table:  # fmt: skip
    n = len(peaks)
    measures = np.full((n, N_FIELDS), np.nan)
    measures[:, FIELD["start_offset_s"]] = 0.0
    for high, low, a, b in (
        ("peak_load", "valley_load", peaks.load, valleys.load),
        ("motion_max", "motion_min", peaks.motion, valleys.motion),
    ):
        measures[:, FIELD[high]], measures[:, FIELD[low]] = np.maximum(a, b), np.minimum(a, b)  # a sign may turn them
    if peaks.temperature.size:
        measures[:, FIELD["temperature_c"]] = peaks.temperature
    counter = peaks.counter.astype(np.float64) if peaks.counter.size else np.full(n, np.nan)
    enough = np.full(n, settings.least_samples)  # of a loop, which is not asked for here
    time_us, no, none = peaks.time_us, np.zeros(n, bool), np.zeros(n, np.int64)
    rows = CycleRows(
        measures, ~no, no, segment.astype(np.int64), enough, time_us, time_us, time_us, no, counter, none, none, none
    )  # fmt: skip
    table = cycles_table(rows, done, settings, table_schema, lost)
    flags = np.array(table.column("flags")) | np.uint16(CycleFlag.PEAKS_ONLY)
    for name, values in (("flags", flags), ("samples", np.ones(n, np.int32))):
        at = table_schema.get_field_index(name)
        table = table.set_column(at, table_schema.field(at), pa.array(values))
    return table
