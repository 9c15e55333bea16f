"""A run whose samples were dropped ingests nothing more: new logs and rows are reported, and left where they are."""

from __future__ import annotations

from pathlib import Path

from benchpipe.errors import InputError
from benchpipe.ingest.logs import find_logs
from benchpipe.ingest.source import source_key
from benchpipe.readers.log_file import hash_of_beginning
from benchpipe.run import RunConfig
from benchpipe.store.manifest import Manifest, Source

CLOSED = "closed"
AGAIN = "to take the run up again: benchpipe ingest RUN --again"


def closed_manifest(run: RunConfig, manifest: Manifest) -> Manifest:
    """The manifest of a closed run, with a remark where its logs or its rig file are not what they were.

    A cycle that spans the old end of the logs would need samples that are not there any more; to take
    some of a run and not the rest would be wrong without a word. So nothing is taken.
    """
    sources, odd = {s.file: s for s in manifest.sources}, []
    for name, path in _logs(run).items():
        known = sources.get(name)
        same = None if known is None else _as_taken(path, known)
        if same is None:
            odd.append(name)
        else:
            sources[name] = same
    said = []
    if odd:
        said.append(f"{len(odd)} log(s) are new or have changed since the samples were dropped (first: {odd[0]})")
    if any(source_key(run.rig.of_file(s.file), s.sha256, s.last_us) != s.key for s in manifest.sources):
        said.append("the rig file or the program would read the logs differently now")
    text = f"{'; '.join(said)}: nothing is taken, and what was made stays; {AGAIN}" if said else ""
    after = manifest.model_copy(update={"sources": tuple(sources.values())})
    return after.with_remark("ingest", CLOSED, odd[0] if odd else run.name, text)


def logs_must_be_there(run: RunConfig, manifest: Manifest) -> None:
    """Refuse to rebuild a closed run while one of its logs is not there: its rows would be lost.

    Raises
    ------
    InputError
        Names the log.
    """
    dropped = [s.file for s in manifest.sources if any(p.dropped for p in s.parts)]
    found = _logs(run) if dropped else {}
    gone = [file for file in dropped if file not in found]
    if gone:
        raise InputError(
            f"{len(gone)} log(s) of run '{run.name}' are not there, and their samples were dropped: rebuilding "
            "would lose their rows",
            where=run.folder / gone[0],
            do_next="put the logs back, then run it again; until then what was made of them stays",
        )


def _logs(run: RunConfig) -> dict[str, Path]:
    """The logs that are there: they may be put away once their run is closed."""
    try:
        return find_logs(run).files
    except InputError:
        return {}


def _as_taken(path: Path, known: Source) -> Source | None:
    """The record of a log that still holds what was taken, and no more; None for another."""
    stat = path.stat()
    if (stat.st_size, stat.st_mtime_ns) == (known.size, known.mtime_ns):
        return known
    if stat.st_size != known.size:
        return None
    found = hash_of_beginning(path, known.taken)
    same = found is not None and found.hexdigest() == known.sha256
    return known.model_copy(update={"mtime_ns": stat.st_mtime_ns}) if same else None
