"""Logs that have another name than when they were ingested: a rig that starts a new log renames the old one."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa

from benchpipe.readers.log_file import hash_of_beginning
from benchpipe.store.manifest import Manifest, Part, Source
from benchpipe.store.run_store import RunStore


def find_renamed(files: dict[str, Path], manifest: Manifest) -> dict[str, Source]:
    """By the new name of each log: what was taken of it under the old one.

    A new file that begins with the very bytes that were taken from another is that log, if the
    other is not there any more or is not any more what it was.
    """
    new = {name: path.stat().st_size for name, path in files.items() if manifest.source(name) is None}
    found: dict[str, Source] = {}
    for source in manifest.sources if new else ():
        if not source.samples or _stands(source, files.get(source.file)):
            continue
        for name in (name for name, size in new.items() if size >= source.taken and name not in found):
            if _begins_with(files[name], source):
                found[name] = source
                break
    return found


def find_copied(files: dict[str, Path], manifest: Manifest) -> dict[str, str]:
    """Logs that are not any more what was taken, whose rows stand in another log: each with that one's name.

    A rig, or a log rotator, copied a log and then restarted it, and a night fell in between.
    """
    there = {s.file: s for s in manifest.sources if s.samples and _untouched(s, files.get(s.file))}
    found: dict[str, str] = {}
    for source in manifest.sources:
        if not source.samples or source.file in there or _stands(source, files.get(source.file)):
            continue
        for name, other in there.items():
            if other.first_us != source.first_us or other.taken < source.taken:
                continue
            changed = source.file in files  # of one that is gone, only whole copies: it is looked for each night
            if other.sha256 == source.sha256 or (changed and _begins_with(files[name], source)):
                found[source.file] = name
                break
    return found


def under_name(store: RunStore, source: Source, name: str) -> Source:
    """The record of a log under its new name; samples stay as they are, rejects are written again."""
    parts: dict[str, Part] = {}
    for part in source.parts:
        parts[part.path] = part
        if part.table == "rejects":
            table = store.read_parts([part], "rejects")
            column = table.schema.get_field_index("file")
            names = pa.array([name] * table.num_rows, pa.string())
            table = table.set_column(column, table.schema.field(column), names)
            parts[part.path] = store.write("rejects", table, source.key)
    state = source.state
    if state is not None and source.tail is not None:
        state = {**state, "tail": parts[source.tail.path].path}
    remarks = tuple(remark.model_copy(update={"where": name}) for remark in source.remarks)
    return source.model_copy(update={"file": name, "parts": tuple(parts.values()), "state": state, "remarks": remarks})


def _stands(source: Source, path: Path | None) -> bool:
    """Whether a log is there under its name, as it was taken."""
    if path is None:
        return False
    return _untouched(source, path) or _begins_with(path, source)


def _untouched(source: Source, path: Path | None) -> bool:
    if path is None:
        return False
    stat = path.stat()
    return (stat.st_size, stat.st_mtime_ns) == (source.size, source.mtime_ns)


def _begins_with(path: Path, source: Source) -> bool:
    beginning = hash_of_beginning(path, source.taken)
    return beginning is not None and beginning.hexdigest() == source.sha256
