"""Log files: rows of a run → text or Parquet, cut into files as the dialect says.

Workers turn rows into bytes (:class:`Formatter`); one :class:`LogWriter` puts them
into files in order. Files carry no clock of this machine, so the same rows are the same bytes.
"""

from __future__ import annotations

import gzip
from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, cast

import numpy as np
from numpy.typing import NDArray

from benchpipe.simulate.channels import Chain, Ints
from benchpipe.simulate.fixed import DigitMarks, most_bytes, write_lines
from benchpipe.simulate.log import WrittenLogConfig, date_tokens, encoded
from benchpipe.simulate.pieces import TrueRows
from benchpipe.simulate.scenario import ScenarioConfig
from benchpipe.simulate.truth import FileTruth

if TYPE_CHECKING:
    import pyarrow as pa

GZIP_LEVEL = 6


@dataclass(frozen=True)
class FilePart:
    """Rows of one file, ready to be written."""

    key: tuple[int, int]  # of the file: series, then hour, day or number of cycles
    rows: int
    first_row: int
    start_s: float
    end_s: float
    data: Any  # bytes, or an Arrow table


class Formatter:
    """Rows → parts of files. Holds no state: any thread may use it."""

    def __init__(self, scenario: ScenarioConfig) -> None:
        log, rig = scenario.log, scenario.rig
        self._log, self._rig = log, rig
        self._chain = Chain(rig, scenario.seed, dated=log.time_format != "elapsed")
        self._decimals = np.array([c.decimals for c in rig.channels], np.int64)
        time = next(i for i, c in enumerate(rig.channels) if c.source == "time")
        dated = log.time_format != "elapsed"
        self._time, self._date_column = time, time if dated else -1
        tokens = date_tokens(log.time_format, rig.channels[time].decimals) if dated else []
        self._tokens = np.array(tokens, np.int64)
        self._marks = DigitMarks(
            ord(log.separator_text), ord(log.decimal), ord(log.thousands) if log.thousands else 0,
            ord('"') if log.quoted else 0, np.frombuffer(log.line_end.encode(), np.uint8),
        )  # fmt: skip

    @property
    def skews_s(self) -> tuple[float, float]:
        """Skew of load and of motion [s]."""
        return self._chain.load_skew_s, self._chain.motion_skew_s

    def parts(self, rows: TrueRows) -> list[FilePart]:
        """Digitise rows and cut them where a file ends."""
        columns = self._chain.digitise(rows)
        if self._log.rows == "cycles":
            return self._cycle_parts(rows, columns)
        number = self._file_number(rows)
        borders = np.flatnonzero(np.diff(number)) + 1
        edges = [0, *borders.tolist(), rows.place.count]
        return [
            FilePart(
                (rows.place.series, int(number[a])), b - a, rows.place.row + a,
                float(rows.time_s[a]), float(rows.time_s[b - 1]), self._written(columns[:, a:b]),
            )
            for a, b in pairwise(edges)
        ]  # fmt: skip

    def _cycle_parts(self, rows: TrueRows, columns: Ints) -> list[FilePart]:
        """A row for each cycle that ends within these samples or with them: they hold whole cycles."""
        first = np.flatnonzero(np.diff(rows.cycles, prepend=-1))
        last = np.append(first[1:], rows.place.count) - 1
        each = np.empty((len(columns), first.size), np.int64)
        for k, channel in enumerate(self._rig.channels):
            if channel.row == "last":
                each[k] = columns[k, last]
            else:
                reduced = np.maximum if channel.row == "largest" else np.minimum
                each[k] = reduced.reduceat(columns[k], first)
        number = self._file_number(rows)[last]
        edges = [0, *(np.flatnonzero(np.diff(number)) + 1).tolist(), first.size]
        return [
            FilePart(
                (rows.place.series, int(number[a])), b - a, int(rows.cycles[first[a]]),
                float(rows.time_s[last[a]]), float(rows.time_s[last[b - 1]]), self._written(each[:, a:b]),
            )
            for a, b in pairwise(edges)
        ]  # fmt: skip

    def _file_number(self, rows: TrueRows) -> NDArray[np.int64]:
        if self._log.cut == "cycles":
            return np.asarray(rows.cycles // self._log.cycles_per_file)
        seconds = {"hour": 3600.0, "day": 86_400.0}.get(self._log.cut)
        if seconds is None:
            return np.zeros(rows.place.count, np.int64)
        return np.floor((rows.time_s + self._rig.day_offset_s) / seconds).astype(np.int64)

    def _written(self, columns: Ints) -> bytes | pa.Table:
        if self._log.format == "parquet":
            return self._table(columns)
        out = np.empty(columns.shape[1] * most_bytes(len(columns), len(self._tokens)), np.uint8)
        size = write_lines(columns, self._decimals, self._date_column, self._tokens, self._marks, out)
        data = out[:size].tobytes()
        if self._log.encoding == "utf-16":
            return data.decode("ascii").encode("utf-16-le")
        return data

    def _table(self, columns: Ints) -> pa.Table:
        import pyarrow as pa

        arrays, fields = [], []
        for k, channel in enumerate(self._rig.channels):
            values: Any = columns[k]
            kind = pa.int32()
            if k == self._date_column:
                kind = pa.timestamp("us")
                values = (values * (10.0 ** (6 - channel.decimals))).astype(np.int64)
            elif channel.decimals:
                kind = pa.float64() if k == self._time else pa.float32()
                values = values / 10.0**channel.decimals
            values = np.ascontiguousarray(values, kind.to_pandas_dtype() if k != self._date_column else np.int64)
            arrays.append(pa.Array.from_buffers(kind, len(values), [None, pa.py_buffer(values)]))
            fields.append(pa.field(channel.name, kind, nullable=False, metadata={"unit": channel.unit}))
        return pa.Table.from_arrays(arrays, schema=pa.schema(fields))


class LogWriter:
    """Writes parts into files, in order; a part with a new key begins a file."""

    def __init__(self, scenario: ScenarioConfig, folder: Path) -> None:
        self._scenario, self._log, self._folder = scenario, scenario.log, folder
        self._key: tuple[int, int] | None = None
        self._file: _TextFile | _ParquetFile | None = None
        self.files: list[FileTruth] = []

    def write(self, parts: list[FilePart]) -> None:
        """Append parts."""
        for part in parts:
            if part.key != self._key:
                self.close()
                self._open(part)
            last = self.files[-1]
            self.files[-1] = FileTruth(last.name, last.first_row, last.rows + part.rows, last.start_s, part.end_s)
            cast("_TextFile | _ParquetFile", self._file).write(part.data)

    def close(self) -> None:
        """End the open file."""
        if self._file is not None:
            self._file.close()
        self._file = None

    def _open(self, part: FilePart) -> None:
        stem = self._log.stem or self._scenario.name
        name = f"{stem}_{len(self.files) + 1:04d}{self._log.file_suffix}"
        self._key = part.key
        self.files.append(FileTruth(name, part.first_row, 0, part.start_s, part.end_s))
        if self._log.format == "parquet":
            self._file = _ParquetFile(self._folder / name, part.data.schema, self._scenario)
        else:
            self._file = _TextFile(self._folder / name, self._log, self._head(name, part.start_s))

    def _head(self, name: str, start_s: float) -> str:
        return "".join(line + self._log.line_end for line in head_lines(self._scenario, name, start_s))


def head_lines(scenario: ScenarioConfig, file: str, start_s: float) -> list[str]:
    """Lines before the data rows: preamble, header, units."""
    log, rig = scenario.log, scenario.rig
    start = (rig.start + timedelta(seconds=start_s)).isoformat(sep=" ", timespec="seconds")
    lines = [
        text.format(name=scenario.name, rig=rig.name, specimen=scenario.specimen.name, file=file, start=start)
        for text in log.preamble
    ]
    quote = '"' if log.quoted else ""
    for wanted, cells in (
        (log.header, [c.name for c in rig.channels]),
        (log.units_row, [c.unit for c in rig.channels]),
    ):
        if wanted:
            lines.append(log.separator_text.join(quote + cell + quote for cell in cells))
    return lines


class _TextFile:
    def __init__(self, path: Path, log: WrittenLogConfig, head: str) -> None:
        self._raw = path.open("wb")
        self._file: BinaryIO = self._raw
        if log.gzip:
            zipped = gzip.GzipFile(filename="", mode="wb", compresslevel=GZIP_LEVEL, fileobj=self._raw, mtime=0)
            self._file = cast(BinaryIO, zipped)
        self._file.write(encoded(head, log, first=True))

    def write(self, data: bytes) -> None:
        self._file.write(data)

    def close(self) -> None:
        try:
            self._file.close()
        finally:
            self._raw.close()


class _ParquetFile:
    """Collects small parts into row groups of about a million rows."""

    def __init__(self, path: Path, schema: pa.Schema, scenario: ScenarioConfig) -> None:
        import pyarrow.parquet as pq

        self._writer = pq.ParquetWriter(
            path, schema, compression="zstd", compression_level=1,
            use_dictionary=[f.name for f in schema if str(f.type) == "int32"],
            column_encoding={f.name: "BYTE_STREAM_SPLIT" for f in schema if str(f.type) != "int32"},
            write_page_checksum=True,
        )  # fmt: skip
        self._waiting: list[pa.Table] = []
        self._rows = 0

    def write(self, table: pa.Table) -> None:
        self._waiting.append(table)
        self._rows += table.num_rows
        if self._rows >= 1 << 20:
            self._flush()

    def _flush(self) -> None:
        import pyarrow as pa

        if self._waiting:
            self._writer.write_table(pa.concat_tables(self._waiting), row_group_size=self._rows)
        self._waiting, self._rows = [], 0

    def close(self) -> None:
        self._flush()
        self._writer.close()
