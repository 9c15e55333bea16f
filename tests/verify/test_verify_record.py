"""Records of a run under verification: each change is named, and what cannot be known is not called sound."""

from __future__ import annotations

import hashlib
import json
import random
import shutil
from collections.abc import Callable
from contextlib import chdir
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import pytest

from benchpipe.cli.main import call
from benchpipe.config.signing import SignerConfig
from benchpipe.ledger.chain import read_ledger
from benchpipe.ledger.document_keys import DocumentKey, make_document_key
from benchpipe.ledger.heads import keep_heads, read_heads
from benchpipe.ledger.pades import sign_document
from benchpipe.report.record.document import record_document
from benchpipe.run import load_run
from benchpipe.signing import Request, sign_run
from benchpipe.store.record_note import NOTE, VERSION, read_records, record_of_state
from benchpipe.store.run_store import HISTORY, RunStore
from benchpipe.store.sealed_note import sealed_note
from benchpipe.verify.attached import NoRecordError, attached_files, revisions
from benchpipe.verify.line import Line, Status, code_of
from benchpipe.verify.run import Verifying, verify
from benchpipe.views.record.gather import record_of
from tests.ledger.signers import NOW, PASSPHRASE, REVIEWER, admit_all, make_person, name_signers, place_of
from tests.record.records import attached
from tests.verify.labs import SPECIMENS, flipped

pytest.importorskip("pyhanko")
pypdf = pytest.importorskip("pypdf")

RUN = "wearing"


@dataclass(frozen=True)
class Recorded:
    """A lab, the record of a run of it (of state 4, which was signed), and a key for documents."""

    lab: Path
    file: Path
    key: DocumentKey


