"""The tables of one run on disk."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from benchpipe import __version__
from benchpipe.errors import StoreError
from benchpipe.store.files import TEMPORARY, write_whole
from benchpipe.store.manifest import SCHEMA, Manifest, Part
from benchpipe.store.parts import new_part, read_part
from benchpipe.tables import TABLES, schema

if TYPE_CHECKING:
    import pyarrow as pa

MANIFEST = "manifest.json"
HISTORY = "history"


class RunStore:
    """One run's folder in the store: a manifest, and the parts that it names."""

    def __init__(self, store: Path, run: str) -> None:
        self.folder = store / run
        self.run = run

    def manifest(self) -> Manifest:
        """Read the current manifest (an empty one for a new run)."""
        path = self.folder / MANIFEST
        try:
            data = path.read_bytes()
        except FileNotFoundError:
            return Manifest(run=self.run, code=__version__)
        except OSError as error:
            raise StoreError(f"the manifest cannot be read: {error.strerror}", where=path) from None
        try:
            document = json.loads(data)
            version = document.get("schema_version")
            if version != SCHEMA:
                raise StoreError(
                    f"the manifest has schema {version}, this version reads {SCHEMA}",
                    where=path,
                    do_next="use the version of benchpipe that wrote it, or a new store",
                )
            return Manifest.model_validate(document)
        except ValueError as error:
            raise StoreError(
                f"the manifest is damaged: {str(error).splitlines()[0]}",
                where=path,
                do_next=f"restore the newest file of {self.folder / HISTORY} as {MANIFEST}, or remove the run's "
                "folder from the store: it is made anew from the logs",
            ) from None

    def commit(self, manifest: Manifest) -> Manifest:
        """Make ``manifest`` the current one, then drop parts that no manifest names."""
        path = self.folder / MANIFEST
        previous = hashlib.sha256(path.read_bytes()).hexdigest() if path.exists() else None
        new = manifest.model_copy(
            update={"sequence": manifest.sequence + 1, "previous": previous, "code": __version__}
        )
        data = new.model_dump_json(indent=1).encode()
        write_whole(self.folder / HISTORY / f"{new.sequence:06d}.json", data)
        write_whole(path, data)
        self.clean(new)
        return new

    def clean(self, manifest: Manifest) -> None:
        """Remove leftovers of killed jobs and parts that are not in use any more."""
        kept = {part.path for part in manifest.parts()}
        for table in (*TABLES, HISTORY, "."):
            for path in (self.folder / table).glob("*"):
                leftover = path.name.startswith(TEMPORARY)
                unused = path.suffix == ".parquet" and f"{table}/{path.name}" not in kept
                if leftover or unused:
                    with suppress(OSError):
                        path.unlink()

    def write(self, table: str, rows: pa.Table, key: str) -> Part:
        """Write a whole table as one part."""
        with new_part(self.folder, table, rows.schema) as writer:
            writer.write(rows)
            return writer.finish(key)

    def read(self, manifest: Manifest, table: str, columns: list[str] | None = None) -> pa.Table:
        """Read a table whole (not ``samples``: stream those)."""
        return self.read_parts(manifest.table(table), table, columns)

    def read_parts(self, parts: Iterable[Part], table: str, columns: list[str] | None = None) -> pa.Table:
        """Read some parts of a table, in order."""
        import pyarrow as pa

        tables = [read_part(self.folder, part, columns) for part in parts]
        if not tables:
            empty = schema(table).empty_table()
            return empty.select(columns) if columns else empty
        return pa.concat_tables(tables)
