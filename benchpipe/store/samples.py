"""Stream a run's samples in time order, decoded on a few threads."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fnmatch import fnmatch
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from benchpipe.store.manifest import Manifest, Part, Placed, Source
from benchpipe.store.parts import damaged, open_part
from benchpipe.stream.ordered import ordered_map

if TYPE_CHECKING:
    import pyarrow as pa
    import pyarrow.parquet as pq

T = TypeVar("T")


@dataclass(frozen=True)
class SampleInput:
    """One part of the samples and where it stands on the run's axis.

    ``first_us`` and ``last_us``, where known, are the times of its first and last row there.
    """

    file: str
    part: Part
    shift_us: int
    after_us: int | None
    first_us: int | None = None
    last_us: int | None = None

    @property
    def identity(self) -> list[Any]:
        """What decides the samples it gives."""
        return [self.part.sha256, self.shift_us, self.after_us]


@dataclass(frozen=True)
class SampleBatch:
    """Consecutive samples.

    Attributes
    ----------
    time_us : int64 array, shape (n,)
        On the run's axis, rising.
    columns : dict of arrays, shape (n,)
        float32 channels (NaN where missing), and ``row`` (int64) if asked for.
    file : str
        Log file the samples come from.
    """

    time_us: NDArray[np.int64]
    columns: dict[str, NDArray[Any]]
    file: str


def sample_inputs(manifest: Manifest, patterns: tuple[str, ...] = ("*",)) -> list[SampleInput]:
    """Parts of the samples of the files that match a pattern, in order."""
    places = {p.file: p for p in manifest.placed}
    return [
        _input(source, part, places[source.file])
        for source in manifest.sources
        for part in source.parts
        if part.table == "samples" and matches(source.file, patterns)
    ]


def _input(source: Source, part: Part, place: Placed) -> SampleInput:
    first, last = (None if us is None else us + place.shift_us for us in (source.first_us, source.last_us))
    return SampleInput(source.file, part, place.shift_us, place.after_us, first, last)


def matches(file: str, patterns: tuple[str, ...]) -> bool:
    """Whether a log file's path or name matches one of a block's patterns."""
    name = file.rsplit("/", 1)[-1]
    return any(fnmatch(file, p) or fnmatch(name, p) for p in patterns)


@dataclass(frozen=True)
class SampleGroup:
    """One row group of one part: the unit of reading, fixed by the data and not by the readers."""

    source: SampleInput
    index: int
    meta: pq.FileMetaData


def stream_samples(
    folder: Path,
    inputs: list[SampleInput],
    columns: list[str],
    from_us: int | None = None,
    until_us: int | None = None,
) -> Iterator[SampleBatch]:
    """Yield samples in order.

    Parameters
    ----------
    folder : Path
        The run's folder in the store.
    inputs : list of SampleInput
    columns : list of str
        Columns besides the time.
    from_us, until_us : int, optional
        First and last time wanted, on the run's axis.

    Raises
    ------
    StoreError
        A part is missing or damaged.
    """
    yield from map_samples(lambda batch: batch, folder, inputs, columns, from_us, until_us)


def map_samples(
    function: Callable[[SampleBatch], T],
    folder: Path,
    inputs: list[SampleInput],
    columns: list[str],
    from_us: int | None = None,
    until_us: int | None = None,
    *,
    workers: int | None = None,
) -> Iterator[T]:
    """Yield ``function(batch)`` for the batches of :func:`stream_samples`, in order.

    Reading and ``function`` run together on worker threads.
    """

    def work(group: SampleGroup) -> T:
        return function(_read(folder, group, columns, from_us, until_us))

    yield from ordered_map(work, sample_groups(folder, inputs, from_us, until_us), workers)


def sample_groups(
    folder: Path, inputs: list[SampleInput], from_us: int | None, until_us: int | None
) -> Iterator[SampleGroup]:
    """Row groups that may hold wanted samples, by the manifest and their statistics."""
    for source in inputs:
        if not _overlaps(source.first_us, source.last_us, from_us, until_us):
            continue
        with open_part(folder, source.part) as file:
            meta, place = file.metadata, file.schema_arrow.names.index("time_us")
        for index in range(meta.num_row_groups):
            stats = meta.row_group(index).column(place).statistics
            known = stats is not None and stats.has_min_max
            first, last = (stats.min + source.shift_us, stats.max + source.shift_us) if known else (None, None)
            if _overlaps(first, last, from_us, until_us):
                yield SampleGroup(source, index, meta)


def _overlaps(first: int | None, last: int | None, from_us: int | None, until_us: int | None) -> bool:
    """Whether a stretch of time may reach into another; None is an end that is not known or not set."""
    early = from_us is not None and last is not None and last < from_us
    late = until_us is not None and first is not None and first > until_us
    return not early and not late


def _read(
    folder: Path, group: SampleGroup, columns: list[str], from_us: int | None, until_us: int | None
) -> SampleBatch:
    import pyarrow as pa

    source = group.source
    try:
        with open_part(folder, source.part, group.meta) as file:
            table = file.read_row_group(group.index, ["time_us", *columns], use_threads=False)
    except (OSError, pa.ArrowException) as error:
        raise damaged(folder / source.part.path, str(error).splitlines()[0]) from None
    time = plain_array(table.column("time_us"))
    if source.shift_us:
        time = time + source.shift_us
        time.flags.writeable = False
    arrays = {name: plain_array(table.column(name)) for name in columns}
    first = 0
    if source.after_us is not None:
        first = int(np.searchsorted(time, source.after_us, "right"))
    if from_us is not None:
        first = max(first, int(np.searchsorted(time, from_us, "left")))
    last = len(time) if until_us is None else int(np.searchsorted(time, until_us, "right"))
    if first or last < len(time):
        time, arrays = time[first:last], {name: values[first:last] for name, values in arrays.items()}
    return SampleBatch(time, arrays, source.file)


def plain_array(column: pa.ChunkedArray) -> NDArray[Any]:
    """Arrow column without nulls → NumPy, without copying one chunk."""
    chunks = [memoryview_of(chunk) for chunk in column.chunks]
    if len(chunks) == 1:
        return chunks[0]
    return np.concatenate(chunks) if chunks else np.empty(0, column.type.to_pandas_dtype())


def memoryview_of(array: pa.Array) -> NDArray[Any]:
    """View of a primitive Arrow array's values (no pandas import on the way)."""
    dtype = np.dtype(array.type.to_pandas_dtype())
    data = array.buffers()[1]
    if data is None:
        return np.empty(0, dtype)
    return np.frombuffer(data, dtype, len(array), array.offset * dtype.itemsize)
