"""Samples of a block that lie outside the table of ``[load]`` or ``[motion]``: they have no load or no motion.

They are lost rows of the cycles, holds, sweeps and proofs that they lie in. Each sample is counted once: only new
ones are read.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from benchpipe.blocks.block import BlockTask
from benchpipe.blocks.state import BlockState
from benchpipe.config.rig import AxisConfig, RigConfig
from benchpipe.samples.stream import stream_samples
from benchpipe.store.manifest import Remark
from benchpipe.units import INSIDE_UNIT

CODE = "outside-table"
Outside = tuple[int, float, float]


def outside_tables(task: BlockTask[Any, Any], past: BlockState | None) -> dict[str, Outside]:
    """Count the samples of a block outside each table.

    Parameters
    ----------
    task : BlockTask
    past : BlockState or None
        State of the last time where its inputs are the beginning of these.

    Returns
    -------
    dict of (int, float, float)
        By ``load:CHANNEL`` or ``motion:CHANNEL``: number of samples, smallest and largest value of the channel there.
    """
    rig, mode = task.rig, task.block.mode if task.rig.mode is not None else None
    axes = dict(_tabled(rig))
    if not axes:
        return {}
    known = past.outside if past is not None else {}
    found: dict[str, Outside] = {name: known.get(name, (0, np.inf, -np.inf)) for name in axes}
    columns = list(dict.fromkeys([name.partition(":")[2] for name in axes] + ([rig.mode] if mode is not None else [])))
    new = task.inputs[len(past.inputs) if past is not None else 0 :]
    for batch in stream_samples(task.store.folder, new, [name for name in columns if name is not None]):
        own = np.ones(batch.time_us.size, bool)
        if mode is not None and rig.mode is not None:
            own = (batch.columns[rig.mode] == mode) | np.isnan(batch.columns[rig.mode])
        for name, axis in axes.items():
            values = batch.columns[name.partition(":")[2]].astype(np.float64)
            outside = values[own & ((values < axis.table[0][0].value) | (values > axis.table[-1][0].value))]
            if outside.size:
                count, low, high = found[name]
                found[name] = count + outside.size, min(low, float(outside.min())), max(high, float(outside.max()))
    return {name: one for name, one in found.items() if one[0]}


def outside_remarks(block: str, rig: RigConfig, found: dict[str, Outside]) -> Iterator[Remark]:
    """How many samples lie outside which table."""
    axes = dict(_tabled(rig))
    for name, (count, low, high) in found.items():
        kind, _, channel = name.partition(":")
        unit = INSIDE_UNIT[rig.find(channel).quantity]
        ends = [axes[name].table[place][0].value for place in (0, -1)]
        text = (
            f"{count:,} row(s) of '{channel}' lie outside the table of [{kind}], {ends[0]:.6g} to {ends[1]:.6g} "
            f"{unit} (from {low:.6g} to {high:.6g}): they have no {kind}, and what they lie in counts as not measured"
        )
        yield Remark(step="process", code=CODE, where=block, count=count, text=text)


def _tabled(rig: RigConfig) -> Iterator[tuple[str, AxisConfig]]:
    """Channels that a table turns into load or motion."""
    for kind, axis in (("load", rig.load), ("motion", rig.motion)):
        for channel in (axis.channel, axis.valley) if axis.table else ():
            if channel is not None:
                yield f"{kind}:{channel}", axis
