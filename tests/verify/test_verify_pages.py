"""Pages of a lab under verification: those that were written are noted beside the lab file, outside the store."""

from __future__ import annotations

import json
import re
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from benchpipe.cli.main import call
from benchpipe.errors import StoreError
from benchpipe.store import page_note
from benchpipe.store.page_note import NOTE, read_pages, write_page
from benchpipe.store.sealed_note import sealed_note
from benchpipe.verify.line import Line, Status
from benchpipe.verify.pages import NotedPages
from tests.ledger.signers import REVIEWER, admit_all, make_person, name_signers

RUN = "wearing"


@pytest.fixture
def lab(sample_lab: Path, tmp_path: Path) -> Path:
    """A copy of the lab, with its pages written by a night."""
    shutil.copytree(sample_lab.parents[1], tmp_path / "lab")
    path = tmp_path / "lab" / "sample_runs" / "lab.toml"
    assert call(["nightly", str(path)]) == 10  # a run that fails
    return path


def lines(lab: Path, *runs: str) -> list[Line]:
    noted = NotedPages(lab)
    return [line for run in ("", *runs) for line in noted.lines(run)]


def test_pages_of_a_night_and_of_a_person_are_noted_and_hold(lab: Path) -> None:
    by_hand = lab.parents[1] / "by-hand.html"
    assert call(["page", str(lab.parent / RUN / "plan.toml"), "--out", str(by_hand)]) == 0
    assert read_pages(lab).keys() >= {by_hand, lab.parent / "pages" / "index.html"}
    found = lines(lab, RUN)
    assert [(line.status, line.what, line.run) for line in found] == [
        (Status.HOLDS, "pages", ""), (Status.HOLDS, "pages", RUN)
    ]  # fmt: skip
    assert found[1].text == "2 of 2 are there, each as it was written"
    by_hand.unlink()
    assert [line.status for line in lines(lab, RUN)] == [Status.HOLDS, Status.HOLDS]


def test_the_board_and_a_page_that_changed_are_named_and_so_is_their_exit_code(lab: Path) -> None:
    for name in ("index.html", f"{RUN}.html"):
        page = lab.parent / "pages" / name
        page.write_text(page.read_text(encoding="utf-8").replace("fail", "pass"), encoding="utf-8")
    found = lines(lab, RUN)
    assert [(line.status, line.what) for line in found] == [
        (Status.CHANGED, "page index.html"), (Status.CHANGED, f"page {RUN}.html")
    ]  # fmt: skip
    assert call(["verify", "--lab", str(lab)]) == 13


def test_a_night_writes_a_page_again_that_is_gone_or_not_noted_and_leaves_the_others(lab: Path) -> None:
    pages = lab.parent / "pages"
    (lab.parent / NOTE).unlink()
    (pages / f"{RUN}.html").write_text("<p>pass</p>", encoding="utf-8")
    assert call(["nightly", str(lab)]) == 10
    assert {line.status for line in lines(lab, RUN)} == {Status.HOLDS}
    assert "<p>pass</p>" not in (pages / f"{RUN}.html").read_text(encoding="utf-8")
    before = (pages / f"{RUN}.html").stat().st_mtime_ns
    assert call(["nightly", str(lab)]) == 10
    assert (pages / f"{RUN}.html").stat().st_mtime_ns == before


