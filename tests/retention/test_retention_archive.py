"""A run goes to an archive and back whole: whatever kills or fails the move, it is in one of both places."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from benchpipe.errors import BenchpipeError, ConfigError, DamageError, StoreError
from benchpipe.store.archive import archive_run, restore_run
from benchpipe.store.archive_note import NOTE, SUMS
from benchpipe.store.archived_files import verify
from benchpipe.store.files import TEMPORARY
from benchpipe.store.run_store import RunStore
from tests.store.kept import night, tables, tree

NOW = datetime(2031, 5, 1, tzinfo=UTC)


class Killed(BaseException):
    """What stands for `kill -9`: nothing catches it, and nothing is synced, renamed or removed after it."""


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    """A folder with a store of one run of two nights."""
    store = RunStore(tmp_path / "store", "run")
    night(store, 0)
    night(store, 1)
    return tmp_path


def moved(lab: Path, way: str) -> None:
    """Archive or restore the run."""
    if way == "archive":
        archive_run(lab / "store", "run", lab / "archive", NOW)
    else:
        restore_run(lab / "store", "run", None, NOW)


def test_a_run_goes_and_comes_back_to_the_last_byte(lab: Path) -> None:
    before, held = tree(lab / "store"), tables(RunStore(lab / "store", "run"))
    moved(lab, "archive")
    assert list(tree(lab / "store")) == [f"run/{NOTE}"]
    assert tree(lab / "archive") == {**before, f"run/{SUMS}": tree(lab / "archive")[f"run/{SUMS}"]}
    assert tables(RunStore(lab / "archive", "run")) == held
    with pytest.raises(StoreError, match="is in the archive since 2031-05-01"):
        RunStore(lab / "store", "run").manifest()
    moved(lab, "restore")
    assert tree(lab / "store") == before
    assert tree(lab / "archive") == {}


def test_the_list_is_what_common_tools_read(lab: Path) -> None:
    moved(lab, "archive")
    lines = (lab / "archive" / "run" / SUMS).read_text().splitlines()
    held = tree(lab / "archive" / "run")
    assert lines == [f"{held[line[66:]]}  {line[66:]}" for line in lines]
    assert len(lines) == len(held) - 1
    assert lines[-1].endswith("  manifest.json")


# --- killed, or failing, at each step -----------------------------------------------------------------------


def at_step(plain: Callable[..., Any], steps: list[int], stop: int, what: BaseException) -> Callable[..., Any]:
    def call(*arguments: Any, **named: Any) -> Any:
        steps[0] += 1
        if steps[0] == stop or (0 < stop < steps[0] and isinstance(what, Killed)):  # the dead do nothing more
            raise what
        return plain(*arguments, **named)

    return call


def step_by_step(patch: pytest.MonkeyPatch, stop: int, what: BaseException) -> list[int]:
    """Stop at the step of that number: each fsync, rename and removal is one; return the counter."""
    steps = [0]
    patch.setattr(os, "fsync", at_step(os.fsync, steps, stop, what))
    for name in ("replace", "unlink", "rmdir"):
        patch.setattr(Path, name, at_step(getattr(Path, name), steps, stop, what))
    return steps


def whole(lab: Path) -> dict[str, Any]:
    """Tables of the run, from wherever it is; nothing else may count."""
    try:
        return tables(RunStore(lab / "store", "run"))
    except StoreError as error:
        if "is in the archive" not in error.what:
            raise
        verify(lab / "archive" / "run")
        return tables(RunStore(lab / "archive", "run"))


@pytest.mark.parametrize("way", ["archive", "restore"])
@pytest.mark.parametrize("what", [Killed(), OSError(errno.EIO, os.strerror(errno.EIO))], ids=["killed", "failing"])
def test_stopped_at_any_step_it_is_whole_and_the_same_command_goes_on(
    tmp_path: Path, way: str, what: BaseException
) -> None:
    plan = tmp_path / "plain"
    store = RunStore(plan / "store", "run")
    night(store, 0)
    night(store, 1)
    held, clean = tables(store), tree(plan / "store")
    if way == "restore":
        moved(plan, "archive")
    goal = tmp_path / "goal"
    shutil.copytree(plan, goal)
    with pytest.MonkeyPatch.context() as patch:
        total = step_by_step(patch, -1, what)
        if way == "archive":
            archive_run(goal / "store", "run", goal / "archive", NOW)
        else:
            restore_run(goal / "store", "run", goal / "archive", NOW)
    assert total[0] > 30
    stopped = 0
    for stop in range(1, total[0] + 1):
        lab = tmp_path / f"{stop}"
        shutil.copytree(plan, lab)
        named = lab / "archive" if way == "restore" else None
        with pytest.MonkeyPatch.context() as patch:
            step_by_step(patch, stop, what)
            try:
                if way == "archive":
                    moved(lab, way)
                else:
                    restore_run(lab / "store", "run", named, NOW)
            except (Killed, BenchpipeError, OSError):
                stopped += 1
        if way == "restore" and (lab / "store" / "run" / NOTE).exists():
            point(lab)
        assert whole(lab) == held, stop
        again(lab, way)
        assert whole(lab) == held, stop
        end = lab / ("archive" if way == "archive" else "store")
        if way == "restore":  # what the next night does first
            back = RunStore(lab / "store", "run")
            back.clean(back.manifest())
        assert {k: v for k, v in tree(end).items() if not k.endswith(SUMS)} == clean, stop
        other = tree(lab / ("store" if way == "archive" else "archive"))
        assert [name for name in other if TEMPORARY not in name] == (["run/" + NOTE] if way == "archive" else []), stop
    assert stopped > 25  # folders that are not empty, and files that are not there, stop nothing


def point(lab: Path) -> None:
    """The lab was copied: its note still names the archive of the first one."""
    note = lab / "store" / "run" / NOTE
    text = note.read_text()
    at = text.index('"archive": "') + len('"archive": "')
    note.write_text(text[:at] + str(lab / "archive") + text[text.index('"', at) :])


def again(lab: Path, way: str) -> None:
    """The same command once more; a restore that was through already says so."""
    try:
        moved(lab, way)
    except ConfigError as error:
        if way == "archive" or "is in the store" not in error.what:
            raise


def test_killed_then_a_night_then_archived(lab: Path) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("benchpipe.store.archive.write_away", at_step(print, [0], 1, Killed()))
        with pytest.raises(Killed):
            moved(lab, "archive")
    assert (lab / "archive" / "run" / SUMS).exists()
    store = RunStore(lab / "store", "run")
    night(store, 2)
    before = tree(lab / "store")
    moved(lab, "archive")
    moved(lab, "restore")
    assert tree(lab / "store") == before


# --- damage, and what is refused ----------------------------------------------------------------------------


def test_every_damaged_file_of_an_archive_is_named_and_nothing_is_moved(lab: Path) -> None:
    moved(lab, "archive")
    parts = sorted((lab / "archive" / "run").rglob("*.parquet"))
    spoilt = bytearray(parts[0].read_bytes())
    spoilt[len(spoilt) // 2] ^= 1
    parts[0].write_bytes(spoilt)
    parts[1].unlink()
    before = (tree(lab / "store"), tree(lab / "archive"))
    with pytest.raises(DamageError) as caught:
        moved(lab, "restore")
    for path, why in ((parts[0], "is not what was put there"), (parts[1], "is missing")):
        assert f"{path.relative_to(lab / 'archive' / 'run').as_posix()} {why}" in caught.value.what
    assert (tree(lab / "store"), tree(lab / "archive")) == before


@pytest.mark.parametrize("spoil", [b"", b"nonsense\n", None])
def test_a_damaged_list_is_named(lab: Path, spoil: bytes | None) -> None:
    moved(lab, "archive")
    path = lab / "archive" / "run" / SUMS
    text = path.read_bytes()
    path.write_bytes(text.replace(b"0", b"1", 1) if spoil is None else spoil)
    with pytest.raises(DamageError, match="the archive's list of files is not what was written"):
        moved(lab, "restore")


def test_a_damaged_run_is_not_archived(lab: Path) -> None:
    part = next((lab / "store" / "run").rglob("*.parquet"))
    part.write_bytes(part.read_bytes()[:-1])
    with pytest.raises(DamageError, match="a damaged run is not archived"):
        moved(lab, "archive")
    assert not (lab / "archive").exists()


def test_an_archive_is_only_read(lab: Path) -> None:
    moved(lab, "archive")
    archived = RunStore(lab / "archive", "run")
    with pytest.raises(StoreError, match="is in an archive there, which is only read"):
        night(archived, 2)
    verify(lab / "archive" / "run")


def test_an_archive_that_was_moved_is_found_when_named(lab: Path) -> None:
    before = tree(lab / "store")
    moved(lab, "archive")
    (lab / "archive").rename(lab / "shelf")
    with pytest.raises(DamageError, match="cannot be read"):
        moved(lab, "restore")
    restore_run(lab / "store", "run", lab / "shelf", NOW)
    assert tree(lab / "store") == before


def test_an_archive_comes_to_a_new_store(lab: Path) -> None:
    before = tree(lab / "store")
    moved(lab, "archive")
    restore_run(lab / "new", "run", lab / "archive", NOW)
    assert tree(lab / "new") == before


def test_what_is_refused(lab: Path) -> None:
    store = lab / "store"
    with pytest.raises(ConfigError, match="the store knows of no archive") as caught:
        restore_run(lab / "none", "run", None, NOW)
    assert "--from DIR" in str(caught.value)
    with pytest.raises(ConfigError, match="it is not overwritten"):
        restore_run(store, "run", lab / "archive", NOW)
    with pytest.raises(ConfigError, match="nothing of run 'other' is in the store"):
        archive_run(store, "other", lab / "archive", NOW)
    for inside in (store, store / "archive", lab):
        with pytest.raises(ConfigError, match="stand in one another"):
            archive_run(store, "run", inside, NOW)
    moved(lab, "archive")
    with pytest.raises(ConfigError, match="is in another archive already"):
        archive_run(store, "run", lab / "other", NOW)
    other = RunStore(lab / "second", "run")
    night(other, 5)
    with pytest.raises(ConfigError, match="another run of that name is in the archive already"):
        archive_run(lab / "second", "run", lab / "archive", NOW)
    assert len(tables(other)["samples"]) == 200
