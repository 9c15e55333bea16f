"""Raw rows behind a figure: as the log has them now, compared with the samples that were taken from them."""

from __future__ import annotations

from collections.abc import Generator, Iterator
from contextlib import closing
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchpipe.config.channel import ChannelConfig
from benchpipe.config.rig import RigConfig
from benchpipe.errors import BenchpipeError
from benchpipe.ingest.calibrate import calibrated, without_sentinels
from benchpipe.readers.batch import RawBatch
from benchpipe.readers.log_file import open_log
from benchpipe.readers.registry import read_log
from benchpipe.run import RunConfig
from benchpipe.samples.inputs import logger_inputs
from benchpipe.samples.stream import SampleBatch, stream_samples
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore
from benchpipe.units import INSIDE_UNIT, find_unit
from benchpipe.views.trace import LogRows

Numbers = dict[int, dict[str, float]]


@dataclass(frozen=True)
class RawColumn:
    """A channel: its column in the log, the unit of the raw number (empty: it is none before the calibration), and the
    unit of the value that a sample has. ``plain``: the value is the raw number."""

    channel: str
    column: str
    raw_unit: str
    unit: str
    plain: bool


@dataclass(frozen=True)
class RawRow:
    """One row of a log.

    Attributes
    ----------
    row : int
    time_us : int or None
        Time of its sample on the run's axis; None where no sample was taken of it.
    raw : dict of float or None
        Raw numbers in the log now, NaN for no value; None where the log does not have the row.
    value : dict of float or None
        What these are by the calibration now.
    taken : dict of float or None
        Values of the sample that was taken; None where none was, or the samples are dropped.
    differs : tuple of str
        Channels whose value in the log is not the one that was taken.
    """

    row: int
    time_us: int | None
    raw: dict[str, float] | None
    value: dict[str, float] | None
    taken: dict[str, float] | None
    differs: tuple[str, ...] = ()


@dataclass(frozen=True)
class RawRows:
    """Rows of one log from a first to a last one; ``why``: why the log could not be read, empty where it was; ``more``:
    so many after them were asked for and not read."""

    file: str
    columns: tuple[RawColumn, ...]
    rows: tuple[RawRow, ...]
    why: str = ""
    more: int = 0

    @property
    def differing(self) -> int:
        """Rows of which a value is another than was taken, or that are gone."""
        return sum(bool(row.differs) or (row.raw is None and not self.why) for row in self.rows)


def raw_rows(
    run: RunConfig, store: RunStore, manifest: Manifest, rows: LogRows, most: int | None = None
) -> RawRows:
    """Rows of a log as it is now, each beside the sample that was taken of it.

    Parameters
    ----------
    rows : LogRows
        Which log, and from which row to which.
    most : int, optional
        The first so many rows alone.

    Raises
    ------
    StoreError
        The samples are damaged.
    """
    rig, last = run.rig.of_file(rows.file), rows.last if most is None else min(rows.last, rows.first + most - 1)
    taken, times = _taken(store, manifest, rig, rows.file, rows.first, last)
    why, raw, values = "", Numbers(), Numbers()
    try:
        raw, values = _now(run, manifest, rig, rows.file, rows.first, last, times)
    except BenchpipeError as error:
        why = error.what
    found = []
    for row in sorted({*taken, *raw}):
        one, other = values.get(row), taken.get(row)
        differs = [name for name in other if _differ(one[name], other[name])] if one and other else []
        found.append(RawRow(row, times.get(row), raw.get(row), one, other, tuple(differs)))
    return RawRows(rows.file, tuple(map(_column, rig.channel)), tuple(found), why, rows.last - last)


def _column(channel: ChannelConfig) -> RawColumn:
    unit, ways = find_unit(channel.unit), channel.calibrations
    one = ways[0]
    scaled = len(ways) > 1 or bool(one.polynomial) or bool(one.table) or (one.scale, one.offset) != (1.0, 0.0)
    plain = not scaled and (unit.factor, unit.offset) == (1.0, 0.0)
    inside = INSIDE_UNIT[channel.quantity]
    return RawColumn(channel.name, str(channel.column), "" if scaled else channel.unit, inside, plain)


def _differ(now: float, taken: float) -> bool:
    """Whether the log has another value than the sample. A sample without a value is no difference: a sensor that was
    stuck, or a value outside its table, is taken without one."""
    return not np.isnan(taken) and now != taken


def _taken(
    store: RunStore, manifest: Manifest, rig: RigConfig, file: str, first: int, last: int
) -> tuple[Numbers, dict[int, int]]:
    """Samples of some rows of a log, before any zero is taken off, and their times; none where they were dropped."""
    if manifest.closed:
        return {}, {}
    names = [channel.name for channel in rig.channel]
    source = manifest.source(file)
    inputs = [
        replace(one, zeros=())
        for one in logger_inputs(manifest, second=source is not None and source.second)
        if one.file == file
    ]
    found, times = Numbers(), dict[int, int]()
    for batch in stream_samples(store.folder, inputs, ["row", *names]):
        for k in _inside(batch, first, last).tolist():
            row = int(batch.columns["row"][k])
            found[row] = {name: float(batch.columns[name][k]) for name in names}
            times[row] = int(batch.time_us[k])
        if batch.columns["row"].size and batch.columns["row"][0] > last:
            break
    return found, times


def _inside(batch: SampleBatch, first: int, last: int) -> NDArray[np.intp]:
    row = batch.columns["row"]
    return np.flatnonzero((row >= first) & (row <= last))


def _now(
    run: RunConfig, manifest: Manifest, rig: RigConfig, file: str, first: int, last: int, times: dict[int, int]
) -> tuple[Numbers, Numbers]:
    """Raw numbers of some rows of a log as it is now, and what the calibration makes of them.

    Raises
    ------
    BenchpipeError
        The log is gone, or cannot be read.
    """
    path = run.folder / file
    shift = next((place.shift_us for place in manifest.placed if place.file == file), 0)
    raw, values = Numbers(), Numbers()
    with open_log(path) as opened, closing(_each(read_log(path, opened, rig))) as batches:
        for batch in batches:
            here = np.flatnonzero((batch.row >= first) & (batch.row <= last))
            if here.size:
                rows = batch.row[here].tolist()
                at = np.array([times.get(row, 0) - shift for row in rows], np.int64)
                for channel in rig.channel:
                    numbers = without_sentinels(batch.channels[channel.name][here], rig, channel)
                    made = calibrated(numbers, channel, at)
                    for row, number, value in zip(rows, numbers.tolist(), made.tolist(), strict=True):
                        raw.setdefault(row, {})[channel.name] = number
                        values.setdefault(row, {})[channel.name] = value
            if batch.row.size and batch.row[0] > last:
                break
    return raw, values


def _each(batches: Iterator[RawBatch]) -> Generator[RawBatch, None, None]:
    """The batches, so that they can be closed early."""
    yield from batches
