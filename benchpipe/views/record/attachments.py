"""Files that a record carries: the manifest, judged figures, remarks, configuration, and tables part by part.

Tables of samples and cycles are named by their hash only; so is any other that would make the files more than 10 MB.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from benchpipe.check.figures_file import figures_file
from benchpipe.errors import DamageError
from benchpipe.store.manifest import Manifest, Part, Remark
from benchpipe.store.open_storage import part_path
from benchpipe.store.run_store import RunStore
from benchpipe.views.record.configuration import ConfigFile
from benchpipe.views.record.model import Attachment

MOST_BYTES = 10_000_000  # of all attached files together
BY_HASH = frozenset({"samples", "cycles", "early_rows", "landmarks"})
FIRST = ("verdicts", "budgets")
JSON, TOML, PARQUET = "application/json", "application/toml", "application/vnd.apache.parquet"
MANIFEST, FIGURES, REMARKS, CONTENTS = "manifest.json", "figures.json", "remarks.json", "contents.json"
_NO_NAME = re.compile(r"[^A-Za-z0-9.-]+")


def attachments(
    manifest: Manifest, document: bytes, store: RunStore, files: Sequence[ConfigFile], remarks: Iterable[Remark],
    verdicts: Iterable[dict[str, Any]], budgets: Iterable[dict[str, Any]],
) -> tuple[Attachment, ...]:  # fmt: skip
    """All files of a record, the list of contents last.

    Parameters
    ----------
    document : bytes
        The manifest as it is on the disk.

    Raises
    ------
    DamageError
        A part is not what was written.
    """
    figures = figures_file(manifest.run, manifest.sequence, verdicts, budgets)
    made = [
        Attachment(MANIFEST, f"manifest of state {manifest.sequence}, as stored", JSON, document),
        Attachment(FIGURES, "judged figures with their budgets", JSON, figures),
        Attachment(REMARKS, "all remarks", JSON, _json([one.model_dump() for one in remarks])),
    ]
    for number, file in enumerate(files, start=1):
        plain = _NO_NAME.sub("-", file.name).strip("-.") or "file"
        made.append(Attachment(f"configuration-{number}-{plain}", f"{file.what}: {file.name}", TOML, file.data))
    room = MOST_BYTES - sum(len(one.data) for one in made)
    names: dict[str, str] = {}
    for table in _in_order(manifest):
        parts = manifest.table(table)
        size = sum(part.bytes for part in parts)
        if table in BY_HASH or size > room:
            continue
        room -= size
        for number, part in enumerate(parts, start=1):
            name = f"{table}.parquet" if len(parts) == 1 else f"{table}-{number}.parquet"
            names[part.path] = name
            made.append(Attachment(name, f"table {table}, {part.rows:,} rows, as stored", PARQUET, _read(store, part)))
    return (
        *made,
        Attachment(CONTENTS, "all files and tables with their hashes", JSON, _contents(manifest, made, names)),
    )


def _in_order(manifest: Manifest) -> Iterator[str]:
    """Names of tables: what was judged first, then the small before the large."""
    sizes: dict[str, int] = {}
    for part in manifest.parts():
        sizes[part.table] = sizes.get(part.table, 0) + part.bytes
    yield from (name for name in FIRST if name in sizes)
    yield from sorted((name for name in sizes if name not in FIRST), key=lambda name: (sizes[name], name))


def _read(store: RunStore, part: Part) -> bytes:
    path = part_path(store.folder, part)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise DamageError(f"a part cannot be read: {error.strerror}", where=path) from None
    if len(data) != part.bytes or hashlib.sha256(data).hexdigest() != part.sha256:
        raise DamageError(
            "a part is not what was written", where=path, do_next="see what else changed: benchpipe verify RUN"
        )
    return data


def _contents(manifest: Manifest, made: Iterable[Attachment], names: dict[str, str]) -> bytes:
    files = [{"name": one.name, "what": one.what, "bytes": len(one.data), "sha256": one.sha256} for one in made]
    tables = [
        {"table": p.table, "path": p.path, "rows": p.rows, "bytes": p.bytes, "sha256": p.sha256,
         "attached": names.get(p.path)}
        for p in manifest.parts()
    ]  # fmt: skip
    return _json({"version": 1, "run": manifest.run, "state": manifest.sequence, "files": files, "tables": tables})


def _json(value: Any) -> bytes:
    return json.dumps(value, indent=1).encode()
