"""Stream a run's samples in time order, decoded on a few threads."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fnmatch import fnmatch
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from benchpipe.store.manifest import Manifest, Part, Placed, Source, Zero
from benchpipe.store.open_parts import OpenParts
from benchpipe.store.parts import open_part, unread
from benchpipe.stream.ordered import ordered_map

if TYPE_CHECKING:
    import pyarrow as pa
    import pyarrow.parquet as pq

T = TypeVar("T")
GROUPS_AHEAD = 8  # what is made of so many row groups waits while the caller is busy
Zeros = tuple[tuple[str, tuple[tuple[int | None, float], ...]], ...]


@dataclass(frozen=True)
class SampleInput:
    """One part of the samples and where it stands on the run's axis.

    ``first_us`` and ``last_us``, where known, are the times of its first and last row there.
    ``zeros`` holds what is taken off a channel, its reading in the idle stretch before: by channel
    steps ``(time from which on, zero)``, the first of them without a time.
    """

    file: str
    part: Part
    shift_us: int
    after_us: int | None
    first_us: int | None = None
    last_us: int | None = None
    zeros: Zeros = ()
    lead: tuple[tuple[int, int], ...] = ()

    def placed(self, own_us: NDArray[np.int64]) -> NDArray[np.int64]:
        """Rising times of the file's own clock on the run's axis."""
        time = own_us + self.shift_us if self.shift_us or self.lead else own_us
        begin = 0
        for until, more in self.lead:
            end = int(np.searchsorted(own_us, until))
            time[begin:end] += more
            begin = end
        time.flags.writeable = False
        return time

    @property
    def identity(self) -> list[Any]:
        """What decides the samples it gives."""
        zeros = [[[name, [list(step) for step in steps]] for name, steps in self.zeros]] if self.zeros else []
        lead = [["lead", *map(list, self.lead)]] if self.lead else []
        return [self.part.sha256, self.shift_us, self.after_us, *zeros, *lead]


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
    context : int
        So many samples at the beginning were given already: they only show what was before.
    """

    time_us: NDArray[np.int64]
    columns: dict[str, NDArray[Any]]
    file: str
    context: int = 0


def sample_inputs(manifest: Manifest, patterns: tuple[str, ...] = ("*",)) -> list[SampleInput]:
    """Parts of the samples of the files that match a pattern, in order."""
    places = {p.file: p for p in manifest.placed}
    zeros = _zeros_by_part(manifest)
    return [
        _input(source, part, places[source.file], zeros.get((source.file, part.sha256), ()))
        for source in manifest.sources
        for part in source.parts
        if part.table == "samples" and matches(source.file, patterns)
        if places[source.file].left_out < source.samples
    ]


def _input(source: Source, part: Part, place: Placed, zeros: Zeros) -> SampleInput:
    first, last = (None if us is None else place.at(us) for us in (source.first_us, source.last_us))
    return SampleInput(source.file, part, place.shift_us, place.after_us, first, last, zeros, place.lead)


def _zeros_by_part(manifest: Manifest) -> dict[tuple[str, str], Zeros]:
    """What is taken off in each part of the samples, by file and hash.

    Each sample has the zero of the last stretch that began before, else of the first. A part says the
    zeros that its own samples have and no more, so that it stays what it was when others come.
    """
    begun: dict[tuple[str, str], list[Zero]] = {}
    standing: dict[str, float] = {}
    for zero in sorted(manifest.zeros(), key=lambda z: z.from_us):
        begun.setdefault((zero.file, zero.part), []).append(zero)
        standing.setdefault(zero.channel, zero.value)
    found: dict[tuple[str, str], Zeros] = {}
    for source in manifest.sources if standing else ():
        for part in (p for p in source.parts if p.table == "samples"):
            steps: dict[str, list[tuple[int | None, float]]] = {n: [(None, v)] for n, v in sorted(standing.items())}
            for zero in begun.get((source.file, part.sha256), ()):
                if zero.value != standing[zero.channel]:
                    steps[zero.channel].append((zero.from_us, zero.value))
                standing[zero.channel] = zero.value
            found[source.file, part.sha256] = tuple((name, tuple(some)) for name, some in steps.items())
    return found


def _without_zero(
    values: NDArray[Any], time_us: NDArray[np.int64], steps: tuple[tuple[int | None, float], ...]
) -> NDArray[Any]:
    """A channel without the zero of each sample."""
    zeros = np.array([value for _, value in steps], np.float32)
    if zeros.size == 1:
        return np.asarray(values - zeros[0])
    which = np.searchsorted([us for us, _ in steps if us is not None], time_us, "right")
    return np.asarray(values - zeros[which])


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
    *,
    back_us: int = 0,
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
    back_us : int, optional
        Let each batch begin with the samples of so long before it (``SampleBatch.context``).

    Raises
    ------
    StoreError
        A part is missing or damaged.
    """
    yield from map_samples(lambda batch: batch, folder, inputs, columns, from_us, until_us, back_us=back_us)


def map_samples(
    function: Callable[[SampleBatch], T],
    folder: Path,
    inputs: list[SampleInput],
    columns: list[str],
    from_us: int | None = None,
    until_us: int | None = None,
    *,
    back_us: int = 0,
    workers: int | None = None,
) -> Iterator[T]:
    """Yield ``function(batch)`` for the batches of :func:`stream_samples`, in order.

    Reading and ``function`` run together on worker threads.
    """

    with OpenParts(folder) as parts:

        def work(group: SampleGroup) -> T:
            batch = _read(parts, group, columns, from_us, until_us)
            before = back_us and batch.time_us.size
            return function(_after(parts, inputs, columns, batch, back_us) if before else batch)

        yield from ordered_map(work, sample_groups(folder, inputs, from_us, until_us), workers, ahead=GROUPS_AHEAD)


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
            ends = source.placed(np.array([stats.min, stats.max])).tolist() if known else (None, None)
            first, last = ends
            if _overlaps(first, last, from_us, until_us):
                yield SampleGroup(source, index, meta)


def _after(
    parts: OpenParts, inputs: list[SampleInput], columns: list[str], batch: SampleBatch, back_us: int
) -> SampleBatch:
    """A batch with the samples before it at its beginning."""
    until = int(batch.time_us[0]) - 1
    span = (until + 1 - back_us, until)
    pieces = [_read(parts, group, columns, *span) for group in sample_groups(parts.folder, inputs, *span)]
    context = sum(piece.time_us.size for piece in pieces)
    pieces.append(batch)
    arrays = {name: np.concatenate([piece.columns[name] for piece in pieces]) for name in columns}
    return SampleBatch(np.concatenate([piece.time_us for piece in pieces]), arrays, batch.file, context)


def _overlaps(first: int | None, last: int | None, from_us: int | None, until_us: int | None) -> bool:
    """Whether a stretch of time may reach into another; None is an end that is not known or not set."""
    early = from_us is not None and last is not None and last < from_us
    late = until_us is not None and first is not None and first > until_us
    return not early and not late


def _read(
    parts: OpenParts, group: SampleGroup, columns: list[str], from_us: int | None, until_us: int | None
) -> SampleBatch:
    import pyarrow as pa

    source = group.source
    try:
        file = parts.open(source.part, group.meta)
        table = file.read_row_group(group.index, ["time_us", *columns], use_threads=False)
    except (OSError, pa.ArrowException) as error:
        raise unread(parts.folder / source.part.path, error) from None
    time = source.placed(plain_array(table.column("time_us")))
    arrays = {name: plain_array(table.column(name)) for name in columns}
    arrays |= {n: _without_zero(arrays[n], time, steps) for n, steps in source.zeros if n in arrays}
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
