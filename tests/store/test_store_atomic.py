"""Writes are all or nothing: whatever fails, the old state stays, nothing is left over, the next job gets through."""

from __future__ import annotations

import errno
import gc
import os
import resource
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any

import pytest

from benchpipe.errors import StoreError
from benchpipe.store import files
from benchpipe.store.files import TEMPORARY, finish, sha256_of, unfinished, write_whole
from benchpipe.store.lock import hold_store
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore
from tests.store.kept import night, tables, tree

HINTS = {
    errno.ENOSPC: "free space on that disk and run again; nothing was lost",
    errno.EDQUOT: "the quota is used up: free space and run again; nothing was lost",
    errno.EACCES: "give this account the right to write there",
    errno.EROFS: "the disk is read-only: choose another store",
    errno.EEXIST: "a file is there already: choose another store",
    errno.ENOTDIR: "a file is in the path: choose another store",
    errno.ENOENT: "no folder can be made there: choose another store",
    errno.EIO: "see that the disk or share answers, then run again; nothing was lost",
}


class FullDisk:
    """A file that takes so many bytes and no more."""

    def __init__(self, file: IO[bytes], room: list[int], code: int) -> None:
        self._file, self._room, self._code = file, room, code

    def write(self, data: memoryview) -> int:
        self._room[0] -= len(data)
        if self._room[0] < 0:
            raise OSError(self._code, os.strerror(self._code))
        return self._file.write(data)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)


def test_a_file_that_cannot_be_opened_leaves_nothing_half_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(StoreError), unfinished(tmp_path):
        pass
    gc.collect()  # what a finaliser raises is a warning, and so an error


def full_after(monkeypatch: pytest.MonkeyPatch, room: int, code: int = errno.ENOSPC) -> None:
    """Let the store write ``room`` bytes from now on."""
    plain, left = Path.open, [room]

    def opened(path: Path, mode: str = "r", *rest: Any, **named: Any) -> Any:
        file = plain(path, mode, *rest, **named)
        return FullDisk(file, left, code) if mode == "xb" else file

    monkeypatch.setattr(Path, "open", opened)


def failing(plain: Callable[..., Any], at: int, code: int) -> Callable[..., Any]:
    """``plain``, but for the call number ``at``."""
    calls = iter(range(1_000_000))

    def call(*arguments: Any) -> Any:
        if next(calls) == at:
            raise OSError(code, os.strerror(code))
        return plain(*arguments)

    return call


def old_state_stays(folder: Path, spoil: Callable[[pytest.MonkeyPatch], None]) -> bool:
    """Do a night that may fail, hold the store against the state before; return whether it failed."""
    store = RunStore(folder, "run")
    night(store, 0)
    before, old = tables(store), store.manifest()
    hint = ""
    with pytest.MonkeyPatch.context() as patch:
        spoil(patch)
        try:
            night(store, 1)
        except StoreError as error:
            hint = str(error.do_next)
    failed = hint in HINTS.values()
    if failed and store.manifest().sequence == 1:
        assert store.manifest() == old
        assert tables(store) == before
    assert not list(folder.rglob(f"{TEMPORARY}*"))
    again = night(store, 1, old) if store.manifest() == old else store.manifest()
    assert (again.sequence, len(again.sources)) == (2, 2)
    return failed


@pytest.mark.parametrize("function", ["fsync", "replace"])
def test_any_failing_fsync_or_rename_leaves_the_old_state(tmp_path: Path, function: str) -> None:
    def spoil(patch: pytest.MonkeyPatch) -> None:
        if function == "fsync":
            patch.setattr(os, "fsync", failing(os.fsync, number, errno.EIO))
        else:
            patch.setattr(Path, "replace", failing(Path.replace, number, errno.EIO))

    failed = []
    for number in range(12):
        failed.append(old_state_stays(tmp_path / str(number), spoil))
    # 2 parts and 2 copies of the manifest: one rename each, two fsyncs each (file, folder).
    assert failed == [number < {"fsync": 8, "replace": 4}[function] for number in range(12)]


def test_a_disk_that_is_full_at_any_byte_leaves_the_old_state(tmp_path: Path) -> None:
    failed = []
    for number, room in enumerate([0, 1, 100, 1000, 2000, 3000, 4000, 5000, 6000, 8000, 1_000_000]):
        failed.append(old_state_stays(tmp_path / str(number), lambda patch, room=room: full_after(patch, room)))
    assert failed[0]
    assert not failed[-1]
    assert failed == sorted(failed, reverse=True)
    assert sum(failed) >= 6


@pytest.mark.parametrize("code", list(HINTS))
def test_a_failed_write_says_why_and_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int
) -> None:
    full_after(monkeypatch, 0, code)
    with pytest.raises(StoreError) as caught:
        write_whole(tmp_path / "x", b"abc")
    assert os.strerror(code) in caught.value.what
    assert (caught.value.where, caught.value.do_next) == (str(tmp_path), HINTS[code])
    assert list(tmp_path.iterdir()) == []


