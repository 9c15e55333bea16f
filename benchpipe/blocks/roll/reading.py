"""Samples of a roll: the channels of the block → force, centre of pressure, ankle and tilt, in m and rad."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from benchpipe.blocks.roll.plan import RollBlock
from benchpipe.config.rig import RigConfig
from benchpipe.samples.inputs import SampleInput
from benchpipe.samples.range_ends import channel_ends
from benchpipe.samples.stream import stream_samples
from benchpipe.store.run_store import RunStore

Floats = NDArray[np.float64]
MM = 1e-3
FORCE, COP, COP_UP, ANKLE, ANKLE_UP, TILT, TRAVEL, OPPOSITE, PLATE = range(9)
NEEDED = 7
"""The first so many must have a value for a sample to be used."""


@dataclass(frozen=True, eq=False)
class RollSamples:
    """Consecutive samples.

    ``values``, shape (9, n): vertical force [N]; centre of pressure forward and up, ankle forward and up [m]; tilt
    [rad]; centre of pressure along the plate [m]; force on the opposite foot [N] and number of the plate, NaN where
    the block has no such channel. ``raw``, shape (channels, n): the channels that a figure is made of, as read.
    """

    time_us: NDArray[np.int64]
    values: Floats
    raw: Floats = field(default_factory=lambda: np.empty((0, 0)))

    def __len__(self) -> int:
        return int(self.time_us.size)

    def part(self, first: int, end: int) -> RollSamples:
        """Samples ``first … end - 1``."""
        return RollSamples(self.time_us[first:end], self.values[:, first:end], self.raw[:, first:end])

    def followed_by(self, other: RollSamples) -> RollSamples:
        """These samples and then the others."""
        return RollSamples(
            np.concatenate([self.time_us, other.time_us]),
            np.concatenate([self.values, other.values], axis=1),
            np.concatenate([self.raw, other.raw], axis=1),
        )

    def without(self, some: NDArray[np.bool_]) -> RollSamples:
        """The same, and no values where ``some`` is true."""
        return RollSamples(self.time_us, np.where(some, np.nan, self.values), self.raw)

    @property
    def usable(self) -> NDArray[np.bool_]:
        """Whether each sample has all values that a figure is made of."""
        return np.asarray(np.isfinite(self.values[:NEEDED]).all(axis=0))


def roll_samples(
    store: RunStore, inputs: list[SampleInput], rig: RigConfig, block: RollBlock, at_ends: Counter[str]
) -> Iterator[RollSamples]:
    """Stream the samples of a block, in order.

    A channel has no value where it is at an end of its range: it is saturated there. ``at_ends`` counts those rows
    under load, by channel.
    """
    columns = list(dict.fromkeys(name for name, _ in block.channels.values()))
    by_mode = block.mode is not None and rig.mode is not None
    measured = [name for key, (name, _) in block.channels.items() if key not in ("plate", "opposite_force")]
    ends = {name: channel_ends(rig, name, inputs) for name in measured}
    wanted = [*columns, rig.mode] if by_mode and rig.mode not in columns else columns
    for batch in stream_samples(store.folder, inputs, [name for name in wanted if name is not None]):
        here = np.ones(batch.time_us.size, bool)
        if by_mode and rig.mode is not None:
            here = batch.columns[rig.mode] == block.mode
        read = {name: batch.columns[name][here].astype(np.float64) for name in columns}
        time_us, loaded = batch.time_us[here], read[block.force] >= block.contact_force
        for name, end in ends.items():
            saturated = (read[name] <= end.low.at(time_us)) | (read[name] >= end.high.at(time_us))
            at_ends[name] += int((saturated & loaded).sum())
            read[name][saturated] = np.nan
        raw = np.stack([read[name] for name in ends])
        yield RollSamples(time_us, _values(block, read, int(here.sum())), raw)


def _values(block: RollBlock, read: dict[str, Floats], n: int) -> Floats:
    way = float(block.forward)
    nothing, none = np.zeros(n), np.full(n, np.nan)
    values = np.empty((9, n))
    travel = way * MM * read[block.plate_travel] if block.plate_travel else nothing
    cop = way * MM * read[block.cop]
    on_plate = block.cop_on_plate
    values[FORCE] = read[block.force]
    values[COP] = cop + travel if on_plate else cop
    values[TRAVEL] = cop if on_plate else cop - travel
    values[COP_UP] = MM * read[block.cop_height] if block.cop_height else nothing
    if block.ankle:
        values[ANKLE], values[ANKLE_UP] = _middle(block.ankle, read, way)
    else:
        place = block.ankle_at or (0.0, 0.0)
        values[ANKLE], values[ANKLE_UP] = way * MM * place[0], MM * place[1]
    if block.tilt:
        values[TILT] = np.radians(read[block.tilt])
    else:
        forward, up = _middle(block.shank, read, way)
        values[TILT] = np.arctan2(forward - values[ANKLE], up - values[ANKLE_UP])
    values[OPPOSITE] = read[block.opposite_force] if block.opposite_force else none
    values[PLATE] = read[block.plate] if block.plate else none
    return values


def _middle(points: tuple[tuple[str, str], ...], read: dict[str, Floats], way: float) -> tuple[Floats, Floats]:
    """Middle of some points, forward and up [m]."""
    forward = np.mean([read[a] for a, _ in points], axis=0)
    up = np.mean([read[b] for _, b in points], axis=0)
    return np.asarray(way * MM * forward), np.asarray(MM * up)
