"""Pages that were written: where, of which run, and their bytes by hash.

One JSON file beside the lab file, outside the store, written whole. Verification finds the pages by it. While a page is
written the note holds two hashes of it, so that a job that is killed leaves no page that seems changed.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from benchpipe.errors import StoreError
from benchpipe.store.files import sha256_of, write_whole
from benchpipe.store.record_note import named_in
from benchpipe.store.sealed_note import read_note, sealed_note

NOTE = ".benchpipe-pages.json"  # in the folder of the lab file
LOCK = ".benchpipe-pages.lock"
WAIT_S = 10.0
VERSION = 1


class WrittenPage(NamedTuple):
    """Run that a page is of (empty: the board of the lab), and the SHA-256 of its bytes (two while it is written)."""

    run: str
    sha256: tuple[str, ...]


def read_pages(lab: Path) -> dict[Path, WrittenPage]:
    """Pages that were written, by their path; none where no note is.

    Raises
    ------
    StoreError
        The note is not what was written.
    """
    try:
        return {
            Path(os.path.normpath(lab.absolute().parent / str(file))): WrittenPage(
                str(one["run"]), tuple(map(str, one["sha256"]))
            )
            for file, one in read_note((lab.parent / NOTE).read_bytes(), VERSION)["pages"].items()
        }
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise StoreError(
            f"the note on written pages cannot be read: {str(error).splitlines()[0]}",
            where=lab.parent / NOTE,
            do_next="remove it: the next night writes the pages of the lab again, and another note",
        ) from None


def write_page(path: Path, document: bytes, run: str, lab: Path | None) -> str:
    """Write a page whole, and note it.

    Parameters
    ----------
    run : str
        Empty for the board of a lab.
    lab : Path or None
        The lab file; without one, nothing is noted.

    Returns
    -------
    str
        Why it could not be noted; empty if it was.

    Raises
    ------
    StoreError
        The page cannot be written.
    """
    if lab is None:
        write_whole(path, document)
        return ""
    try:
        with _held(lab):
            file, new = Path(os.path.normpath(path.absolute())), hashlib.sha256(document).hexdigest()
            pages = {one: page for one, page in _known(lab).items() if one == file or one.is_file()}
            before = pages[file].sha256[:1] if file in pages else _there(file)
            _keep(lab, pages | {file: WrittenPage(run, tuple(dict.fromkeys((new, *before))))})
            try:
                write_whole(path, document)
            except StoreError:
                _keep(lab, pages)
                raise
            _keep(lab, pages | {file: WrittenPage(run, (new,))})
    except _NotNotedError as error:
        write_whole(path, document)
        return f"the page {path.name} is not noted, so it will not be verified: {error}"
    return ""


class _NotNotedError(Exception):
    """The note cannot be read or written; the text says why."""


def _there(file: Path) -> tuple[str, ...]:
    """Hash of a file that is there and was not noted."""
    try:
        return (sha256_of(file),)
    except OSError:
        return ()


def _known(lab: Path) -> dict[Path, WrittenPage]:
    try:
        return read_pages(lab)
    except StoreError as error:
        raise _NotNotedError(str(error)) from None


@contextmanager
def _held(lab: Path) -> Iterator[None]:
    """Hold the note for one page."""
    from filelock import FileLock, Timeout

    lock = FileLock(lab.parent / LOCK, timeout=WAIT_S)
    try:
        lock.acquire()
    except (Timeout, OSError, NotImplementedError) as error:
        raise _NotNotedError(str(error)) from None
    try:
        yield
    finally:
        lock.release()


def _keep(lab: Path, pages: Mapping[Path, WrittenPage]) -> None:
    rows = {
        named_in(lab, file): {"run": page.run, "sha256": list(page.sha256)} for file, page in sorted(pages.items())
    }
    try:
        write_whole(lab.parent / NOTE, sealed_note({"version": VERSION, "pages": rows}))
    except (OSError, StoreError) as error:
        raise _NotNotedError(str(error)) from None
