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


def _history_name(sequence: int) -> str:
    return f"{sequence:06d}.json"


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
            if (self.folder / HISTORY / _history_name(2)).exists():  # the first alone: a job died over it
                raise self._broken("it is missing") from None
            return Manifest(run=self.run, code=__version__)
        except OSError as error:
            raise StoreError(f"the manifest cannot be read: {error.strerror}", where=path) from None
        try:
            document = json.loads(data)
            version = document["schema_version"]
        except (ValueError, TypeError, KeyError):
            raise self._broken("it is not the document that was written") from None
        if version != SCHEMA:
            raise StoreError(
                f"the manifest has schema {version}, this version reads {SCHEMA}",
                where=path,
                do_next="use the version of benchpipe that wrote it, or a new store",
            )
        try:
            manifest = Manifest.model_validate(document)
        except ValueError as error:
            raise self._broken(str(error).splitlines()[0]) from None
        self._same_in_history(manifest, data)
        return manifest

    def _same_in_history(self, manifest: Manifest, data: bytes) -> None:
        """Every manifest was written twice: one flipped bit makes the copies differ."""
        kept = self.folder / HISTORY / _history_name(manifest.sequence)
        try:
            same = kept.read_bytes() == data
        except OSError as error:
            raise self._broken(f"its copy {kept} cannot be read: {error.strerror}") from None
        if not same:
            raise self._broken(f"it differs from its copy {kept}")

    def _broken(self, why: str) -> StoreError:
        return StoreError(
            f"the manifest is damaged: {why}",
            where=self.folder / MANIFEST,
            do_next=f"copy the newest sound file of {self.folder / HISTORY} to {MANIFEST}, or remove the run's "
            "folder from the store: it is made anew from the logs",
        )

    def commit(self, manifest: Manifest) -> Manifest:
        """Make ``manifest`` the current one, then drop parts that no manifest names."""
        path = self.folder / MANIFEST
        previous = hashlib.sha256(path.read_bytes()).hexdigest() if path.exists() else None
        new = manifest.model_copy(
            update={"sequence": manifest.sequence + 1, "previous": previous, "code": __version__}
        )
        data = new.model_dump_json(indent=1).encode()
        write_whole(self.folder / HISTORY / _history_name(new.sequence), data)
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
                ahead = table == HISTORY and path.name > _history_name(manifest.sequence)
                if leftover or unused or ahead:
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