def test_a_note_that_changed_is_named_and_never_overwritten(lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    note = lab.parent / NOTE
    data = note.read_bytes().replace(b"wearing", b"Wearing", 1)
    note.write_bytes(data)
    (line,) = lines(lab)
    assert (line.status, line.what) == (Status.CHANGED, f"note {NOTE}")
    page = lab.parents[1] / "by-hand.html"
    capsys.readouterr()
    assert call(["page", str(lab.parent / RUN / "plan.toml"), "--out", str(page)]) == 0
    assert page.is_file()
    assert "is not noted, so it will not be verified" in capsys.readouterr().err
    assert note.read_bytes() == data


def test_a_job_that_is_killed_over_a_page_leaves_none_that_seems_changed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lab, page = tmp_path / "lab.toml", tmp_path / "page.html"
    assert write_page(page, b"old", RUN, lab) == ""
    whole, written = page_note.write_whole, list[Path]()

    def killed(path: Path, data: bytes) -> None:
        if len(written) == stop:
            raise KeyboardInterrupt
        written.append(path)
        whole(path, data)

    monkeypatch.setattr(page_note, "write_whole", killed)
    for stop in range(3):  # before the note, before the page, after it
        written.clear()
        with pytest.raises(KeyboardInterrupt):
            write_page(page, b"new %d" % stop, RUN, lab)
        assert [line.status for line in lines(lab, RUN)] == [Status.HOLDS]


@pytest.mark.parametrize("noted", [True, False])
def test_a_page_that_could_not_be_written_leaves_the_note_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, noted: bool
) -> None:
    """A file that is locked and was never a page of ours is not called a changed one."""
    lab, page = tmp_path / "lab.toml", tmp_path / "page.html"
    page.write_bytes(b"another file")
    if noted:
        assert write_page(page, b"page", RUN, lab) == ""
    before, whole = read_pages(lab), page_note.write_whole

    def refuse(path: Path, data: bytes) -> None:
        if path == page:
            raise StoreError("locked", where=path)
        whole(path, data)

    monkeypatch.setattr(page_note, "write_whole", refuse)
    with pytest.raises(StoreError, match="locked"):
        write_page(page, b"new", RUN, lab)
    assert read_pages(lab) == before


def test_a_lab_folder_that_takes_no_note_gets_its_page_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = page_note.write_whole

    def refuse(path: Path, data: bytes) -> None:
        if path.name == NOTE:
            raise StoreError("no room", where=path)
        whole(path, data)

    monkeypatch.setattr(page_note, "write_whole", refuse)
    assert "is not noted" in write_page(tmp_path / "page.html", b"page", RUN, tmp_path / "lab.toml")
    assert (tmp_path / "page.html").read_bytes() == b"page"


@pytest.mark.parametrize("pages", [[], {"a": {"run": 3}}, {"a": None}, {"a": {"run": "x", "sha256": 3}}])
def test_a_note_with_another_content_is_an_error(tmp_path: Path, pages: object) -> None:
    (tmp_path / NOTE).write_bytes(sealed_note({"version": 1, "pages": pages}))
    with pytest.raises(StoreError, match="the note on written pages cannot be read"):
        read_pages(tmp_path / "lab.toml")


def test_the_head_of_the_ledger_on_a_page_is_what_verify_takes(lab: Path, tmp_path: Path) -> None:
    """21 CFR 11.50 (b): printed name, date and time, and meaning are part of what is shown of a signed run."""
    plan, page = str(lab.parent / RUN / "plan.toml"), lab.parent / "pages" / f"{RUN}.html"
    assert "The store has no ledger: no key has signed in it." in page.read_text(encoding="utf-8")
    key = make_person(tmp_path / "keys", REVIEWER, now=datetime.now(UTC) - timedelta(days=1))
    name_signers(lab, [(key, REVIEWER)])
    admit_all(lab, (key,))
    file = tmp_path / "keys" / "reviewer"
    given = ["--key", f"{file}.p12", "--passphrase-file", f"{file}.txt", "--deviation", "an invented deviation"]
    assert call(["sign", plan, "--meaning", "approved", "--reason", "figures seen", *given]) == 0
    assert call(["nightly", str(lab)]) == 10
    text = page.read_text(encoding="utf-8")
    (head,) = set(re.findall(r"Head of the ledger: (\d+:[0-9a-f]{64})", text))
    assert call(["verify", plan, "--head", head]) == 0
    assert call(["verify", plan, "--head", "1:" + "0" * 64]) == 13
    origin = text[text.index("sign-offs", text.index('id="origin"')) :]
    for words in ("A. Reviewer", "laboratory", "approved", "figures seen", "an invented deviation"):
        assert words in origin
    assert json.loads((lab.parent / NOTE).read_bytes())["version"] == 1
