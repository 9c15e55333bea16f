"""Files of a run in an archive: their list with hashes, verified copies, and their removal."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

from benchpipe.errors import DamageError
from benchpipe.store.archive_note import NOTE, SUMS
from benchpipe.store.files import (
    TEMPORARY,
    finish,
    sha256_of,
    sync_folder,
    told_as_store_error,
    unfinished,
    write_whole,
)
from benchpipe.store.run_store import HISTORY, MANIFEST
from benchpipe.tables import TABLES

CHUNK = 4 << 20
LINE = re.compile(r"([0-9a-f]{64})  (\S.*)")
MOST_NAMED = 5
Sums = dict[str, str]
Progress = Callable[[str], None]


def files_of(folder: Path) -> Iterator[str]:
    """Files of a run by name, the manifest last; leftovers, and what an archive adds, are left out."""
    names = [p.relative_to(folder).as_posix() for p in sorted(folder.rglob("*")) if p.is_file()]
    yield from (n for n in names if n not in (NOTE, SUMS, MANIFEST) and not n.rpartition("/")[2].startswith(TEMPORARY))
    yield MANIFEST


def write_sums(folder: Path, sums: Sums) -> None:
    """Write the list: from here on the archive counts."""
    write_whole(folder / SUMS, "".join(f"{sha}  {name}\n" for name, sha in sums.items()).encode())


def read_sums(folder: Path) -> Sums:
    """Hash by name of each file of an archived run.

    Raises
    ------
    DamageError
        The list cannot be read, or is not one.
    """
    try:
        lines = (folder / SUMS).read_bytes().decode(errors="replace").splitlines()
    except OSError as error:
        raise DamageError(
            f"the archive's list of files cannot be read: {error.strerror}", where=folder / SUMS,
            do_next="check that its disk or share is there; if the archive was moved, name it: --from DIR",
        ) from None  # fmt: skip
    found = [LINE.fullmatch(line) for line in lines]
    sums = {line[2]: line[1] for line in found if line is not None}
    if len(sums) != len(lines) or MANIFEST not in sums or any(".." in Path(name).parts for name in sums):
        raise no_list(folder)
    return sums


def no_list(folder: Path) -> DamageError:
    """The error for a list that is not what was written."""
    return DamageError(
        "the archive's list of files is not what was written", where=folder / SUMS,
        do_next="fetch it from a backup of the archive",
    )  # fmt: skip


def verify(folder: Path, sums: Sums | None = None, on_progress: Progress | None = None) -> int:
    """Hold every file of an archived run against its hash; return how many there are.

    Raises
    ------
    DamageError
        Names the files that are damaged or missing.
    """
    sums = read_sums(folder) if sums is None else sums
    wrong = []
    for name, sha in sums.items():
        if on_progress is not None:
            on_progress(f"checking {name}")
        try:
            if sha256_of(folder / name) != sha:
                wrong.append(f"{name} is not what was put there")
        except FileNotFoundError:
            wrong.append(f"{name} is missing")
        except OSError as error:
            wrong.append(f"{name} cannot be read ({error.strerror})")
    if wrong:
        more = f" and {len(wrong) - MOST_NAMED} more" if len(wrong) > MOST_NAMED else ""
        raise DamageError(
            f"the archive is damaged: {'; '.join(wrong[:MOST_NAMED])}{more}",
            where=folder,
            do_next=f"fetch these files from a backup of the archive; else remove {NOTE} from the run's folder in "
            "the store: all is rebuilt from the logs",
        )
    return len(sums)


def copy_all(source: Path, target: Path, sums: Sums, on_progress: Progress | None) -> None:
    """Copy what is not there yet, then read all copies back and hold them against their hashes.

    Raises
    ------
    DamageError
        A file is another than when it was listed, or came out another.
    """
    for name, sha in sums.items():
        final = target / name
        with suppress(OSError):
            if sha256_of(final) == sha:
                continue
        if on_progress is not None:
            on_progress(f"copying {name}")
        with unfinished(final.parent) as file:
            for data in _pieces(source / name):
                file.write(data)
            if file.sha256 != sha:
                raise _spoilt(source / name)
            finish(file, final.name)
        sync_folder(final.parent.parent)
    for name, sha in sums.items():
        if sha256_of(target / name) != sha:
            raise _spoilt(target / name)


def _pieces(path: Path) -> Iterator[bytes]:
    try:
        with path.open("rb") as file:
            while data := file.read(CHUNK):
                yield data
    except OSError as error:
        raise DamageError(f"a file cannot be read: {error.strerror}; nothing was removed", where=path) from None


def _spoilt(path: Path) -> DamageError:
    return DamageError(
        "a file changed on its way; nothing was removed", where=path, do_next="check that disk or share, and run again"
    )


def tidied(folder: Path, sums: Sums) -> None:
    """Remove what a killed job left there: half copies, and tables and manifests of an earlier state."""
    with told_as_store_error(folder):
        for path in folder.rglob("*"):
            name = path.relative_to(folder).as_posix()
            ours = name.partition("/")[0] in (*TABLES, HISTORY) and "/" in name
            if path.is_file() and (path.name.startswith(TEMPORARY) or (ours and name not in sums)):
                path.unlink()


def remove(folder: Path, sums: Sums) -> None:
    """Remove the files of a list, and folders that are empty then."""
    with told_as_store_error(folder):
        for name in sums:
            (folder / name).unlink(missing_ok=True)
        for inner in sorted((p for p in folder.rglob("*") if p.is_dir()), reverse=True):
            with suppress(OSError):
                inner.rmdir()
