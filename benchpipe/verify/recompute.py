"""Make figures and verdicts again from the raw logs, in a scratch folder, and compare them to the last bit.

The logs are copied as far as they were taken, and the settings are those that the store keeps of the state. Nothing of
the store, the logs or the plan's folder is written.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator
from datetime import date
from io import FileIO
from pathlib import Path
from tempfile import TemporaryDirectory, gettempdir

from benchpipe.config.limits import LimitsConfig, LimitSet
from benchpipe.config.model import load_model
from benchpipe.config.rig import RigConfig
from benchpipe.errors import BenchpipeError, StoreError
from benchpipe.pipeline import STEPS, work
from benchpipe.plan import load_plan
from benchpipe.run import RunConfig
from benchpipe.store.configuration import files_of_state, read_file
from benchpipe.store.manifest import Manifest, Source
from benchpipe.store.run_store import RunStore
from benchpipe.store.software import other_software
from benchpipe.verify.files import NO_BYTES, log_fault
from benchpipe.verify.line import Line, Status
from benchpipe.verify.table_bits import differing

Progress = Callable[[str], None]
CHUNK = 4 << 20
WHAT = "figures"
MOST_NAMED = 3
INSIDE = ("ingest",)  # what this step writes are samples and rejects, of which figures are made


def recompute_lines(folder: Path, home: Path | None, manifest: Manifest, on_progress: Progress) -> Iterator[Line]:
    """Make a run's figures and verdicts again, and compare them with those that are stored.

    Parameters
    ----------
    folder : Path
        The run's folder, in the store or in an archive.
    home : Path or None
        Folder of the plan, which the logs are relative to; None where no plan names it.
    on_progress : callable
        Called with each log that is copied or read.
    """
    run = folder.name
    why = _impossible(home, manifest)
    if why or home is None:
        yield Line(Status.UNKNOWN, run, WHAT, f"they cannot be made again: {why}")
        return
    try:
        with TemporaryDirectory(prefix="benchpipe-recompute-") as scratch:
            yield from _compared(folder, home, manifest, Path(scratch), on_progress)
    except BenchpipeError as error:
        yield Line(Status.UNKNOWN, run, WHAT, f"they cannot be made again: {error.what}")
    except OSError as error:
        yield Line(Status.UNKNOWN, run, WHAT, f"they cannot be made again: {error.strerror or error}")


def _impossible(home: Path | None, manifest: Manifest) -> str:
    """Why figures cannot be made again; empty where they can."""
    if home is None:
        return "no plan of the lab says where the logs are"
    if "check" not in manifest.steps:
        return "the run was not judged yet"
    if not manifest.configuration:
        return "an older version wrote the state, without its settings files"
    if len(set(manifest.configuration.values())) > 1:
        return "its steps were done with different settings files; finish the work first: benchpipe nightly LAB"
    for source in manifest.sources:
        fault = log_fault(home / source.file, source)
        if fault is not None:
            return f"log {source.file}: {fault[1]}"
    return ""


def _compared(folder: Path, home: Path, manifest: Manifest, scratch: Path, on_progress: Progress) -> Iterator[Line]:
    run = _frozen_run(folder, manifest, scratch)
    for source in manifest.sources:
        on_progress(f"copying {folder.name}: {source.file}")
        _copy(home / source.file, run.folder / source.file, source)
    made = work(run, today=_day(manifest), on_progress=lambda log: on_progress(f"making again {folder.name}: {log}"))
    stored, again = RunStore(folder.parent, folder.name, run.tables), run.open_store()
    found: list[str] = []
    values = 0
    tables = sorted(_tables(manifest) | _tables(made.manifest))
    for table in tables:
        rows = stored.read(manifest, table)
        values += rows.num_rows * rows.num_columns
        why = differing(rows, again.read(made.manifest, table))
        found += [f"{table}: {why}"] if why else []
    before, after = manifest.account().samples, made.manifest.account().samples
    if before != after:  # rejects may differ: a half-written last line was none of the bytes that were taken
        found.append(f"rows: {before:,} samples are stored, {after:,} are in the logs")
    yield _line(folder.name, manifest, found, len(tables), values)


def _line(run: str, manifest: Manifest, found: list[str], tables: int, values: int) -> Line:
    if not found:
        text = (
            f"made again from {len(manifest.sources):,} log(s): {tables} tables, {values:,} values, all the same to "
            "the last bit"
        )
        return Line(Status.HOLDS, run, WHAT, text)
    more = f"; and {len(found) - MOST_NAMED} more" if len(found) > MOST_NAMED else ""
    text = f"made again from the logs they differ: {'; '.join(found[:MOST_NAMED])}{more}"
    other = other_software(manifest.made_with)
    if other:
        return Line(Status.UNKNOWN, run, WHAT, f"{text}. They were {other}")
    return Line(Status.CHANGED, run, WHAT, text)


def _tables(manifest: Manifest) -> set[str]:
    """Tables of figures, trends and verdicts."""
    steps = [manifest.steps[kind.name] for kind in STEPS if kind.name not in INSIDE and kind.name in manifest.steps]
    return {part.table for step in steps for part in step.parts}


def _frozen_run(folder: Path, manifest: Manifest, scratch: Path) -> RunConfig:
    """The run by the settings files that the store keeps of a state, its store and logs in a scratch folder.

    Raises
    ------
    DamageError
        A settings file is not what was written.
    ConfigError
        This version cannot read one.
    """
    settings, home = scratch / "settings", scratch / "run"
    settings.mkdir()
    home.mkdir()
    paths: dict[str, list[Path]] = {}
    for number, one in enumerate(files_of_state(folder, manifest)):
        path = settings / f"{number}.toml"
        path.write_bytes(read_file(folder, one))
        paths.setdefault(one.role, []).append(path)
    plan, _ = load_plan(paths["plan"][0])
    rig, _ = load_model(RigConfig, paths["rig"][0])
    limits = []
    for path in paths.get("limits", []):
        config, file = load_model(LimitsConfig, path)
        limits.append(LimitSet(file, config))
    return RunConfig(home / "plan.toml", plan, paths["rig"][0], rig, tuple(limits), scratch / "store")


def _copy(source: Path, target: Path, record: Source) -> None:
    """Copy what was taken of a log, with its time, and verify it on the way.

    Raises
    ------
    InputError
        It cannot be read, or changed meanwhile.
    StoreError
        There is no room for the copy.
    """
    from benchpipe.readers.log_file import open_log, shrank

    taken = 0 if record.sha256 == NO_BYTES else record.taken or record.size
    target.parent.mkdir(parents=True, exist_ok=True)
    found = hashlib.sha256()
    with open_log(source) as log, FileIO(target, "wb") as copy:
        left = taken
        while left and (data := log.read(min(CHUNK, left))):
            found.update(data)
            _write(copy, data)
            left -= len(data)
    if left or found.hexdigest() != record.sha256:
        raise shrank(source)
    os.utime(target, ns=(record.mtime_ns, record.mtime_ns))


def _write(copy: FileIO, data: bytes) -> None:
    left = memoryview(data)
    try:
        while left:
            left = left[copy.write(left) :]
    except OSError as error:  # here: in the block that reads the log, it would be blamed on that
        raise StoreError(
            f"the logs cannot be copied to {gettempdir()} (TMPDIR names another folder): {error.strerror}"
        ) from None


def _day(manifest: Manifest) -> date:
    """Day on which a state was judged, where a limit asks for it."""
    day = manifest.steps["check"].state.get("today")
    return date.fromisoformat(day) if isinstance(day, str) and day else date.today()
