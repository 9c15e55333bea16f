"""A store that is gone is not begun anew without a word."""

from __future__ import annotations

import errno
import json
import shlex
import shutil
from pathlib import Path

import pytest

from benchpipe.cli.main import call
from benchpipe.errors import StoreError
from benchpipe.store.identity import MARK, NOTE, StoreGoneError, must_be_there, note_store
from benchpipe.store.notes import NIGHTS
from tests.cli.commands import playground


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    """A lab file with a store of one run that a night has noted."""
    lab = tmp_path / "lab.toml"
    (tmp_path / "store" / "one").mkdir(parents=True)
    must_be_there(lab, tmp_path / "store")
    assert note_store(lab, tmp_path / "store", ["one"]) == ""
    return lab


def test_the_command_that_an_error_names_can_be_copied_as_it_stands(tmp_path: Path) -> None:
    lab = tmp_path / "a lab" / "lab.toml"
    (lab.parent / "store").mkdir(parents=True)
    assert note_store(lab, lab.parent / "store", ["one"]) == ""
    shutil.rmtree(lab.parent / "store")
    with pytest.raises(StoreGoneError) as found:
        must_be_there(lab, lab.parent / "store")
    assert shlex.split((found.value.do_next or "").partition("meant: ")[2]) == [
        "benchpipe", "nightly", str(lab), "--new-store",
    ]  # fmt: skip


def test_the_store_that_was_seen_is_taken_and_nothing_is_written_twice(lab: Path) -> None:
    store, note = lab.parent / "store", lab.parent / NOTE
    before = (note.stat().st_ino, (store / MARK).stat().st_ino)
    must_be_there(lab, store)
    assert note_store(lab, store, ["one"]) == ""
    assert (note.stat().st_ino, (store / MARK).stat().st_ino) == before
    must_be_there(lab, lab.parent / "elsewhere")  # nothing was seen there
    store.rename(lab.parent / "share")
    with pytest.raises(StoreGoneError):
        must_be_there(lab, store / ".." / "store")


@pytest.mark.parametrize("left", ["nothing", "a mount point", "another"])
def test_a_store_that_is_not_the_one_is_refused(lab: Path, left: str) -> None:
    store = lab.parent / "store"
    store.rename(lab.parent / "share")
    if left != "nothing":
        store.mkdir()
    if left == "another":
        note_store(lab.parent / "other" / "lab.toml", store, ["one"])
        (store / "one").mkdir()
    with pytest.raises(StoreGoneError, match="share mounted") as caught:
        must_be_there(lab, store)
    assert caught.value.exit_code == 12
    assert "one" in (caught.value.expected or "")
    assert "--new-store" in (caught.value.do_next or "")
    shutil.rmtree(store, ignore_errors=True)
    (lab.parent / "share").rename(store)
    must_be_there(lab, store)


def test_a_store_that_lost_only_its_mark_is_the_same(lab: Path) -> None:
    store = lab.parent / "store"
    for spoilt in ("", "{}", "[]", '{"id": '):
        (store / MARK).write_text(spoilt)
        must_be_there(lab, store)
    shutil.rmtree(store / NIGHTS)
    must_be_there(lab, store)
    assert note_store(lab, store, ["one"]) == ""
    must_be_there(lab, store)
    (store / "one").rmdir()
    must_be_there(lab, store)  # by its mark
    shutil.rmtree(store / NIGHTS)
    with pytest.raises(StoreGoneError):
        must_be_there(lab, store)


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"version": 1}', '{"version": 1, "stores": {"x": []}}', "\0"])
def test_a_note_that_says_nothing_stops_nobody(lab: Path, text: str) -> None:
    (lab.parent / NOTE).write_text(text)
    must_be_there(lab, lab.parent / "nowhere")
    assert note_store(lab, lab.parent / "store", ["one"]) == ""
    assert len(json.loads((lab.parent / NOTE).read_text())["stores"]) == 1


def test_labs_in_one_folder_share_the_note(lab: Path) -> None:
    other = lab.parent / "b" / "store"
    note_store(lab.with_name("second.toml"), other, ["two"])
    shutil.rmtree(lab.parent / "store")
    must_be_there(lab, other)
    with pytest.raises(StoreGoneError):
        must_be_there(lab, lab.parent / "store")


def test_a_store_that_cannot_be_read_is_not_called_gone(lab: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = Path.read_bytes

    def read(path: Path) -> bytes:
        if path.name == Path(MARK).name:
            raise OSError(errno.ESTALE, "Stale file handle")
        return plain(path)

    monkeypatch.setattr(Path, "read_bytes", read)
    with pytest.raises(StoreError, match="cannot be read") as caught:
        must_be_there(lab, lab.parent / "store")
    assert not isinstance(caught.value, StoreGoneError)


def test_a_night_refuses_and_writes_nothing_until_it_is_told_so(
    sample_lab: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lab = playground(sample_lab, tmp_path) / "sample_runs" / "lab.toml"
    text = lab.read_text().replace('  "wearing/plan.toml",\n  "healthy/plan.toml",\n', "")
    lab.write_text(text.partition("[[test]]")[0])  # it names a run
    store = lab.parent / "store"
    assert call(["nightly", str(lab), "--brief"]) == 10
    store.rename(tmp_path / "share")
    store.mkdir()  # where it is mounted
    commands = [["nightly"], ["show", "wearing", "--lab"], ["ingest", "wearing", "--lab"], ["doctor"]]
    for command in (*commands, ["archive", "wearing", "--to", str(tmp_path / "a"), "--lab"]):
        capsys.readouterr()
        assert call([*command, str(lab)]) == 12
        assert "is the share mounted?" in "".join(capsys.readouterr()).replace("\n", " ")
    assert list(store.iterdir()) == []
    assert call(["nightly", str(lab), "--brief", "--new-store"]) == 10
    assert call(["nightly", str(lab), "--brief"]) == 10
    shutil.rmtree(store)
    (tmp_path / "share").rename(store)  # the old one is another now
    assert call(["nightly", str(lab), "--brief"]) == 12
    assert "another store is here" in capsys.readouterr().err


def test_a_night_whose_note_cannot_be_written_goes_on_and_says_so(
    sample_lab: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lab = playground(sample_lab, tmp_path) / "sample_runs" / "lab.toml"
    (lab.parent / NOTE).unlink()
    (lab.parent / NOTE).mkdir()
    assert call(["nightly", str(lab), "--brief"]) == 10
    assert "note: which store this lab has cannot be noted" in capsys.readouterr().err
    assert (lab.parent / "store" / MARK).exists()
