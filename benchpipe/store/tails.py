"""The last rows of a table, without reading its parts whole."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from benchpipe.store.manifest import Part
from benchpipe.store.open_storage import part_path
from benchpipe.store.parts import open_part, unread

if TYPE_CHECKING:
    import pyarrow as pa
    import pyarrow.parquet as pq


def last_rows_of(run_folder: Path, parts: Sequence[Part], columns: list[str], least: int) -> pa.Table | None:
    """The last row groups of some parts of one table: at least ``least`` rows, all where there are fewer.

    The parts are not verified against their hashes, which means to read them whole; every page is verified
    against its checksum. It is for what is only shown, never for a verdict.

    Parameters
    ----------
    parts : sequence of Part
        In order.

    Raises
    ------
    StoreError
        A part is missing or damaged.
    """
    import pyarrow as pa

    pieces: list[pa.Table] = []
    rows = 0
    for part in reversed(parts):
        try:
            with open_part(run_folder, part, _footer(run_folder, part)) as file:
                for index in reversed(range(file.num_row_groups)):
                    if rows >= least:
                        break
                    pieces.append(file.read_row_group(index, columns=columns, use_threads=False))
                    rows += pieces[-1].num_rows
        except (OSError, pa.ArrowException) as error:
            raise unread(run_folder / part.path, error) from None
        if rows >= least:
            break
    return pa.concat_tables(pieces[::-1]) if pieces else None


def _footer(run_folder: Path, part: Part) -> pq.FileMetaData:
    import pyarrow.parquet as pq

    return pq.read_metadata(part_path(run_folder, part))
