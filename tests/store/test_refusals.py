"""A refused write says what helps: nobody is sent to run again what cannot work."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from benchpipe.cli.main import call
from benchpipe.errors import StoreBusyError, StoreError
from benchpipe.store.files import write_whole
from benchpipe.store.lock import LOCK, hold_store
from benchpipe.store.refusals import advice, refused

STAYS = (
    "EPERM", "EROFS", "EEXIST", "ENOTDIR", "EISDIR", "ENOENT", "ENAMETOOLONG", "ELOOP", "EFBIG", "EINVAL", "ENOSYS",
)  # fmt: skip
PASSES = ("ENOSPC", "EDQUOT", "EIO", "ESTALE", "ETIMEDOUT", "EBUSY", "EMFILE")


def refusal(number: int) -> OSError:
    return OSError(number, os.strerror(number))


@pytest.mark.parametrize("name", [name for name in STAYS if hasattr(errno, name)])
def test_what_stays_asks_for_another_place(name: str) -> None:
    text = advice(refusal(getattr(errno, name)), "choose another store")
    assert text.endswith(": choose another store")
    assert "run again" not in text


@pytest.mark.parametrize("name", [name for name in PASSES if hasattr(errno, name)])
def test_what_may_pass_says_when_to_run_again(name: str) -> None:
    text = advice(refusal(getattr(errno, name)), "choose another store")
    assert "run again" in text
    assert not text.startswith("run again")


def test_rights_are_given_and_what_is_not_known_leaves_both_ways() -> None:
    assert advice(refusal(errno.EACCES), "x") == "give this account the right to write there"
    assert "run again, or choose another store" in advice(OSError("odd"), "choose another store")


@pytest.mark.skipif(not Path("/proc/self").is_dir(), reason="no file systems of the system's own")
@pytest.mark.parametrize("store", ["/proc", "/proc/store", "/sys/store"])
def test_a_store_on_a_file_system_of_the_systems_own(store: str) -> None:
    with pytest.raises(StoreError) as caught, hold_store(Path(store)):
        pass
    assert not isinstance(caught.value, StoreBusyError)
    assert caught.value.where == store
    assert "run again" not in (caught.value.do_next or "")
    assert "wait" not in (caught.value.do_next or "")


def test_a_disk_that_is_read_only(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = os.open

    def opened(path: object, flags: int, *rest: int, **named: int) -> int:
        if str(path).endswith(LOCK):
            raise refusal(errno.EROFS)
        return plain(path, flags, *rest, **named)  # type: ignore[call-overload, no-any-return]

    monkeypatch.setattr(os, "open", opened)
    with pytest.raises(StoreError) as caught, hold_store(tmp_path):
        pass
    assert caught.value.do_next == "the disk is read-only: choose another store"


def test_what_was_told_of_another_place_stays_as_it_was(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "folder" / "full").touch()
    with pytest.raises(StoreError) as caught, refused(tmp_path / "night.xml", "name another file"):
        raise StoreError("a part cannot be read", where="elsewhere", do_next="look") from refusal(errno.EIO)
    assert (caught.value.where, caught.value.do_next) == ("elsewhere", "look")
    with pytest.raises(StoreError) as caught, refused(tmp_path / "folder", "name another file"):
        write_whole(tmp_path / "folder", b"x")
    assert caught.value.do_next == "a folder is there already: name another file"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["folder"]


def test_junit_to_a_folder_is_told_before_the_work(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lab = tmp_path / "lab.toml"
    lab.write_text('name = "x"\nstore = "store"\nplans = ["a/plan.toml"]')
    assert call(["nightly", str(lab), "--junit", str(tmp_path)]) == 2
    assert "name a file with --junit" in capsys.readouterr().err
    assert not (tmp_path / "store").exists()
    (tmp_path / "file").touch()
    assert call(["nightly", str(lab), "--junit", str(tmp_path / "file" / "night.xml")]) == 12
    err = capsys.readouterr().err
    assert "a file is there already: name another file with --junit (the night itself is done)" in err
