"""Verify the records of a run: that each is what was written, and that the files it carries are those of the store."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any

from benchpipe.check.figures_file import figures_file
from benchpipe.config.signing import SignerConfig
from benchpipe.errors import MissingExtraError, StoreError
from benchpipe.ledger.chain import Ledger
from benchpipe.ledger.pades import DocumentSignature, document_signatures
from benchpipe.store.manifest import Manifest
from benchpipe.store.record_note import NOTE, WrittenRecord, read_records
from benchpipe.verify.attached import NoRecordError, attached_files, revisions
from benchpipe.verify.line import Line, Status
from benchpipe.verify.manifests import Document, Documents

MANIFEST, FIGURES, CONTENTS = "manifest.json", "figures.json", "contents.json"


@dataclass(frozen=True)
class RecordCheck:
    """What records of a run are verified by.

    Attributes
    ----------
    run : str
    store : Path
    documents : Documents
        Manifests of the run.
    ledger : Ledger
    signers : sequence of SignerConfig or None
        Those of the lab file; None where there is none.
    """

    run: str
    store: Path
    documents: Documents
    ledger: Ledger
    signers: Sequence[SignerConfig] | None


def record_lines(check: RecordCheck, folder: Path, given: Iterable[Path] = ()) -> Iterator[Line]:
    """Records that were noted when they were written, and those that a person names.

    Parameters
    ----------
    folder : Path
        The run's folder, in the store or in an archive.
    """
    try:
        noted = read_records(folder)
    except StoreError as error:
        yield Line(Status.CHANGED, check.run, "note records.json", error.what)
        noted = ()
    signed = {one.state.record: number for number, one in check.ledger.sign_offs(check.run).items() if one.state.record}
    known = {one.sha256 for one in noted} | set(signed)
    paths = {one.path(check.store): one for one in noted}
    for path in dict.fromkeys(Path(one).absolute() for one in given):
        yield from _file_lines(check, path, known, paths.pop(path, None))
    for path, one in paths.items():
        if path.is_file():
            yield from _file_lines(check, path, known, one)
        else:
            text = "it is not there any more. Where that is right: benchpipe record RUN writes and notes another"
            yield Line(Status.UNKNOWN, check.run, f"record {path.name}", text)
    for sha256, number in signed.items():
        if sha256 not in {one.sha256 for one in noted}:
            text = f"ledger entry {number} names a record that the note on records does not"
            kept = (folder / NOTE).is_file()
            status = Status.CHANGED if kept else Status.UNKNOWN  # a record that was signed is never left out of it
            yield Line(status, check.run, "record", f"{text}: verify it with --record FILE")


def _file_lines(check: RecordCheck, path: Path, known: set[str], note: WrittenRecord | None) -> Iterator[Line]:
    what = f"record {path.name}"
    try:
        data = path.read_bytes()
    except OSError as error:
        yield Line(Status.UNKNOWN, check.run, what, f"it cannot be read: {error.strerror}")
        return
    wanted = known if note is None else {note.sha256}
    whole = next((one for one in revisions(data) if hashlib.sha256(one).hexdigest() in wanted), None)
    lines: list[Line] = []
    if whole is None and note is not None:
        text = f"its bytes are not those that were written of state {note.state}"
        lines.append(Line(Status.CHANGED, check.run, what, text))
    try:
        files = attached_files(whole or data)
        lines += [Line(Status.CHANGED, check.run, what, text) for text in _wrong(check, files)]
        state, unknown = _state(check, files)
    except (NoRecordError, KeyError, TypeError) as error:
        why = str(error) if isinstance(error, NoRecordError) else "one of its lists is not what was written"
        lines.append(Line(Status.CHANGED, check.run, what, f"it is not what this program writes: {why}"))
        yield from lines
        return
    signatures = list(_signature_lines(check, what, data, whole))
    yield from (*lines, *signatures)
    if any(line.status is Status.CHANGED for line in (*lines, *signatures)):
        return
    text = f"state {state}, its {len(files):,} attached files are those of the store"
    if unknown:
        yield Line(Status.UNKNOWN, check.run, what, unknown)
    elif whole is not None:
        yield Line(Status.HOLDS, check.run, what, f"{text}, its pages as they were written")
    elif signatures:
        yield Line(Status.HOLDS, check.run, what, text)
    else:
        more = "; no note, entry of the ledger or signature says what its pages were: compare with benchpipe record RUN"
        yield Line(Status.UNKNOWN, check.run, what, text + more)


def _state(check: RecordCheck, files: Mapping[str, bytes]) -> tuple[int, str]:
    """State of a record, and why its manifest cannot be compared; empty where it can."""
    state = int(_json(files, MANIFEST)["sequence"])
    if _of_state(check, state) is None:
        return state, f"the manifest of state {state} is not kept any more: its attached files cannot be compared"
    return state, ""


def _of_state(check: RecordCheck, state: int) -> Document | None:
    current = check.documents.current
    return current if current is not None and current.manifest.sequence == state else check.documents.copies.get(state)


def _wrong(check: RecordCheck, files: Mapping[str, bytes]) -> Iterator[str]:
    """What of the attached files is not as the store has it, or as they say of one another."""
    document = _json(files, MANIFEST)
    if document.get("run") != check.run:
        yield f"it is of run '{document.get('run')}'"
        return
    try:
        manifest = Manifest.model_validate(document)
    except ValueError as error:
        raise NoRecordError(f"its manifest is of another version: {str(error).splitlines()[0]}") from None
    kept = _of_state(check, manifest.sequence)
    if kept is not None and hashlib.sha256(files[MANIFEST]).hexdigest() != kept.sha256:
        yield f"its manifest is not that of state {manifest.sequence}"
    listed = _json(files, CONTENTS)
    hashes = {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}
    said = {one["name"]: one["sha256"] for one in listed["files"]}
    for name in sorted((set(said) | set(files)) - {CONTENTS}):
        if said.get(name) != hashes.get(name):
            text = "is missing" if name not in files else "is not in its list" if name not in said else "was changed"
            yield f"the attached file {name} {text}"
    parts = {part.path: part for part in manifest.parts()}
    attached: dict[str, list[bytes]] = {}
    for one in listed["tables"]:
        part = parts.pop(one["path"], None)
        if part is None or (part.sha256, part.table) != (one["sha256"], one["table"]):
            yield f"its list names another table {one['path']} than its manifest"
        elif one["attached"] is not None:
            if hashes.get(one["attached"]) != part.sha256:
                yield f"the attached table {one['attached']} is not that of its manifest"
            attached.setdefault(part.table, []).append(files.get(one["attached"], b""))
    yield from (f"its list does not name the table {path}" for path in parts)
    yield from _wrong_figures(files, manifest, attached)


def _wrong_figures(
    files: Mapping[str, bytes], manifest: Manifest, attached: Mapping[str, list[bytes]]
) -> Iterator[str]:
    """The judged figures are those of the tables beside them."""
    if any(part.table == "verdicts" for part in manifest.parts()) and "verdicts" not in attached:
        yield "its table of verdicts is not attached"
        return
    try:
        rows = [_rows(attached.get(table, [])) for table in ("verdicts", "budgets")]
    except (ValueError, OSError) as error:
        yield f"an attached table cannot be read: {str(error).splitlines()[0]}"
        return
    if files.get(FIGURES) != figures_file(manifest.run, manifest.sequence, *rows):
        yield f"the judged figures in {FIGURES} are not those of its table of verdicts"


def _rows(parts: Iterable[bytes]) -> list[dict[str, Any]]:
    import pyarrow.parquet as pq

    return [row for data in parts for row in pq.read_table(BytesIO(data)).to_pylist()]


def _signature_lines(check: RecordCheck, what: str, data: bytes, whole: bytes | None) -> Iterator[Line]:
    """Signatures in the document; what was added to it without one is a change."""
    if whole is not None and len(whole) == len(data):
        return
    try:
        found = document_signatures(data)
    except MissingExtraError as error:
        if b"/ByteRange" in data:
            yield Line(Status.UNKNOWN, check.run, what, f"its signatures cannot be verified: {error.what}")
        elif whole is not None:
            yield Line(Status.CHANGED, check.run, what, f"{len(data) - len(whole):,} bytes were added to it")
        return
    if whole is not None and not found:
        yield Line(Status.CHANGED, check.run, what, f"{len(data) - len(whole):,} bytes were added to it")
    for one in found:
        yield _signature_line(check, what, one)


def _signature_line(check: RecordCheck, what: str, one: DocumentSignature) -> Line:
    place = f"{what}, signature of {one.name or 'no known person'}"
    if one.problem:
        return Line(Status.CHANGED, check.run, place, one.problem)
    persons = [person for person in check.signers or () if person.document_key == one.key]
    if not persons:
        text = f"it holds, and the lab file names no person with the document key {one.key}"
        return Line(Status.UNKNOWN, check.run, place, text)
    return Line(
        Status.HOLDS,
        check.run,
        place,
        f"{persons[0].name}, {persons[0].role} on {one.when} by its own clock: {one.reason}",
    )


def _json(files: Mapping[str, bytes], name: str) -> dict[str, Any]:
    try:
        found = json.loads(files[name])
    except (KeyError, ValueError):
        raise NoRecordError(f"its file {name} is missing or damaged") from None
    if not isinstance(found, dict):
        raise NoRecordError(f"its file {name} is no document")
    return found
