"""All log files of a run → samples and rejects, only what is new."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from benchpipe.config.run import RunConfig
from benchpipe.errors import InputError
from benchpipe.ingest.placing import natural_order, place_sources
from benchpipe.ingest.source import VERSION, ingest_file, ingest_settings
from benchpipe.store.files import sha256_of
from benchpipe.store.manifest import Manifest, Remark, Source, Step, key_of
from benchpipe.store.parts import read_part
from benchpipe.store.run_store import RunStore

STEP = "ingest"
Progress = Callable[[str], None]


@dataclass(frozen=True)
class IngestResult:
    """What the ingest of a run did."""

    manifest: Manifest
    read: tuple[str, ...]


def find_logs(run: RunConfig) -> list[tuple[str, Path]]:
    """Log files of a run, by name relative to the plan, in natural order.

    Raises
    ------
    InputError
        No file matches the plan's patterns.
    """
    found: dict[str, Path] = {}
    for pattern in run.plan.logs:
        for path in _matches(run.folder, pattern):
            if path.is_file() and not path.name.startswith("."):
                found[path.relative_to(run.folder).as_posix()] = path
    if not found:
        raise InputError(
            f"run '{run.name}' has no logs: no file matches {', '.join(run.plan.logs)}",
            where=run.folder,
            do_next="check 'logs' in the plan, and that the rig's folder can be reached",
        )
    return sorted(found.items(), key=lambda item: natural_order(item[0]))


def _matches(folder: Path, pattern: str) -> Iterator[Path]:
    try:
        yield from sorted(folder.glob(pattern))
    except (ValueError, NotImplementedError) as error:
        raise InputError(
            f"the log pattern '{pattern}' cannot be used: {error}",
            where=folder,
            do_next="patterns are relative to the plan, such as 'logs/*.csv'",
        ) from None


def ingest_run(run: RunConfig, store: RunStore, *, again: bool = False, tell: Progress | None = None) -> IngestResult:
    """Take what is new in a run's logs.

    Parameters
    ----------
    run : RunConfig
    store : RunStore
    again : bool
        Read every log anew.
    tell : callable, optional
        Called with the name of each file that is read.

    Raises
    ------
    InputError
        A log cannot be used. The store stays as it was.
    """
    manifest = store.manifest()
    settings = ingest_settings(run.rig)
    sources: list[Source] = []
    read: list[str] = []
    remarks: list[Remark] = []
    logs = dict(find_logs(run))
    for name, path in logs.items():
        known = None if again else manifest.source(name)
        if known is not None:
            known = _unchanged(path, known, settings)
        if known is None:
            if tell is not None:
                tell(name)
            known = ingest_file(path, name, run.rig, store)
            read.append(name)
        sources.append(known)
    for gone in (s for s in manifest.sources if s.file not in logs):
        sources.append(_kept(gone, settings, run))
        text = "the log is not there any more; what was taken from it is kept"
        remarks.append(Remark(step="ingest", code="gone", where=gone.file, count=gone.rows, text=text))
    ordered, placed = place_sources(sources, run.rig.time, lambda s, until: _count_until(store, s, until))
    for place in placed:
        if place.repeats:
            text = f"{place.repeats:,} row(s) repeat the file before and are left out"
            remarks.append(Remark(step="ingest", code="repeats", where=place.file, count=place.repeats, text=text))
    step = Step(key=key_of(settings), version=VERSION, remarks=tuple(remarks))
    new = manifest.model_copy(
        update={"sources": tuple(ordered), "placed": tuple(placed), "steps": {**manifest.steps, STEP: step}}
    )
    if new != manifest:
        new = store.commit(new)
    return IngestResult(new, tuple(read))


def _unchanged(path: Path, known: Source, settings: dict[str, object]) -> Source | None:
    """The record of a file, if neither it nor the settings changed."""
    stat = path.stat()
    same = (stat.st_size, stat.st_mtime_ns) == (known.size, known.mtime_ns)
    sha = known.sha256 if same else sha256_of(path)
    if key_of({"settings": settings, "sha256": sha}) != known.key:
        return None
    return known if same else known.model_copy(update={"mtime_ns": stat.st_mtime_ns, "size": stat.st_size})


def _kept(gone: Source, settings: dict[str, object], run: RunConfig) -> Source:
    """A file that is gone keeps its samples, unless the settings changed since."""
    if key_of({"settings": settings, "sha256": gone.sha256}) != gone.key:
        raise InputError(
            f"the log '{gone.file}' is gone, and the rig file has changed since it was taken",
            where=run.folder / gone.file,
            do_next="put the log back, or undo the change of the rig file",
        )
    return gone


def _count_until(store: RunStore, source: Source, until: int) -> int:
    import pyarrow.compute as pc

    count = 0
    for part in source.parts:
        if part.table == "samples":
            times = read_part(store.folder, part, ["time_us"]).column("time_us")
            count += pc.sum(pc.less_equal(times, until)).as_py() or 0
    return count
