"""Signals → rows of the sweeps table."""

from __future__ import annotations

import numpy as np
import pyarrow as pa

from benchpipe.config.plan import SweepBlock
from benchpipe.config.rig import RigConfig
from benchpipe.kernels.filters import gaussian_weights
from benchpipe.kernels.loops import FIELD, measure_loops
from benchpipe.kernels.sweeps import measure_sweeps
from benchpipe.process.cutting import Pieces, beginning, cut_batch, cut_of
from benchpipe.process.found import Found
from benchpipe.process.signals import ENERGY_FACTOR, Signals, block_signals, signal_units
from benchpipe.store.run_store import RunStore
from benchpipe.store.samples import SampleInput
from benchpipe.tables import schema

UNSMOOTHED = gaussian_weights(None, 1.0)


def sweep_block(rig: RigConfig, store: RunStore, block: SweepBlock, inputs: list[SampleInput], key: str) -> Found:
    """Measure the sweeps of a block."""
    builder = SweepBuilder(block, rig)
    tables = [builder.feed(s) for s in block_signals(store, inputs, rig, block)]
    rows = pa.concat_tables(tables) if tables else None
    return Found([store.write("sweeps", rows, key)] if rows is not None and rows.num_rows else [])


class SweepBuilder:
    """Takes signals batch by batch and gives rows of the sweeps table (closed sweeps only)."""

    def __init__(self, block: SweepBlock, rig: RigConfig) -> None:
        self._block = block
        self._rig = rig
        self._schema = schema("sweeps", signal_units(rig))
        self._weights = gaussian_weights(block.lowpass, rig.time.sample_rate)
        self._cut = cut_of(block, rig)
        self._standing = beginning(self._cut)
        self._count = 0

    def feed(self, new: Signals) -> pa.Table:
        """Rows of the sweeps that end in these samples; one that does not come back is not measured."""
        pieces, self._standing = cut_batch(new, self._cut, self._standing)
        return pa.concat_tables([self._rows(p) for p in pieces])

    def _rows(self, pieces: Pieces) -> pa.Table:
        number = self._count + np.cumsum(pieces.closed)
        self._count += int(pieces.closed.sum())
        keep = pieces.closed & (pieces.samples >= self._block.least_samples)
        if not keep.any():
            return self._schema.empty_table()
        signals, first, end = pieces.signals, pieces.first[keep], pieces.end[keep]
        loops = measure_loops(
            signals.time_us, signals.load, signals.motion, signals.temperature,
            first, end, pieces.start_part[keep], pieces.end_part[keep], 0.2, 0.8, UNSMOOTHED,
        )  # fmt: skip
        inner = [q.value for q in self._block.resistance_between]
        sweeps = measure_sweeps(
            signals.load, signals.motion, first, end, inner[0], inner[1], self._block.usable_load.value,
            self._weights,
        )  # fmt: skip
        gapped = loops[:, FIELD["longest_step_s"]] > self._rig.time.gap_s
        still = loops[:, FIELD["peak_load"]] == loops[:, FIELD["valley_load"]]  # a load cell that shows nothing
        sweeps[gapped | still] = np.nan
        energy = np.where(gapped | still, np.nan, loops[:, FIELD["energy"]])
        start_us = signals.time_us[first] + np.rint(loops[:, FIELD["start_offset_s"]] * 1e6).astype(np.int64)
        columns = {
            "block": pa.array([self._block.name] * len(first)),
            "sweep": number[keep].astype(np.int32),
            "start_us": start_us,
            "period_s": loops[:, FIELD["period_s"]],
            "samples": pieces.samples[keep].astype(np.int32),
            "motion_min": loops[:, FIELD["motion_min"]],
            "motion_max": loops[:, FIELD["motion_max"]],
            "usable_range": sweeps[:, 1] - sweeps[:, 0],
            "resistance_forward": sweeps[:, 2],
            "resistance_back": sweeps[:, 3],
            "energy_j": energy * ENERGY_FACTOR[self._rig.load_quantity],
            "temperature_c": loops[:, FIELD["temperature_c"]],
        }
        return pa.Table.from_arrays([as_column(columns[f.name], f) for f in self._schema], schema=self._schema)


def as_column(values: object, field: pa.Field) -> pa.Array:
    """NumPy values → Arrow, NaN as null where the column allows it."""
    if isinstance(values, pa.Array):
        return values
    array = np.asarray(values)
    if field.nullable and array.dtype.kind == "f":
        return pa.array(array, mask=~np.isfinite(array))
    return pa.array(array)
