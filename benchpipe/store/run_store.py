"""The tables of one run on disk."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from benchpipe import __version__
from benchpipe.columns import Column, schema_of
from benchpipe.errors import DamageError, StoreBusyError, StoreError
from benchpipe.store.archive_note import must_be_here, must_be_no_archive
from benchpipe.store.copies import COPIES_KEPT as COPIES_KEPT
from benchpipe.store.copies import HISTORY as HISTORY
from benchpipe.store.copies import MANIFEST as MANIFEST
from benchpipe.store.copies import history_name as history_name
from benchpipe.store.copies import keeps as keeps
from benchpipe.store.files import remove_unfinished
from benchpipe.store.ledger_file import head_of
from benchpipe.store.manifest import SCHEMA, Manifest, Part, is_sealed, sealed
from benchpipe.store.open_storage import storage_of
from benchpipe.store.parts import new_part, read_part
from benchpipe.store.software import made_with
from benchpipe.store.storage import RunChange
from benchpipe.tables import TABLES

if TYPE_CHECKING:
    import pyarrow as pa


class RunStore:
    """One run's folder in the store: a manifest, and the parts that it names.

    Parameters
    ----------
    store : Path
    run : str
    more : mapping, optional
        Tables it may hold besides ours: those of kinds of blocks from other packages.
    """

    def __init__(self, store: Path, run: str, more: Mapping[str, Sequence[Column]] | None = None) -> None:
        self.folder = store / run
        self.storage = storage_of(store)
        self.run = run
        self.tables: dict[str, Sequence[Column]] = {**TABLES, **(more or {})}

    def manifest(self) -> Manifest:
        """Read the current manifest (an empty one for a new run).

        Raises
        ------
        DamageError
            It is not what was written, or missing.
        StoreError
            It cannot be read, is of another version, or the run is in an archive.
        """
        must_be_here(self.folder)
        path = self.folder / MANIFEST
        try:
            data = self.storage.read(f"{self.run}/{MANIFEST}").data
        except FileNotFoundError:
            if any(copy.name > history_name(1) for copy in self.history()):  # the first: a job died over it
                raise self._broken("it is missing") from None
            return Manifest(run=self.run, code=__version__)
        except OSError as error:
            raise StoreError(f"the manifest cannot be read: {error.strerror}", where=path) from None
        return self.proven(data)

    def proven(self, data: bytes) -> Manifest:
        """The manifest that a document holds, if its seal holds."""
        if not is_sealed(data):
            raise self._broken("it is not the document that was written")
        document = json.loads(data)
        if document["schema_version"] != SCHEMA:
            raise self._other_version(f"has schema {document['schema_version']}, this version reads {SCHEMA}")
        try:
            found = Manifest.model_validate(document)
        except ValueError as error:
            raise self._other_version(f"is of another version: {str(error).splitlines()[0]}") from None
        if found.run != self.run:
            raise StoreError(
                f"the folder of run '{self.run}' holds the tables of run '{found.run}'",
                where=self.folder,
                do_next="find out who moved it, put each run's folder back, then: benchpipe verify --lab LAB",
            )
        return found

    def history(self) -> list[Path]:
        """Copies of all manifests, the oldest first."""
        return sorted((self.folder / HISTORY).glob("*.json"))

    def _other_version(self, why: str) -> StoreError:
        return StoreError(
            f"the manifest {why}",
            where=self.folder / MANIFEST,
            do_next="use the version of benchpipe that wrote it, or a new store",
        )

    def _broken(self, why: str) -> DamageError:
        return DamageError(
            f"the manifest is damaged: {why}",
            where=self.folder / MANIFEST,
            do_next="the newest sound copy takes its place, or all is made from the logs, by: benchpipe nightly LAB",
        )

    def commit(self, manifest: Manifest) -> Manifest:
        """Make ``manifest`` the current one, then drop parts that no manifest names."""
        must_be_no_archive(self.folder)
        try:
            document, tag = self.storage.read(f"{self.run}/{MANIFEST}")
        except FileNotFoundError:
            document, tag = b"", None
        before = self.proven(document) if document else Manifest(run=self.run)
        if before.sequence > manifest.sequence:
            raise StoreBusyError(
                f"run '{self.run}' was worked on by another job meanwhile: what this one made does not count",
                where=self.folder, expected=f"state {manifest.sequence}", got=f"state {before.sequence}",
                do_next="nothing is lost: run again",
            )  # fmt: skip
        new = manifest.model_copy(
            update={
                "sequence": manifest.sequence + 1,
                "previous": hashlib.sha256(document).hexdigest() if document else None,
                "code": __version__,
                "made_with": made_with(manifest.steps, before.steps, before.made_with),
                "ledger": head_of(self.folder.parent),
            }
        )
        new, data = sealed(new)
        self.storage.commit(RunChange(before, new, tag, data))
        self.clean(new)
        return new

    def clean(self, manifest: Manifest) -> None:
        """Remove leftovers of killed jobs, parts that are not in use any more, and old copies of the manifest."""
        remove_unfinished(self.folder)
        kept = {part.path for part in manifest.parts()}
        for table in (HISTORY, *self.tables):  # a manifest that never counted goes before its parts
            for path in (self.folder / table).glob("*"):
                unused = path.suffix == ".parquet" and f"{table}/{path.name}" not in kept
                past = table == HISTORY and not keeps(manifest, path.name)
                if unused or past:
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
            empty = schema_of(self.tables[table]).empty_table()
            return empty.select(columns) if columns else empty
        return _with_missing(pa.concat_tables(tables), schema_of(self.tables[table]), columns)


def _with_missing(rows: pa.Table, whole: pa.Schema, columns: list[str] | None) -> pa.Table:
    """Rows with the columns that a part of an older version does not have, as nulls."""
    import pyarrow as pa

    for field in (whole.field(name) for name in columns or whole.names if name not in rows.column_names):
        rows = rows.append_column(field.with_nullable(True), pa.nulls(rows.num_rows, field.type))
    return rows
