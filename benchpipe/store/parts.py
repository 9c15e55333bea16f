"""Write and read the Parquet files of a table.

One flipped bit in a plain Parquet file is read as data. So a file is held against the
hash in the manifest before it is first used, and every page against its checksum, which
does not cover page headers and the footer, on every read.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchpipe.errors import StoreError
from benchpipe.store.files import finish, sha256_of, unfinished
from benchpipe.store.manifest import Part

if TYPE_CHECKING:
    import pyarrow as pa
    import pyarrow.parquet as pq

ROW_GROUP = 1 << 18
_STAT_COLUMNS = ("time_us", "start_us", "cycle")


class PartWriter:
    """Append Arrow tables to one part; it gets its name by :meth:`finish`."""

    def __init__(self, file: Any, table: str, schema: pa.Schema) -> None:
        import pyarrow as pa
        import pyarrow.parquet as pq

        self._file = file
        self._table = table
        self.rows = 0
        encodings = {
            f.name: "BYTE_STREAM_SPLIT" if pa.types.is_floating(f.type) else "DELTA_BINARY_PACKED"
            for f in schema
            if pa.types.is_floating(f.type) or f.type in (pa.int64(), pa.int32())
        }
        self._writer = pq.ParquetWriter(
            file,
            schema,
            compression="lz4",
            use_dictionary=[f.name for f in schema if f.name not in encodings],
            column_encoding=encodings,
            write_statistics=[f.name for f in schema if f.name in _STAT_COLUMNS],
            write_page_checksum=True,
            store_schema=True,
        )

    def write(self, table: pa.Table) -> None:
        """Append rows as row groups."""
        if table.num_rows:
            self._writer.write_table(table, row_group_size=ROW_GROUP)
            self.rows += table.num_rows

    def abandon(self) -> None:
        """Let go of the Parquet writer while its file is still open."""
        with suppress(OSError, ValueError, StoreError):
            self._writer.close()

    def finish(self, key: str) -> Part:
        """Close the file and name it after what it was made from and what it holds."""
        self._writer.close()
        name = f"{key[:16]}-{self._file.sha256[:8]}.parquet"
        finish(self._file, name)
        return Part(
            table=self._table,
            path=f"{self._table}/{name}",
            rows=self.rows,
            bytes=self._file.size,
            sha256=self._file.sha256,
        )


@contextmanager
def new_part(run_folder: Path, table: str, schema: pa.Schema) -> Iterator[PartWriter]:
    """Open a part of ``table``; without :meth:`PartWriter.finish` nothing remains."""
    with unfinished(run_folder / table) as file:
        writer = PartWriter(file, table, schema)
        try:
            yield writer
        finally:
            writer.abandon()


def open_part(run_folder: Path, part: Part, meta: pq.FileMetaData | None = None) -> pq.ParquetFile:
    """Open a part for reading.

    Parameters
    ----------
    meta : FileMetaData, optional
        From an earlier opening, which has held the file against its hash.

    Raises
    ------
    StoreError
        Missing, or not what was written.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    path = run_folder / part.path
    try:
        found = path.stat()
        if found.st_size != part.bytes:
            raise damaged(path, f"{found.st_size} bytes instead of {part.bytes}")
        if meta is None and _hash_of(path, found.st_size, found.st_mtime_ns) != part.sha256:
            raise damaged(path, "its bytes are not those that were written")
        return pq.ParquetFile(path, metadata=meta, page_checksum_verification=True)
    except OSError as error:
        raise damaged(path, error.strerror or str(error)) from None
    except pa.ArrowException as error:
        raise damaged(path, str(error).splitlines()[0]) from None


@lru_cache(maxsize=1 << 14)
def _hash_of(path: Path, size: int, mtime_ns: int) -> str:
    """Hash of a file, once for each state of it."""
    return sha256_of(path)


def read_part(run_folder: Path, part: Part, columns: list[str] | None = None) -> pa.Table:
    """Read a part whole."""
    import pyarrow as pa

    try:
        with open_part(run_folder, part) as file:
            return file.read(columns=columns)
    except (OSError, pa.ArrowException) as error:
        raise damaged(run_folder / part.path, str(error).splitlines()[0]) from None


def damaged(path: Path, why: str) -> StoreError:
    """A part that is not what was written."""
    return StoreError(
        f"a file of the store is damaged or missing ({why})",
        where=path,
        do_next="run 'benchpipe ingest RUN --again', then 'benchpipe nightly': all is made anew from the logs",
    )
