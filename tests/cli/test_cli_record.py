"""`benchpipe record` as a person types it: what it writes, what it refuses, and that nothing is lost."""

from __future__ import annotations

import errno
import json
import os
import re
import shutil
import threading
from pathlib import Path

import pytest

from benchpipe.cli import record as command
from benchpipe.cli.main import call
from benchpipe.report.record import document as made_by
from benchpipe.store import files
from benchpipe.store.archive_note import SUMS
from benchpipe.store.lock import hold_store
from benchpipe.store.record_note import NOTE
from tests.ledger.signers import PASSPHRASE

pytest.importorskip("typst")
pytest.importorskip("cryptography")

HASH = re.compile(r"\b[0-9a-f]{64}\b")
RUN = "sample_runs/wearing/plan.toml"


class Desk:
    """A lab, a folder of keys beside it, and commands typed in the lab's folder."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self.lab, self.keys = folder, folder / "sample_runs" / "lab.toml", folder.parent / "keys"
        self.note = self.lab.parent / "store" / "wearing" / NOTE
        self._capsys = capsys

    def run(self, *words: str | Path) -> tuple[int, str, str]:
        """Exit code, standard output and standard error."""
        self._capsys.readouterr()
        code = call([str(word) for word in words])
        out, err = self._capsys.readouterr()
        return int(code), HASH.sub("HASH", out), err

    def noted(self) -> list[str]:
        """Files of the records that the store knows."""
        return [one["file"] for one in json.loads(self.note.read_bytes())["records"]] if self.note.exists() else []

    def document_key(self, name: str, person: str) -> list[str]:
        """Options that sign with a key that was made for documents."""
        self.keys.mkdir(exist_ok=True)
        key, secret = self.keys / f"{name}.p12", self.keys / f"{name}.txt"
        secret.write_text(f"{PASSPHRASE}\n", encoding="utf-8")
        secret.chmod(0o600)
        made = self.run("key", key, "--documents", "--make", "--name", person, "--passphrase-file", secret)
        assert made[0] == 0, made
        return ["--sign", str(key), "--passphrase-file", str(secret)]


@pytest.fixture
def desk(
    sample_lab: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Desk:
    """A copy of the sample lab, and this process in its folder."""
    shutil.copytree(sample_lab.parents[1], tmp_path / "lab")
    monkeypatch.chdir(tmp_path / "lab")
    return Desk(tmp_path / "lab", capsys)


def test_it_is_written_noted_and_verified(desk: Desk) -> None:
    code, out, err = desk.run("record", RUN)
    assert (code, err) == (0, "")
    size = Path("wearing-state-4.pdf").stat().st_size
    assert re.sub(r"\d+ files, 0\.\d+ MB", "N files, N MB", out) == (
        f"wearing-state-4.pdf: record of run wearing, state 4, {size / 1e6:.2f} MB\n"
        "  attached  N files, N MB\n"
        "  manifest  HASH\n"
        f"  verify    benchpipe verify {RUN}\n"
    )
    assert desk.noted() == [str(Path("wearing-state-4.pdf").absolute())]
    before = Path("wearing-state-4.pdf").stat().st_mtime_ns
    code, out, _ = desk.run("record", RUN)
    assert (code, "state 4, as it was\n" in out) == (0, True)
    assert Path("wearing-state-4.pdf").stat().st_mtime_ns == before
    code, out, _ = desk.run("verify", RUN)
    assert "wearing: record wearing-state-4.pdf: state 4" in out
    assert code == 0
    Path("wearing-state-4.pdf").write_bytes(Path("wearing-state-4.pdf").read_bytes()[:-1])
    code, out, _ = desk.run("verify", RUN)
    assert code == 13
    assert out.startswith("changed    wearing: record wearing-state-4.pdf: its bytes are not those that were written")


def test_a_file_that_is_there_is_never_overwritten(desk: Desk) -> None:
    mine = Path("mine.pdf")
    mine.write_bytes(b"%PDF-1.7 of another program")
    code, _, err = desk.run("record", RUN, "--out", mine)
    assert code == 2
    assert "a file is there already, and it is not the record of state 4 as it is made now" in err
    assert "--out FILE" in err
    assert mine.read_bytes() == b"%PDF-1.7 of another program"
    code, _, err = desk.run("record", RUN, "--out", desk.folder)
    assert (code, "a folder is there" in err) == (2, True)
    assert desk.noted() == []


def test_persons_sign_one_after_the_other(desk: Desk) -> None:
    pytest.importorskip("pyhanko")
    out = ["--out", "signed.pdf"]
    one, two = desk.document_key("one", "A. Reviewer"), desk.document_key("two", "B. Quality")
    code, said, err = desk.run("record", RUN, *out, *one, "--reason", "figures seen")
    assert (code, err) == (0, "")
    assert "  signed    A. Reviewer: figures seen\n" in said
    first = Path("signed.pdf").read_bytes()
    assert desk.run("record", RUN, *out, *two, "--reason", "approved")[0] == 0
    both = Path("signed.pdf").read_bytes()
    assert both.startswith(first)
    code, _, err = desk.run("record", RUN, *out, *two, "--reason", "again")
    assert (code, "it is signed with the key of B. Quality already" in err) == (2, True)
    code, said, _ = desk.run("record", RUN, *out)  # without --sign: its signatures stay
    assert (code, "as it was" in said, Path("signed.pdf").read_bytes() == both) == (0, True, True)
    code, said, _ = desk.run("verify", RUN)
    assert code == 11  # the lab file names no person with these keys
    assert "signature of A. Reviewer: it holds, and the lab file names no person with the document key HASH" in said
    Path("signed.pdf").write_bytes(both[:-30] + b"X" + both[-29:])
    code, _, err = desk.run("record", RUN, *out, *two, "--reason", "x")
    assert (code, "a signature in it does not hold" in err) == (12, True)
    assert desk.run("verify", RUN)[0] == 13


def test_what_may_not_sign_is_refused_before_anything_is_written(desk: Desk) -> None:
    key = desk.document_key("one", "A. Reviewer")
    for words, says in (
        ([*key], "--reason must not be empty"),
        (["--sign", "sample_runs/none.p12", "--reason", "x"], "a key is not kept in a"),
        ([*key[:2], "--passphrase-file", str(desk.lab), "--reason", "x"], "can read the passphrase file"),
        ([key[0], str(desk.keys / "gone.p12"), *key[2:], "--reason", "x"], "the key file cannot be read"),
    ):
        code, _, err = desk.run("record", RUN, *words)
        assert (code, says in err) == (2, True), err
    ledger = desk.keys / "ledger.p12"
    assert desk.run("key", ledger, "--make", "--name", "A. Reviewer", *key[2:])[0] == 0
    code, _, err = desk.run("record", RUN, "--sign", ledger, *key[2:], "--reason", "x")
    assert (code, "only such a key signs documents" in err) == (2, True)
    assert not list(desk.folder.glob("*.pdf"))


def test_a_document_key_is_shown_and_is_no_key_of_the_ledger(desk: Desk) -> None:
    key = desk.document_key("one", "A. Reviewer")
    code, out, _ = desk.run("key", key[1], "--documents", *key[2:])
    assert code == 0
    assert out.split("\n")[0] == f"{key[1]}: key of A. Reviewer for records, shown"
    assert 'document_key = "HASH"' in out
    code, _, err = desk.run("key", key[1], "--documents", "--admit", *key[2:])
    assert (code, "is not admitted or revoked in the ledger" in err) == (2, True)
    code, _, err = desk.run("key", key[1], *key[2:])
    assert (code, "holds no Ed25519 key" in err) == (2, True)


def test_without_the_library_the_extra_is_named(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(name: str) -> object:
        raise ImportError(name)

    monkeypatch.setattr(made_by, "import_module", missing)
    code, _, err = desk.run("record", RUN, "--sign", "gone.p12", "--reason", "x")  # before a passphrase is asked
    assert code == 2
    assert "a record needs the library 'typst', which is not installed" in err
    assert "'.[record]'" in err


def refusing(code: int, part: str) -> object:
    """A replacement of files that a system refuses in some folders."""
    whole = files.make_folder

    def refuse(folder: Path) -> None:
        if part in str(folder):
            raise OSError(code, os.strerror(code), str(folder))
        whole(folder)

    return refuse


@pytest.mark.parametrize(
    ("code", "says"),
    [
        (errno.ENOSPC, "free space on that disk and run again"),
        (errno.EACCES, "give this account the right to write there"),
        (errno.EROFS, "the disk is read-only: name another file with --out"),
        (errno.EBUSY, "another program has it"),
    ],
)
def test_a_folder_or_disk_that_takes_nothing_is_named_and_nothing_is_left(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, code: int, says: str
) -> None:
    monkeypatch.setattr(files, "make_folder", refusing(code, "full"))
    (desk.folder / "full").mkdir()
    exit_code, _, err = desk.run("record", RUN, "--out", "full/x.pdf")
    assert (exit_code, says in err) == (12, True), err
    assert not list((desk.folder / "full").iterdir())
    assert desk.noted() == []


def test_a_disk_that_fills_while_it_is_written_leaves_what_was_there(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("pyhanko")
    key = desk.document_key("one", "A. Reviewer")
    assert desk.run("record", RUN, "--out", "kept.pdf")[0] == 0
    before = Path("kept.pdf").read_bytes()
    whole = files.HashingFile.write

    def full(self: files.HashingFile, data: object) -> int:
        if memoryview(data).nbytes > 100_000:  # type: ignore[arg-type]
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return whole(self, data)

    monkeypatch.setattr(files.HashingFile, "write", full)
    code, _, err = desk.run("record", RUN, "--out", "kept.pdf", *key, "--reason", "seen")
    assert (code, "free space on that disk" in err) == (12, True)
    assert Path("kept.pdf").read_bytes() == before
    assert not list(desk.folder.glob(".unfinished*"))


def test_a_folder_for_temporary_files_that_is_full_is_named(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(made_by.tempfile, "TemporaryDirectory", full)
    code, _, err = desk.run("record", RUN)
    assert (code, "free space on that disk and run again" in err) == (12, True)


def test_another_job_on_the_store_is_waited_for_or_named(desk: Desk) -> None:
    held, free = threading.Event(), threading.Event()

    def job() -> None:
        with hold_store(desk.lab.parent / "store"):
            held.set()
            free.wait(60)

    other = threading.Thread(target=job)
    other.start()
    try:
        assert held.wait(60)
        code, _, err = desk.run("record", RUN)
        assert (code, "another job holds the store" in err) == (75, True)
        assert not list(desk.folder.glob("*.pdf"))
    finally:
        free.set()
        other.join()
    assert desk.run("record", RUN)[0] == 0


def test_where_the_store_can_only_be_read_there_is_a_record_and_no_note(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(command, "_writable", lambda _: False)
    code, out, err = desk.run("record", RUN, "--out", "x.pdf")
    assert code == 0
    assert "so it does not know of this record" in err
    assert out.endswith(f"  verify    benchpipe verify {RUN} --record x.pdf\n")
    assert desk.noted() == []
    code, out, _ = desk.run("verify", RUN, "--record", "x.pdf")
    assert code == 11
    assert "attached files are those of the store; no note" in out
    code, _, err = desk.run("verify", "--record", "x.pdf")
    assert (code, "--record is given without a run" in err) == (2, True)


def test_a_run_in_an_archive_has_a_record_there(desk: Desk) -> None:
    assert desk.run("archive", RUN, "--to", "archive")[0] == 0
    code, _, err = desk.run("record", RUN)
    assert (code, "is in the archive since" in err) == (12, True)
    sums = (desk.folder / "archive" / "wearing" / SUMS).read_bytes()
    code, _, err = desk.run("record", RUN, "--store", "archive", "--out", "x.pdf")
    assert code == 0, err
    assert (desk.folder / "archive" / "wearing" / SUMS).read_bytes() == sums
    assert not (desk.folder / "archive" / "wearing" / NOTE).exists()


def test_records_that_are_gone_are_forgotten_when_another_is_noted(desk: Desk) -> None:
    for name in ("a.pdf", "b.pdf"):
        assert desk.run("record", RUN, "--out", name)[0] == 0
    Path("a.pdf").unlink()
    assert desk.run("record", RUN, "--out", "sample_runs/c.pdf")[0] == 0
    assert [Path(one).name for one in desk.noted()] == ["b.pdf", "c.pdf"]
    assert desk.noted()[-1] == "c.pdf"  # relative to the store's folder