@pytest.fixture(scope="module")
def made(sample_lab: Path, tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    """A lab with a record of state 4 of a run, which a person signed in the ledger."""
    folder = tmp_path_factory.mktemp("recorded")
    shutil.copytree(sample_lab.parents[1], folder / "lab")
    lab = folder / "lab" / "sample_runs" / "lab.toml"
    with chdir(folder):
        assert call(["record", str(lab.parent / RUN / "plan.toml"), "--out", str(lab.parent / "record.pdf")]) == 0
    key = make_person(folder / "keys", REVIEWER)
    name_signers(lab, [(key, REVIEWER)])
    keep_heads(lab, lab.parent / "store", (RUN,))
    admit_all(lab, (key,))
    request = Request("approved", "figures and record seen", "an invented deviation")
    sign_run(RunStore(lab.parent / "store", RUN), SPECIMENS[RUN], (key,), request, place_of(lab))
    keep_heads(lab, lab.parent / "store", (RUN,))
    signs = make_document_key(folder / "keys" / "documents.p12", REVIEWER[0], PASSPHRASE, 3650, NOW.replace(year=2020))
    return Recorded(lab, lab.parent / "record.pdf", signs)


@pytest.fixture
def lab(made: Recorded, tmp_path: Path) -> Path:
    """A copy of the lab to change."""
    shutil.copytree(made.lab.parents[1], tmp_path / "lab")
    return tmp_path / "lab" / "sample_runs" / "lab.toml"


def lines(lab: Path, *given: Path, signers: tuple[SignerConfig, ...] = ()) -> list[Line]:
    """What verification says of the records of the run."""
    store = lab.parent / "store"
    asked = Verifying(store, {RUN: lab.parent / RUN}, read_heads(lab, store), signers=signers or None, records=given)
    return [line for line in verify(asked) if line.what.startswith(("record", "note records"))]


def test_a_record_that_was_not_changed_holds(lab: Path) -> None:
    (line,) = lines(lab)
    assert (line.status, line.what) == (Status.HOLDS, "record record.pdf")
    assert line.text.startswith("state 4, its ")
    assert line.text.endswith("attached files are those of the store, its pages as they were written")


def test_the_ledger_names_the_record_of_the_state_that_was_signed(lab: Path) -> None:
    (entry,) = read_ledger(lab.parent / "store").sign_offs(RUN).values()
    (note,) = read_records(lab.parent / "store" / RUN)
    assert entry.state.record == note.sha256
    assert (entry.state.sequence, entry.state.manifest) == (note.state, note.manifest)
    assert record_of_state(lab.parent / "store" / RUN, "0" * 64) is None
    assert note.file == "record.pdf"  # beside the store: a lab that is moved takes it along


@pytest.mark.parametrize("seed", range(20))
def test_each_drawn_byte_of_a_record_is_named_when_it_changes(lab: Path, seed: int) -> None:
    draw, file = random.Random(seed), lab.parent / "record.pdf"
    data = file.read_bytes()
    file.write_bytes(flipped(data, draw.randrange(len(data)), draw.randrange(8)))
    found = lines(lab)
    assert code_of(found) == 13
    assert all("record.pdf" in line.what for line in found)


def cut(file: Path) -> None:
    file.write_bytes(file.read_bytes()[:-100])


def added(file: Path) -> None:
    file.write_bytes(file.read_bytes() + b"1 0 obj\n<<>>\nendobj\n%%EOF\n")


def updated(file: Path) -> None:
    """As a program adds to a document that is whole: a page of another size."""
    writer = pypdf.PdfWriter(file, incremental=True)
    writer.pages[0].mediabox.upper_right = (100, 100)
    writer.write(file)


def emptied(file: Path) -> None:
    file.write_bytes(b"")


def no_pdf(file: Path) -> None:
    file.write_text("this is text")


@pytest.mark.parametrize("change", [cut, added, updated, emptied, no_pdf])
def test_a_record_that_was_cut_or_added_to_is_named(lab: Path, change: Callable[[Path], None]) -> None:
    change(lab.parent / "record.pdf")
    assert code_of(lines(lab)) == 13


def test_a_record_that_is_gone_is_not_known(lab: Path) -> None:
    (lab.parent / "record.pdf").unlink()
    (line,) = lines(lab)
    assert line.status is Status.UNKNOWN
    assert "it is not there any more" in line.text


def test_a_note_that_was_changed_and_one_that_is_gone_are_named(lab: Path) -> None:
    note = lab.parent / "store" / RUN / NOTE
    text = note.read_text()
    note.write_text(text.replace('"version": 1', '"version": "x"'))
    found = lines(lab)
    assert (found[0].status, found[0].what) == (Status.CHANGED, "note records.json")
    note.unlink()
    (line,) = lines(lab)
    assert line.status is Status.UNKNOWN
    assert "ledger entry 2 names a record" in line.text
    found = lines(lab, lab.parent / "record.pdf")  # by the hash in the ledger
    assert [line.status for line in found if "as they were written" in line.text] == [Status.HOLDS]


@pytest.mark.parametrize("change", [("state", 3), ("bytes", 1), ("manifest", "0" * 64)])
def test_a_note_that_says_otherwise_than_its_seal_is_named(lab: Path, change: tuple[str, object]) -> None:
    note = lab.parent / "store" / RUN / NOTE
    document = json.loads(note.read_bytes())
    document["records"][0][change[0]] = change[1]
    note.write_text(json.dumps(document, indent=1))
    (first, *_) = lines(lab)
    assert (first.status, first.what) == (Status.CHANGED, "note records.json")
    assert "its seal does not hold" in first.text


def test_a_note_of_an_older_version_has_no_seal(lab: Path) -> None:
    note = lab.parent / "store" / RUN / NOTE
    document = json.loads(note.read_bytes())
    del document["seal"]
    note.write_text(json.dumps(document))
    (line,) = lines(lab)
    assert line.status is Status.HOLDS


def test_a_record_and_its_note_that_were_changed_alike_contradict_the_ledger(lab: Path) -> None:
    """Who can write to the store writes another note; the entry of the ledger is signed."""
    file, note = lab.parent / "record.pdf", lab.parent / "store" / RUN / NOTE
    (old,) = read_records(note.parent)
    data = file.read_bytes().replace(b"%PDF-1.7", b"%PDF-1.6", 1)
    file.write_bytes(data)
    changed = replace(old, sha256=hashlib.sha256(data).hexdigest())
    note.write_bytes(sealed_note({"version": VERSION, "records": [asdict(changed)]}))
    found = [line for line in lines(lab) if line.status is not Status.HOLDS]
    assert [(line.status, line.what) for line in found] == [(Status.CHANGED, "record")]
    assert found[0].text.startswith("ledger entry 2 names a record that the note on records does not")


def test_without_a_note_its_attached_files_are_compared_and_its_pages_are_not_known(lab: Path) -> None:
    store = lab.parent / "store"
    (store / RUN / NOTE).unlink()
    other = lab.parent / "copy.pdf"
    data = (lab.parent / "record.pdf").read_bytes()
    other.write_bytes(data.replace(b"%PDF-1.7", b"%PDF-1.6", 1))
    found = [line for line in lines(lab, other) if line.what == "record copy.pdf"]
    assert [line.status for line in found] == [Status.UNKNOWN]
    assert f"its {len(attached_files(data))} attached files are those of the store; no note" in found[0].text


def forged(lab: Path, run: str, change: Callable[[dict[str, bytes]], None]) -> Path:
    """A record made with other attached files, as a careful hand makes it; it is in no note."""
    config = load_run(lab.parent / run / "plan.toml")
    record = record_of(config, config.open_store())
    files = {one.name: one.data for one in record.attached}
    change(files)
    left = tuple(replace(one, data=files[one.name]) for one in record.attached if one.name in files)
    path = lab.parent / "forged.pdf"
    path.write_bytes(record_document(replace(record, attached=left)))
    return path


def another_verdict(files: dict[str, bytes]) -> None:
    files["figures.json"] = files["figures.json"].replace(b'"verdict": "fail"', b'"verdict": "pass"')
    listed_again(files)


def another_table(files: dict[str, bytes]) -> None:
    files["verdicts.parquet"] = files["budgets.parquet"]
    listed_again(files)


def another_configuration(files: dict[str, bytes]) -> None:
    files["configuration-1-plan.toml"] += b"# changed\n"


def another_manifest(files: dict[str, bytes]) -> None:
    files["manifest.json"] = files["manifest.json"].replace(b'"rows": 30120', b'"rows": 30121')
    listed_again(files)


def no_list(files: dict[str, bytes]) -> None:
    del files["contents.json"]


def odd_list(files: dict[str, bytes]) -> None:
    files["contents.json"] = b'{"files": [{}], "tables": 3}'


def no_verdicts(files: dict[str, bytes]) -> None:
    listed = json.loads(files["contents.json"])
    for one in listed["tables"]:
        one["attached"] = None if one["table"] == "verdicts" else one["attached"]
    listed["files"] = [one for one in listed["files"] if one["name"] != "verdicts.parquet"]
    del files["verdicts.parquet"]
    files["contents.json"] = json.dumps(listed).encode()


def listed_again(files: dict[str, bytes]) -> None:
    """The list agrees with the files."""
    listed = json.loads(files["contents.json"])
    for one in listed["files"]:
        one["sha256"] = hashlib.sha256(files[one["name"]]).hexdigest()
    files["contents.json"] = json.dumps(listed).encode()


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (another_verdict, "the judged figures in figures.json are not those of its table of verdicts"),
        (another_table, "the attached table verdicts.parquet is not that of its manifest"),
        (another_configuration, "the attached file configuration-1-plan.toml was changed"),
        (another_manifest, "its manifest is not that of state 5"),
        (no_list, "its file contents.json is missing or damaged"),
        (odd_list, "one of its lists is not what was written"),
        (no_verdicts, "its table of verdicts is not attached"),
    ],
)
def test_a_record_made_with_other_figures_is_named(
    lab: Path, change: Callable[[dict[str, bytes]], None], says: str
) -> None:
    found = [line for line in lines(lab, forged(lab, RUN, change)) if line.what == "record forged.pdf"]
    assert says in " ".join(line.text for line in found if line.status is Status.CHANGED)


