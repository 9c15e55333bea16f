"""Notes on a run: lines are added, each names the one before, and damage to any line shows."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchpipe.errors import StoreError
from benchpipe.store import files, run_notes
from benchpipe.store.archive_note import SUMS
from benchpipe.store.run_notes import NOTES, append_note, kept_head, lost_notes, read_notes

WRITTEN = "2031-04-14T20:00:00+00:00"


def three(folder: Path) -> None:
    for at, kind, text in ((5, "exchange", "seal"), (3, "inspection", "\x1b[31m, ä\n"), (9, "observed", "noise")):
        append_note(folder, at, kind, text, WRITTEN)


def test_notes_are_read_back_in_the_order_in_which_they_were_written(tmp_path: Path) -> None:
    assert read_notes(tmp_path / "run") == ()
    three(tmp_path / "run")
    notes = read_notes(tmp_path / "run")
    assert [(n.number, n.at_us, n.kind, n.text) for n in notes] == [
        (1, 5, "exchange", "seal"), (2, 3, "inspection", "\x1b[31m, ä\n"), (3, 9, "observed", "noise"),
    ]  # fmt: skip
    assert len((tmp_path / "run" / NOTES).read_text("ascii").splitlines()) == 3


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [("seal", "oil ", 2), ('"number": 2', '"number": 4', 2), ("noise", "x", 0), ('"at_us": 9', '"at_us": "9"', 3)],
)
def test_a_line_that_was_changed_shows(tmp_path: Path, old: str, new: str, line: int) -> None:
    three(tmp_path)
    head = kept_head(read_notes(tmp_path), tmp_path)
    path = tmp_path / NOTES
    path.write_text(path.read_text("ascii").replace(old, new), "ascii")
    if not line:  # nothing in the file follows the last one: the manifest knows it
        assert "not those" in lost_notes(tmp_path, head)
        return
    with pytest.raises(StoreError, match=f"damaged in line {line}"):
        read_notes(tmp_path)
    before = path.read_bytes()
    with pytest.raises(StoreError, match="damaged"):
        append_note(tmp_path, 1, "exchange", "x", WRITTEN)
    assert path.read_bytes() == before


def test_a_line_that_was_removed_or_torn_shows(tmp_path: Path) -> None:
    three(tmp_path)
    head = kept_head(read_notes(tmp_path), tmp_path)
    whole = (tmp_path / NOTES).read_bytes()
    lines = whole.splitlines(keepends=True)
    (tmp_path / NOTES).write_bytes(lines[0] + lines[2])
    with pytest.raises(StoreError, match="damaged in line 2"):
        read_notes(tmp_path)
    (tmp_path / NOTES).write_bytes(whole[:-5])
    with pytest.raises(StoreError, match="damaged in line 3: it has no end"):
        read_notes(tmp_path)
    (tmp_path / NOTES).write_bytes(b"".join(lines[:2]))
    assert lost_notes(tmp_path, head) == "3 note(s) were there, 2 are left"
    (tmp_path / NOTES).unlink()
    assert "0 are left" in lost_notes(tmp_path, head)
    assert lost_notes(tmp_path, None) == ""


@pytest.mark.parametrize("text", ["[]\n", "{}\n", "\n", "\xff\n"])
def test_what_is_no_note_is_named(tmp_path: Path, text: str) -> None:
    (tmp_path / NOTES).write_bytes(text.encode("latin-1"))
    with pytest.raises(StoreError, match="damaged in line 1"):
        read_notes(tmp_path)


def test_a_job_that_dies_over_a_note_leaves_all_or_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    three(tmp_path)
    before = (tmp_path / NOTES).read_bytes()

    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    for moment in ("sync", "write"):
        with monkeypatch.context() as patch:
            patch.setattr(files.HashingFile, moment, killed)
            with pytest.raises(KeyboardInterrupt):
                append_note(tmp_path, 1, "exchange", "x", WRITTEN)
        assert (tmp_path / NOTES).read_bytes() == before
        assert [p.name for p in tmp_path.iterdir()] == [NOTES]


def test_an_archived_run_gets_no_note(tmp_path: Path) -> None:
    (tmp_path / SUMS).write_text("")
    with pytest.raises(StoreError, match="in an archive"):
        append_note(tmp_path, 1, "exchange", "x", WRITTEN)
    assert run_notes.read_notes(tmp_path) == ()
