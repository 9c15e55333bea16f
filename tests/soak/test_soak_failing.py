"""Disks that fill up, fail or forbid at every write of a night: nothing is lost, the next night ends it.

The log is never blamed for what the store does, and what failed says what to do next.
"""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from random import Random
from typing import Any

import pytest

from benchpipe.errors import StoreError
from benchpipe.pipeline import work
from benchpipe.run import RunConfig, load_run
from benchpipe.store.files import TEMPORARY, HashingFile
from benchpipe.store.run_store import RunStore
from tests.soak.rigs import three_rigs
from tests.soak.year import REPO, same

TODAY = date(2031, 1, 5)
CODES = (errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.ESTALE, errno.EACCES, errno.EROFS)
PLACES: dict[str, tuple[Any, str]] = {
    "write": (HashingFile, "write"), "fsync": (os, "fsync"), "rename": (Path, "replace"), "open": (Path, "open"),
    "folder": (Path, "mkdir"), "remove": (Path, "unlink"),
}  # fmt: skip


@pytest.fixture(scope="session")
def clean(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a rig's logs of three days, worked on once in ``clean``."""
    folder = tmp_path_factory.mktemp("failing")
    shutil.copytree(REPO / "configs", folder / "configs")
    rig = three_rigs()[1]
    (folder / "lab" / rig.name / "logs").mkdir(parents=True)
    draw = Random(4)
    for day in range(9):
        rig.day(day, draw)
    for name, text in (rig.files() | rig.logs).items():
        (folder / "lab" / rig.name / name).write_bytes(text.encode())
    work(run_of(folder, "clean"), today=TODAY)
    return folder


def run_of(folder: Path, store: str | Path) -> RunConfig:
    """The run, with a store."""
    return load_run(folder / "lab" / "comma" / "plan.toml", folder / store)


def store_of(run: RunConfig) -> RunStore:
    """Its store."""
    return RunStore(run.store, run.name)


def tried(run: RunConfig) -> StoreError | None:
    """Do a night; the error if the store failed."""
    try:
        work(run, today=TODAY)
    except StoreError as error:
        return error
    return None


def failing(plain: Callable[..., Any], at: int, code: int, store: Path) -> Callable[..., Any]:
    """``plain``, but that the store's disk fails from call ``at`` on."""
    left = at

    def call(*arguments: Any, **named: Any) -> Any:
        nonlocal left
        if plain.__name__ != "open" or ("xb" in arguments and store in arguments[0].parents):
            left -= 1
            if left < 0:
                raise OSError(code, os.strerror(code))
        return plain(*arguments, **named)

    return call


def nights(clean: Path, place: str, step: int) -> Iterator[int]:
    """Nights that fail at every ``step``-th call, each with the night after it; yields how many failed."""
    owner, name = PLACES[place]
    number, failed = step // 2, True
    while failed:
        run = run_of(clean, "tried")
        failed = False
        with pytest.MonkeyPatch.context() as patch:
            plain, code = getattr(owner, name), CODES[number % len(CODES)]
            if place == "write":
                _full(patch, number, code)
            else:
                patch.setattr(owner, name, failing(plain, number, code, run.store))
            error = tried(run)
        if error is not None:
            failed = True
            assert os.strerror(code) in error.what
            assert error.do_next
        if place != "remove":  # where nothing can be removed, something is left until the next night
            assert not list(run.store.rglob(f"{TEMPORARY}*"))
        work(run, today=TODAY)
        same(store_of(run), store_of(run_of(clean, "clean")))
        assert not list(run.store.rglob(f"{TEMPORARY}*"))
        shutil.rmtree(run.store)
        number += step
        yield int(failed)


def _full(patch: pytest.MonkeyPatch, at: int, code: int) -> None:
    """Let the ``at``-th piece that is written fail in the file below."""
    left, plain = at, Path.open

    class Full:
        def __init__(self, file: Any) -> None:
            self._file = file

        def write(self, data: Any) -> int:
            nonlocal left
            left -= 1
            if left < 0:
                self._file.write(bytes(data)[: len(data) // 2])
                raise OSError(code, os.strerror(code))
            return int(self._file.write(data))

        def __getattr__(self, name: str) -> Any:
            return getattr(self._file, name)

    def opened(path: Path, mode: str = "r", *rest: Any, **named: Any) -> Any:
        file = plain(path, mode, *rest, **named)
        return Full(file) if mode == "xb" else file

    patch.setattr(Path, "open", opened)


@pytest.mark.parametrize("place", ["write", "fsync", "rename", "open"])
def test_a_store_that_fails_somewhere_loses_nothing(clean: Path, place: str) -> None:
    assert sum(nights(clean, place, 13)) >= 1


@pytest.mark.soak
@pytest.mark.parametrize("place", PLACES)
def test_a_store_that_fails_anywhere_loses_nothing(clean: Path, place: str) -> None:
    failed = sum(nights(clean, place, 1))
    print(f"{place}: {failed} nights failed")
    assert failed >= 10 if place != "remove" else failed == 0  # what cannot be removed goes another night


def test_a_real_disk_that_is_full_loses_nothing(clean: Path, tmp_path: Path) -> None:
    """On a disk of a few pages (where this account may make one), which then grows."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(disk)]
    if not shutil.which("mount") or subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("no right to mount a small disk")
    try:
        failed = 0
        for size in range(64, 600, 48):
            subprocess.run(["mount", "-o", f"remount,size={size}k", str(disk)], check=True, capture_output=True)
            run = run_of(clean, disk / "store")
            error = tried(run)
            if error is None:
                break
            failed += 1
            assert os.strerror(errno.ENOSPC) in error.what
            assert not list(disk.rglob(f"{TEMPORARY}*"))
        assert failed >= 2
        same(store_of(run), store_of(run_of(clean, "clean")))
    finally:
        subprocess.run(["umount", str(disk)], check=False, capture_output=True)


@pytest.mark.skipif(os.name != "posix", reason="rights of this kind are those of POSIX")
def test_a_store_without_the_right_to_write_is_told(clean: Path) -> None:
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        shutil.copytree(clean, folder, ignore=shutil.ignore_patterns("clean"), dirs_exist_ok=True)
        folder.chmod(0o755)  # for another account to read
        run = run_of(folder, "store")
        run.store.mkdir(mode=0o555)
        root = os.geteuid() == 0  # who may write everywhere
        if root:
            os.seteuid(65534)
        try:
            with pytest.raises(StoreError) as caught:
                work(run, today=TODAY)
        finally:
            if root:
                os.seteuid(0)
        assert caught.value.do_next == "give this account the right to write there"
        run.store.chmod(0o755)
        work(run, today=TODAY)
        same(store_of(run), store_of(run_of(clean, "clean")))
