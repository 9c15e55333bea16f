"""Every reader of ours passes the kit, and the kit finds readers that break a promise."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import IO, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from benchpipe.config.rig import RigConfig
from benchpipe.errors import InputError
from benchpipe.readers.batch import RawBatch, Reject, needed_columns
from benchpipe.readers.reader_kit import CHECKS, ReaderCase, ReaderFaultError, check_reader
from benchpipe.readers.registry import find_reader
from benchpipe.readers.text import read_text

# --- how logs of each format are written --------------------------------------------------------------------


def floats(table: pa.Table) -> dict[str, np.ndarray]:
    """Columns as float64, NaN for null."""
    return {n: np.array(table.column(n).fill_null(float("nan")), np.float64) for n in table.column_names}


def write_text(path: Path, table: pa.Table) -> None:
    rows = [",".join("" if v is None else repr(v) for v in row.values()) for row in table.to_pylist()]
    path.write_text("\n".join([",".join(table.column_names), *rows]) + "\n")


def write_parquet(path: Path, table: pa.Table) -> None:
    pq.write_table(table, path, write_page_checksum=True)


def write_arrow_file(path: Path, table: pa.Table) -> None:
    with pa.OSFile(str(path), "wb") as sink, pa.ipc.new_file(sink, table.schema) as writer:
        writer.write_table(table, max_chunksize=64)


def write_arrow_stream(path: Path, table: pa.Table) -> None:
    with pa.OSFile(str(path), "wb") as sink, pa.ipc.new_stream(sink, table.schema) as writer:
        writer.write_table(table, max_chunksize=64)


def write_matlab(path: Path, table: pa.Table) -> None:
    from scipy.io import savemat

    savemat(path, floats(table), do_compression=True)


def write_vectors(path: Path, table: pa.Table) -> None:
    import h5py

    with h5py.File(path, "w") as file:
        for name, values in floats(table).items():
            some = len(values) > 0
            file.create_dataset(f"run/{name}", data=values, fletcher32=some, chunks=some or None)


def write_matlab_73(path: Path, table: pa.Table) -> None:
    """As MATLAB writes it: a head of 512 bytes, and vectors as (1, n)."""
    import h5py

    with h5py.File(path, "w", userblock_size=512) as file:
        for name, values in floats(table).items():
            file.create_dataset(name, data=values[np.newaxis, :]).attrs["MATLAB_class"] = np.bytes_("double")
    with path.open("r+b") as raw:
        raw.write(b"MATLAB 7.3 MAT-file, Platform: none".ljust(124) + b"\x00\x02IM")


def write_compound(path: Path, table: pa.Table) -> None:
    import h5py

    columns = floats(table)
    rows = np.zeros(table.num_rows, [(name, "f8") for name in columns])
    for name, values in columns.items():
        rows[name] = values
    with h5py.File(path, "w") as file:
        file["daq/samples"] = rows


def write_mdf(path: Path, table: pa.Table) -> None:
    from asammdf import MDF, Signal

    columns = floats(table)
    master = columns.pop("Time", None)
    stamps = np.arange(table.num_rows) / 100.0 if master is None else master
    with MDF(version="4.10") as file:
        file.append([Signal(values, stamps, name=name) for name, values in columns.items()])
        file.groups[0].channels[0].name = "Time"
        file.save(path, overwrite=True)


CASES: dict[str, tuple[str, Any, dict[str, Any]]] = {
    "text": ("text", write_text, {}),
    "parquet": ("parquet", write_parquet, {}),
    "arrow file": ("arrow", write_arrow_file, {}),
    "arrow stream": ("arrow", write_arrow_stream, {}),
    "matlab 5": ("matlab", write_matlab, {}),
    "matlab 7.3": ("hdf5", write_matlab_73, {}),
    "hdf5 vectors": ("hdf5", write_vectors, {"log": {"variables": ["run"]}}),
    "hdf5 table": ("hdf5", write_compound, {"log": {"variables": ["daq/samples"]}}),
    "mdf": ("mdf", write_mdf, {"suffix": ".mf4", "null_times": False}),
}


def case_of(name: str, folder: Path) -> ReaderCase:
    form, write, options = CASES[name]
    pytest.importorskip({"hdf5": "h5py", "mdf": "asammdf"}.get(form, "pyarrow"))
    return ReaderCase(find_reader(form), write, folder, **options)


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
@pytest.mark.parametrize("name", CASES)
def test_our_readers_pass(name: str, check: Callable[[ReaderCase], None], tmp_path: Path) -> None:
    check(case_of(name, tmp_path))


# --- the kit can fail ---------------------------------------------------------------------------------------


def changed(change: Callable[[RawBatch], RawBatch]) -> Callable[..., Iterator[RawBatch]]:
    """The text reader with one fault."""

    def read(path: Path, file: IO[bytes], rig: RigConfig) -> Iterator[RawBatch]:
        for batch in read_text(path, file, rig):
            yield change(batch)

    return read


def shorter(batch: RawBatch) -> RawBatch:
    return RawBatch(batch.row[:-1], batch.time[:-1], {n: v[:-1] for n, v in batch.channels.items()}, batch.rejects)


def filled(batch: RawBatch) -> RawBatch:
    return replace(batch, channels={n: np.nan_to_num(v) for n, v in batch.channels.items()})


def rounded(batch: RawBatch) -> RawBatch:
    return replace(batch, channels={n: v.astype(np.float32).astype(np.float64) for n, v in batch.channels.items()})


def twice(batch: RawBatch) -> RawBatch:
    double = {n: np.repeat(v, 2) for n, v in batch.channels.items()}
    return RawBatch(np.repeat(batch.row, 2), np.repeat(batch.time, 2), double, batch.rejects)


def in_reverse(batch: RawBatch) -> RawBatch:
    return RawBatch(batch.row[::-1], batch.time[::-1], {n: v[::-1] for n, v in batch.channels.items()}, batch.rejects)


def by_place(path: Path, file: IO[bytes], rig: RigConfig) -> Iterator[RawBatch]:
    """Takes the columns as they come."""
    lines = file.read().decode().splitlines()[1:]
    cells = np.array([[float(c or "nan") for c in line.split(",")] for line in lines]).reshape(len(lines), -1)
    names = [c.name for c in rig.channel]
    width = cells.shape[1] or 4
    cells = cells if cells.size else np.empty((0, width))
    yield RawBatch(np.arange(1, len(lines) + 1), cells[:, 0], {n: cells[:, k + 1] for k, n in enumerate(names)})


def careless(path: Path, file: IO[bytes], rig: RigConfig) -> Iterator[RawBatch]:
    """Splits lines itself: any word in the log is a traceback, and a half-written number is taken."""
    lines = file.read().decode().split("\n")
    header, rows = lines[0].split(","), [line.split(",") for line in lines[1:] if line]
    places = {key: header.index(str(column)) for key, column in needed_columns(rig).items()}
    columns = {key: np.array([float(row[k]) for row in rows]) for key, k in places.items()}
    yield RawBatch(np.arange(1, len(rows) + 1), columns.pop("time"), columns)


def leaves_a_file(path: Path, file: IO[bytes], rig: RigConfig) -> Iterator[RawBatch]:
    path.with_suffix(".index").write_bytes(b"x")
    return read_text(path, file, rig)


def silent_on_names(path: Path, file: IO[bytes], rig: RigConfig) -> Iterator[RawBatch]:
    try:
        yield from read_text(path, file, rig)
    except InputError:
        yield RawBatch(np.empty(0, np.int64), np.empty(0), {c.name: np.empty(0) for c in rig.channel})


def without_reasons(batch: RawBatch) -> RawBatch:
    return replace(batch, rejects=[Reject(r.row, r.rows, " ") for r in batch.rejects])


def float_counts(batch: RawBatch) -> RawBatch:
    return replace(batch, time=batch.time.astype(np.float64))


def singles(batch: RawBatch) -> RawBatch:
    return replace(batch, channels={n: v.astype(np.float32) for n, v in batch.channels.items()})


FAULTY: dict[str, tuple[Any, str]] = {
    "loses the last row": (changed(shorter), "every_row_comes_once: a log of 1 rows gave 0 rows"),
    "gives rows twice": (changed(twice), "every_row_comes_once: a log of 1 rows gave 2"),
    "turns the order round": (changed(in_reverse), "every_row_comes_once: row numbers do not rise"),
    "rounds": (changed(rounded), "numbers_are_the_logs: 'torque' of row 4"),
    "fills in": (changed(filled), "a_cell_without_a_value_is_nan: 'torque' of row 4"),
    "gives no reason": (changed(without_reasons), "a_row_without_a_time_is_rejected: a reject has no reason"),
    "goes by place": (by_place, "columns_are_found_by_name: 'time' of row 2"),
    "says nothing of names": (silent_on_names, "a_missing_column_is_named: a column that is not in the log went unno"),
    "counts in floats": (changed(float_counts), "rows_are_counted_without_a_clock: time of samples is float64"),
    "gives float32": (changed(singles), "every_row_comes_once: 'torque' is float32"),
    "leaves a file": (leaves_a_file, "reading_twice_gives_the_same: reading changed a file or left one behind"),
    "takes half a number": (careless, "a_log_cut_short_is_told: a log cut to"),
    "trips over damage": (careless, "a_damaged_log_is_told: a damaged log (copy 0) raised"),
}


@pytest.mark.parametrize("name", FAULTY)
def test_the_kit_finds_a_reader_that(name: str, tmp_path: Path) -> None:
    read, fault = FAULTY[name]
    with pytest.raises(ReaderFaultError) as told:
        check_reader(ReaderCase(read, write_text, tmp_path))
    assert fault in str(told.value)


def test_all_at_once(tmp_path: Path) -> None:
    check_reader(case_of("arrow stream", tmp_path))