def test_a_writer_that_breaks_for_another_reason_leaves_nothing(tmp_path: Path) -> None:
    def broken() -> None:
        with unfinished(tmp_path) as file:
            file.write(b"abc")
            raise ValueError("not ours")

    with pytest.raises(ValueError, match="not ours"):
        broken()
    assert list(tmp_path.iterdir()) == []


def test_a_file_is_whole_and_hashed_once_finished(tmp_path: Path) -> None:
    with unfinished(tmp_path / "new") as file:
        file.write(b"abc")
        file.write(memoryview(b"def"))
        assert [path.name[:12] for path in (tmp_path / "new").iterdir()] == [TEMPORARY]
        final = finish(file, "x.bin")
    assert (final.read_bytes(), file.size) == (b"abcdef", 6)
    assert sha256_of(final) == file.sha256
    assert list((tmp_path / "new").iterdir()) == [final]


def test_a_share_that_cannot_sync_folders_is_fine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = os.fsync

    def fsync(handle: int) -> None:
        if os.path.isdir(f"/proc/self/fd/{handle}"):  # noqa: PTH112
            raise OSError(errno.EINVAL, "no")
        plain(handle)

    monkeypatch.setattr(files.os, "fsync", fsync)
    write_whole(tmp_path / "x", b"abc")
    assert (tmp_path / "x").read_bytes() == b"abc"


def test_the_limit_of_a_real_file_system_is_told(tmp_path: Path) -> None:
    program = (
        "import resource, sys; resource.setrlimit(resource.RLIMIT_FSIZE, (500, 500))\n"
        "from pathlib import Path\n"
        "from benchpipe.errors import StoreError\n"
        "from benchpipe.store.run_store import RunStore\n"
        "from tests.store.kept import night\n"
        "try:\n night(RunStore(Path(sys.argv[1]), 'run'), 0)\n"
        "except StoreError as error:\n sys.exit(str(error))\n"
    )
    done = subprocess.run([sys.executable, "-c", program, tmp_path], capture_output=True, text=True, check=False)
    assert os.strerror(errno.EFBIG) in done.stderr
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] != 500
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


def test_a_folder_that_may_not_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "run").write_text("a file stands where the folder should be")
    with pytest.raises(StoreError, match="it cannot be written there"):
        night(RunStore(tmp_path, "run"), 0, RunStore(tmp_path / "other", "run").manifest())


def test_leftovers_of_a_killed_job_go_with_the_next_commit(tmp_path: Path) -> None:
    store = RunStore(tmp_path, "run")
    night(store, 0)
    clean = tree(tmp_path)
    for place in ("samples", "history", "."):
        (store.folder / place / f"{TEMPORARY}0123").write_bytes(b"half")
    (store.folder / "samples" / "feedfeedfeedfeed-00000000.parquet").write_bytes(b"never named")
    (store.folder / "history" / "000002.json").write_bytes(b"died before the manifest")
    (store.folder / "notes.txt").write_text("a person's own file")
    store.clean(store.manifest())
    assert tree(tmp_path) == {**clean, "run/notes.txt": tree(tmp_path)["run/notes.txt"]}


@pytest.mark.parametrize("refuses", [False, True], ids=["takes the advice", "refuses it"])
def test_a_large_file_is_handed_to_the_disk_as_it_grows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, refuses: bool
) -> None:
    """So that the last sync has little left to wait for; what the system makes of it changes nothing."""
    handed = []

    def advise(handle: int, offset: int, size: int, advice: int) -> None:
        handed.append((offset, size, os.fstat(handle).st_size))
        if refuses:
            raise OSError(errno.EINVAL, "not here")

    monkeypatch.setattr(os, "posix_fadvise", advise, raising=False)
    monkeypatch.setattr(files, "WRITE_OUT", 1000)
    data = os.urandom(4096)
    with unfinished(tmp_path) as file:
        for first in range(0, 4096, 256):
            file.write(data[first : first + 256])
        assert finish(file, "whole").read_bytes() == data
    assert [(offset, size) for offset, size, _ in handed] == [(k * 1024, 1024) for k in range(4)]


def test_every_folder_that_is_made_is_safe_before_what_is_in_it_counts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A power cut takes a folder whose own folder was not synced: the run's, `.nights`, an archive."""
    synced: list[str] = []

    def note(handle: int) -> None:
        synced.append(str(Path(f"/proc/self/fd/{handle}").readlink()))

    monkeypatch.setattr(os, "fsync", note)
    write_whole(tmp_path / "a" / "b" / "c" / "file", b"x")
    assert synced[:3] == [str(tmp_path), str(tmp_path / "a"), str(tmp_path / "a" / "b")]
    assert synced[-1] == str(tmp_path / "a" / "b" / "c")
    synced.clear()
    write_whole(tmp_path / "a" / "b" / "c" / "file", b"y")
    assert len(synced) == 2
    (tmp_path / "store" / "run").mkdir(parents=True)  # by a job that was killed
    RunStore(tmp_path / "store", "run").commit(Manifest(run="run", code=""))
    assert str(tmp_path / "store") in synced
    synced.clear()
    with hold_store(tmp_path / "new" / "store"):
        assert str(tmp_path / "new") in synced
