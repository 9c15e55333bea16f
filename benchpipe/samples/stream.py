"""Stream a run's samples in time order, decoded on a few threads."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from benchpipe.config.log import name_matches
from benchpipe.samples.inputs import SampleInput
from benchpipe.samples.second_log import ClockLine, SecondLog, on_first_clock, on_second_clock
from benchpipe.store.open_parts import OpenParts
from benchpipe.store.parts import open_part, unread
from benchpipe.stream.ordered import ordered_map

if TYPE_CHECKING:
    import pyarrow as pa
    import pyarrow.parquet as pq

T = TypeVar("T")
matches = name_matches
GROUPS_AHEAD = 8  # what is made of so many row groups waits while the caller is busy


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


def _without_zero(
    values: NDArray[Any], time_us: NDArray[np.int64], steps: tuple[tuple[int | None, float], ...]
) -> NDArray[Any]:
    """A channel without the zero of each sample."""
    zeros = np.array([value for _, value in steps], np.float32)
    if zeros.size == 1:
        return np.asarray(values - zeros[0])
    which = np.searchsorted([us for us, _ in steps if us is not None], time_us, "right")
    return np.asarray(values - zeros[which])


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


def stream_second(
    folder: Path, inputs: list[SampleInput], columns: list[str], from_us: int, until_us: int
) -> Iterator[SampleBatch]:
    """Yield samples of the second logger that values between two times of the run's axis were interpolated from.

    Their own columns, at times of the run's axis, in order; none where the rig has one logger.
    """
    found = second_span(inputs, from_us, until_us)
    if found is None:
        return
    lines = _clock_lines(_second_logs(inputs, from_us, until_us))
    for batch in stream_samples(folder, found[0], columns, *found[1:]):
        yield SampleBatch(on_first_clock(lines, batch.time_us), batch.columns, batch.file)


def second_span(
    inputs: list[SampleInput], from_us: int, until_us: int
) -> tuple[list[SampleInput], int, int] | None:
    """Samples of the second logger that values between two times were interpolated from, and the first and last time
    of them on its own axis; None where the rig has one logger."""
    logs = _second_logs(inputs, from_us, until_us)
    parts = list({one.part.sha256: one for log in logs for one in log.inputs}.values())
    if not parts:
        return None
    reach = max(log.reach_us for log in logs)
    begin, end = on_second_clock(_clock_lines(logs), np.array([from_us, until_us])).tolist()
    return parts, begin - reach, end + reach


def _second_logs(inputs: list[SampleInput], from_us: int, until_us: int) -> list[SecondLog]:
    return [one.second for one in inputs if one.second is not None and _overlaps(
        one.first_us, one.last_us, from_us, until_us)]  # fmt: skip


def _clock_lines(logs: list[SecondLog]) -> tuple[ClockLine, ...]:
    return tuple(dict.fromkeys(line for log in logs for line in log.lines))


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
            batch = read_group(parts, group, columns, from_us, until_us)
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
        begin, end = from_us, until_us
        if source.until_us is not None:  # a piece of a part: the others have its other row groups
            begin = source.first_us if begin is None else max(begin, source.first_us or begin)
            end = source.until_us if end is None else min(end, source.until_us or end)
        elif source.after_us is not None:
            begin = source.after_us + 1 if begin is None else max(begin, source.after_us + 1)
        with open_part(folder, source.part) as file:
            meta, place = file.metadata, file.schema_arrow.names.index("time_us")
        for index in range(meta.num_row_groups):
            stats = meta.row_group(index).column(place).statistics
            known = stats is not None and stats.has_min_max
            ends = source.placed(np.array([stats.min, stats.max])).tolist() if known else (None, None)
            first, last = ends
            if _overlaps(first, last, begin, end):
                yield SampleGroup(source, index, meta)


def _after(
    parts: OpenParts, inputs: list[SampleInput], columns: list[str], batch: SampleBatch, back_us: int
) -> SampleBatch:
    """A batch with the samples before it at its beginning."""
    until = int(batch.time_us[0]) - 1
    span = (until + 1 - back_us, until)
    pieces = [read_group(parts, group, columns, *span) for group in sample_groups(parts.folder, inputs, *span)]
    context = sum(piece.time_us.size for piece in pieces)
    pieces.append(batch)
    arrays = {name: np.concatenate([piece.columns[name] for piece in pieces]) for name in columns}
    return SampleBatch(np.concatenate([piece.time_us for piece in pieces]), arrays, batch.file, context)


def _overlaps(first: int | None, last: int | None, from_us: int | None, until_us: int | None) -> bool:
    """Whether a stretch of time may reach into another; None is an end that is not known or not set."""
    early = from_us is not None and last is not None and last < from_us
    late = until_us is not None and first is not None and first > until_us
    return not early and not late


def read_group(
    parts: OpenParts, group: SampleGroup, columns: list[str], from_us: int | None, until_us: int | None
) -> SampleBatch:
    """Samples of one row group between two times."""
    import pyarrow as pa

    source = group.source
    own = [name for name in columns if source.second is None or name not in source.second.channels]
    try:
        file = parts.open(source.part, group.meta)
        table = file.read_row_group(group.index, ["time_us", *own], use_threads=False)
    except (OSError, pa.ArrowException) as error:
        raise unread(parts.folder / source.part.path, error) from None
    time = source.placed(plain_array(table.column("time_us")))
    arrays = {name: plain_array(table.column(name)) for name in own}
    first = 0
    if source.after_us is not None:
        first = int(np.searchsorted(time, source.after_us, "right"))
    if from_us is not None:
        first = max(first, int(np.searchsorted(time, from_us, "left")))
    ends = [us for us in (until_us, source.until_us) if us is not None]
    last = int(np.searchsorted(time, min(ends), "right")) if ends else len(time)
    if first or last < len(time):
        time, arrays = time[first:last], {name: values[first:last] for name, values in arrays.items()}
    if source.second is not None and len(own) < len(columns):
        arrays |= _of_second(parts, source.second, time, [name for name in columns if name not in own])
    arrays |= {n: _without_zero(arrays[n], time, steps) for n, steps in source.zeros if n in arrays}
    return SampleBatch(time, arrays, source.file)


def _of_second(
    parts: OpenParts, second: SecondLog, time: NDArray[np.int64], names: list[str]
) -> dict[str, NDArray[Any]]:
    """Channels of the second logger at times of the first."""

    def read(first_us: int, last_us: int, wanted: list[str]) -> tuple[NDArray[np.int64], dict[str, NDArray[Any]]]:
        groups = sample_groups(parts.folder, list(second.inputs), first_us, last_us)
        pieces = [read_group(parts, group, wanted, first_us, last_us) for group in groups]
        if not pieces:
            return np.empty(0, np.int64), {name: np.empty(0, np.float32) for name in wanted}
        arrays = {name: np.concatenate([piece.columns[name] for piece in pieces]) for name in wanted}
        return np.concatenate([piece.time_us for piece in pieces]), arrays

    return second.values_at(time, names, read)


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
