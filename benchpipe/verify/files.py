"""Verify the parts of a run against its manifest, and its logs against what was taken from them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from hashlib import sha256
from pathlib import Path

from benchpipe.errors import InputError, StoreError
from benchpipe.readers.log_file import hash_of_beginning
from benchpipe.store.archive_note import SUMS, Away
from benchpipe.store.archived_files import LINE
from benchpipe.store.files import sha256_of
from benchpipe.store.manifest import Manifest, Part, Source
from benchpipe.store.open_storage import storage_of
from benchpipe.verify.line import Line, Status

Progress = Callable[[str], None]
MB = 1e6
NO_BYTES = sha256(b"").hexdigest()


def part_lines(folder: Path, manifest: Manifest) -> Iterator[Line]:
    """Every part that is kept, by its size and SHA-256."""
    parts, bad = manifest.parts(), 0
    for part in parts:
        wrong = part_fault(folder, part)
        if wrong is not None:
            bad += 1
            yield Line(wrong[0], folder.name, f"part {part.path}", wrong[1])
    if parts and not bad:
        size = sum(part.bytes for part in parts) / MB
        yield Line(Status.HOLDS, folder.name, "parts", f"{len(parts):,} of {len(parts):,}, {size:,.1f} MB")


def part_fault(folder: Path, part: Part) -> tuple[Status, str] | None:
    """What is wrong with a part; None where it is what was written."""
    try:
        size, sha = storage_of(folder.parent).stat_and_hash(f"{folder.name}/{part.path}", part.bytes)
        if size != part.bytes:
            return Status.CHANGED, f"{size:,} bytes instead of {part.bytes:,}"
    except FileNotFoundError:
        return Status.CHANGED, "it is missing"
    except OSError as error:
        return Status.UNKNOWN, f"it cannot be read: {error.strerror}"
    except StoreError as error:
        return Status.UNKNOWN, f"it cannot be read: {error.what}"
    return None if sha == part.sha256 else (Status.CHANGED, "its bytes are not those that were written")


def log_lines(run: str, home: Path | None, manifest: Manifest, on_progress: Progress) -> Iterator[Line]:
    """Every log, each byte that was taken from it.

    Parameters
    ----------
    home : Path or None
        Folder of the plan; None where no plan names it.
    """
    sources = manifest.sources
    if home is None:
        if sources:
            yield Line(Status.UNKNOWN, run, "logs", f"{len(sources):,}: no plan of the lab says where they are")
        return
    bad = 0
    for source in sources:
        on_progress(f"verifying {run}: {source.file}")
        wrong = log_fault(home / source.file, source)
        if wrong is not None:
            bad += 1
            yield Line(wrong[0], run, f"log {source.file}", wrong[1])
    if sources and not bad:
        size = sum(source.taken for source in sources) / MB
        yield Line(Status.HOLDS, run, "logs", f"{len(sources):,} of {len(sources):,}, {size:,.1f} MB as it was taken")


def log_fault(path: Path, source: Source) -> tuple[Status, str] | None:
    """What is wrong with a log; None where it begins with what was taken from it."""
    if not path.is_file():
        return Status.UNKNOWN, "it is not there any more: what was taken from it cannot be compared"
    taken = 0 if source.sha256 == NO_BYTES else source.taken or source.size  # an older manifest knows the size only
    try:
        found = hash_of_beginning(path, taken)
    except InputError as error:
        return Status.UNKNOWN, error.what
    if found is None:
        return Status.CHANGED, f"it has {path.stat().st_size:,} bytes, and {taken:,} were taken from it"
    if found.hexdigest() != source.sha256:
        return Status.CHANGED, f"its first {taken:,} bytes are not those that were taken"
    return None


def archive_lines(run: str, away: Away) -> Iterator[Line]:
    """The list of an archived run, by the SHA-256 that the store knows, and each of its files."""
    folder = away.archive / run
    try:
        data = (folder / SUMS).read_bytes()
    except OSError as error:
        yield Line(Status.UNKNOWN, run, "archive", f"{folder / SUMS} cannot be read: {error.strerror}")
        return
    if sha256_of(folder / SUMS) != away.sums_sha256:
        yield Line(Status.CHANGED, run, f"archive {SUMS}", "it is not the list that was written")
        return
    sums = [line for line in map(LINE.fullmatch, data.decode().splitlines()) if line is not None]
    gone = [line[2] for line in sums if not (folder / line[2]).is_file()]
    wrong = [line[2] for line in sums if line[2] not in gone and sha256_of(folder / line[2]) != line[1]]
    for name in (*gone, *wrong):
        text = "it is missing" if name in gone else "its bytes are not those that were put there"
        yield Line(Status.CHANGED, run, f"archive {name}", text)
    if not gone and not wrong:
        yield Line(Status.HOLDS, run, "archive", f"{len(sums):,} of {len(sums):,} files in {folder}")