def test_the_record_of_another_run_is_named(lab: Path) -> None:
    found = lines(lab, forged(lab, "healthy", lambda _: None))
    assert "it is of run 'healthy'" in [line.text for line in found]


def test_a_record_of_a_state_that_is_not_kept_any_more_cannot_be_compared(lab: Path) -> None:
    copies = lab.parent / "store" / RUN / HISTORY
    (copies / "000004.json").unlink()
    (line,) = lines(lab)
    assert line.status is Status.UNKNOWN
    assert "the manifest of state 4 is not kept any more" in line.text


def test_a_signature_holds_where_the_lab_file_names_its_key(lab: Path, made: Recorded) -> None:
    key, file = made.key, lab.parent / "record.pdf"
    plain = file.read_bytes()
    file.write_bytes(sign_document(plain, key, "figures seen"))
    first, *rest = lines(lab)
    assert first.status is Status.UNKNOWN
    assert first.text == f"it holds, and the lab file names no person with the document key {key.print}"
    assert [line.status for line in rest] == [Status.HOLDS]
    person = SignerConfig(name=REVIEWER[0], role=REVIEWER[1], key="0" * 64, document_key=key.print)
    found = lines(lab, signers=(person,))
    assert {line.status for line in found} == {Status.HOLDS}
    assert any(line.text.startswith("A. Reviewer, laboratory on ") for line in found)
    signed = file.read_bytes()
    changed = signed[: len(plain)] + signed[len(plain) :].replace(b"figures seen", b"figures SEEN")
    for data in (signed + b"%\n", changed):
        file.write_bytes(data)
        assert code_of(lines(lab, signers=(person,))) == 13


def test_our_reader_of_attached_files_agrees_with_another_library(made: Recorded) -> None:
    data = made.file.read_bytes()
    assert attached_files(data) == attached(data)
    assert revisions(data) == [data]


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "it is no PDF"),
        (b"%PDF-1.7\n%%EOF\n", "it carries no file"),
        (b"%PDF-1.7\n1 0 obj\n<</Type/Filespec/F(a)/UF(a)/EF<</F 2 0 R>>>>\nendobj\n", "'a' is missing"),
        (b"%PDF-1.7\n" + 2 * b"<</Type/Filespec/F(a)/UF(a)/EF<</F 2 0 R>>>>\n", "'a' is missing"),
        (
            b"%PDF-1.7\n<</Type/Filespec/F(a)/UF(a)/EF<</F 2 0 R>>>>\n"
            b"2 0 obj\n<</Length 3/Type/EmbeddedFile/Filter/FlateDecode>>\nstream\nabc\nendstream\n",
            "'a' is damaged",
        ),
        (
            b"%PDF-1.7\n<</Type/Filespec/F(a)/UF(b)/EF<</F 2 0 R>>>>\n",
            "it has two attached files 'a'",
        ),
    ],
)
def test_a_file_that_is_no_record_is_refused_with_a_reason(data: bytes, says: str) -> None:
    with pytest.raises(NoRecordError, match=says):
        attached_files(data)
