"""Manifests against their copies and one another, in small stores, without a head outside."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from benchpipe.store.manifest import Manifest, sealed
from benchpipe.store.run_store import RunStore
from benchpipe.verify.line import Line, Status, code_of, in_order
from benchpipe.verify.manifests import quarantine_lines, read_documents
from benchpipe.verify.notes import note_lines
from benchpipe.verify.run import Verifying, verify


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A run of four states."""
    store = RunStore(tmp_path / "store", "one")
    manifest = Manifest(run="one")
    for _ in range(4):
        manifest = store.commit(manifest)
    return store.folder


def lines(folder: Path) -> list[str]:
    """What is wrong, in lines."""
    return [f"{x.status} {x.what}: {x.text}" for x in read_documents(folder).lines if x.status is not Status.HOLDS]


def resealed(path: Path, **changes: object) -> None:
    manifest = Manifest.model_validate_json(path.read_bytes())
    path.write_bytes(sealed(manifest.model_copy(update=changes))[1])


def removed(path: Path) -> None:
    path.unlink()


def test_states_that_follow_one_another_hold(folder: Path) -> None:
    found = read_documents(folder)
    assert lines(folder) == []
    assert found.lines[0].text == "state 4 is sealed, is the copy of that number, and follows from 3 before"


@pytest.mark.parametrize(
    ("name", "change", "wrong"),
    [
        ("manifest.json", lambda path: resealed(path, code="9"), [
            "changed manifest.json: it is not its copy history/000004.json",
        ]),
        ("manifest.json", lambda path: resealed(path, run="two"), [
            "changed manifest.json: it is of run 'two': folders changed places",
        ]),
        ("manifest.json", lambda path: resealed(path, schema_version=9), [
            "not known manifest.json: it is of another version: schema 9, this version reads 1",
        ]),
        ("manifest.json", lambda path: path.write_bytes(b"{}"), [
            "changed manifest.json: it is not the document that was written: its seal does not hold",
        ]),
        ("manifest.json", removed, ["changed manifest.json: it is missing"]),
        ("manifest.json", lambda path: shutil.copy(path.parent / "history" / "000003.json", path), [
            "not known manifest.json: there is a copy of state 4, and the manifest is in state 3: a job was killed "
            "over it, or it was put back to an older state",
        ]),
        ("history/000002.json", removed, ["changed history/000002.json: the copy of state 2 is missing or damaged"]),
        ("history/000002.json", lambda path: resealed(path, code="9"), [
            "changed history/000003.json: it does not follow the copy of state 2: one of the two was replaced",
        ]),
        ("history/000002.json", lambda path: shutil.copy(path.with_name("000001.json"), path), [
            "changed history/000002.json: it is the manifest of state 1",
            "changed history/000002.json: the copy of state 2 is missing or damaged",
        ]),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named(folder: Path, name: str, change: Callable[[Path], object], wrong: list[str]) -> None:
    change(folder / name)
    assert lines(folder) == wrong


def test_without_a_head_outside_what_is_consistent_is_not_known(folder: Path) -> None:
    found = verify(Verifying(folder.parent, {"one": None, "two": None}))
    assert code_of(found) == 11
    assert [(x.status, x.run, x.what) for x in found] == [
        (Status.UNKNOWN, "one", "manifest"), (Status.UNKNOWN, "two", "store"), (Status.HOLDS, "one", "manifest"),
        (Status.HOLDS, "one", "configuration"),
    ]  # fmt: skip


def test_a_file_that_was_set_aside_is_said(folder: Path) -> None:
    note = folder / "quarantine" / "0001.json"
    note.parent.mkdir()
    note.write_text(json.dumps({"path": "cycles/a.parquet", "why": "it is missing", "found": "2031-05-01 06:00:00"}))
    (line,) = quarantine_lines(folder)
    assert line.text == "cycles/a.parquet was set aside on 2031-05-01 (it is missing) and made again from the logs"
    note.write_text("x")
    (line,) = quarantine_lines(folder)
    assert line.status is Status.CHANGED


def test_a_note_that_cannot_be_read_is_said(folder: Path) -> None:
    note = folder.parent / ".nights" / "alarms.json"
    note.parent.mkdir()
    assert list(note_lines(folder.parent)) == []
    for text, status in (("{}", Status.HOLDS), ("[]", Status.CHANGED), ("{", Status.CHANGED)):
        note.write_text(text)
        (line,) = note_lines(folder.parent)
        assert line.status is status


def test_lines_come_worst_first_and_the_worst_decides() -> None:
    some = [Line(status, "", str(n), "") for n, status in enumerate((Status.HOLDS, Status.CHANGED, Status.UNKNOWN))]
    assert [line.what for line in in_order(some)] == ["1", "2", "0"]
    assert [int(code_of(some[:count])) for count in (0, 1, 2)] == [11, 0, 13]
