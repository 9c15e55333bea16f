"""Write and read the Parquet files of a table.

One flipped bit in a plain Parquet file is read as data. So a file is verified against the
hash in the manifest before it is first used in a night (but for one that this night wrote itself: its
hash is of the bytes that went to the disk), and every page against its checksum on every read;
that checksum does not cover page headers and the footer.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchpipe.config.renamed import BEFORE, name_now
from benchpipe.errors import StoreError
from benchpipe.mirrors import mirror_over
from benchpipe.store.files import finish, sha256_of, unfinished
from benchpipe.store.manifest import Part
from benchpipe.store.open_storage import part_path
from benchpipe.store.refusals import damaged as damaged

if TYPE_CHECKING:
    import pyarrow as pa
    import pyarrow.parquet as pq

ROW_GROUP = 1 << 18
BUFFER = 1 << 20  # a row group has hundreds of small pieces: one call for many of them
_STAT_COLUMNS = ("time_us", "start_us", "cycle")


class PartWriter:
    """Append Arrow tables to one part; it gets its name by :meth:`finish`."""

    def __init__(self, file: Any, table: str, schema: pa.Schema) -> None:
        import pyarrow as pa
        import pyarrow.parquet as pq

        self._file = file
        self._stream = pa.BufferedOutputStream(pa.PythonFile(file, mode="w"), BUFFER)
        self._table = table
        self.rows = 0
        encodings = {
            f.name: "BYTE_STREAM_SPLIT" if pa.types.is_floating(f.type) else "DELTA_BINARY_PACKED"
            for f in schema
            if pa.types.is_floating(f.type) or f.type in (pa.int64(), pa.int32())
        }
        self._writer = pq.ParquetWriter(
            self._stream,
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
        with suppress(OSError, ValueError, StoreError):
            self._stream.close()

    def finish(self, key: str) -> Part:
        """Close the file and name it after what it was made from and what it holds."""
        self._writer.close()
        self._stream.flush()
        name = f"{key[:16]}-{self._file.sha256[:8]}.parquet"
        _hashes[_state_of(finish(self._file, name))] = self._file.sha256  # these bytes need not be read again for it
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
    DamageError
        Missing, or not what was written.
    StoreError
        It cannot be read now: no right to, a disk or share that does not answer; or it was dropped.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    path = run_folder / part.path
    if part.dropped:
        raise StoreError(
            "the run's samples were dropped after it was signed off: only what was made of them is kept",
            where=path,
            do_next="read the logs again: benchpipe ingest RUN --again",
        )
    try:
        path = part_path(run_folder, part)
        state = _state_of(path)
        if state[1] != part.bytes:
            raise damaged(path, f"{state[1]} bytes instead of {part.bytes}")
        if meta is None and _hash_of(state) != part.sha256:
            _fetched_again(path, run_folder, part)
        return pq.ParquetFile(path, metadata=meta, page_checksum_verification=True)
    except (OSError, pa.ArrowException) as error:
        raise unread(path, error) from None


def _fetched_again(path: Path, run_folder: Path, part: Part) -> None:
    """A mirror's copy of a part may have rotted where the stored one has not."""
    if mirror_over(run_folder) is None:
        raise damaged(path, "its bytes are not those that were written")
    part_path(run_folder, part, again=True)


_hashes: dict[tuple[Path, int, int], str] = {}


def _state_of(path: Path) -> tuple[Path, int, int]:
    """A file as it is now: path, size, time of the last change."""
    found = path.stat()
    return path, found.st_size, found.st_mtime_ns


def _hash_of(state: tuple[Path, int, int]) -> str:
    """Hash of a file, once for each state of it."""
    if state not in _hashes:
        _hashes[state] = sha256_of(state[0])
    return _hashes[state]


def forget_hashes() -> None:
    """Hold every part against its hash again: those of an earlier night say nothing."""
    _hashes.clear()


def read_part(run_folder: Path, part: Part, columns: list[str] | None = None) -> pa.Table:
    """Read a part whole."""
    import pyarrow as pa

    try:
        with open_part(run_folder, part) as file:
            return _named_now(file.read(columns=[_in_file(name, file) for name in columns] if columns else None))
    except (OSError, pa.ArrowException) as error:
        raise unread(run_folder / part.path, error) from None


def _in_file(name: str, file: pq.ParquetFile) -> str:
    """What a column is called in a part: an older version wrote it under another name."""
    before = BEFORE.get(name)
    return before if before is not None and before in file.schema_arrow.names else name


def _named_now(rows: pa.Table) -> pa.Table:
    names = [name_now(name) for name in rows.column_names]
    return rows if names == rows.column_names else rows.rename_columns(names)


def unread(path: Path, error: Exception) -> StoreError:
    """The error for a part whose reading failed: damage, or a disk, share or right that may come back."""
    why = str(error).splitlines()[0] if str(error) else type(error).__name__
    code = getattr(error, "errno", None)
    if code in (None, errno.ENOENT):
        return damaged(path, (getattr(error, "strerror", None) or why))
    return StoreError(
        f"a file of the store cannot be read: {os.strerror(code)}",
        where=path,
        do_next="run again when the disk or share answers; if it is this file alone, remove it: "
        "it is rebuilt from the logs",
    )
