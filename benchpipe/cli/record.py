"""The record of a run: a document to keep and to sign."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchpipe.cli.naming import names_given
from benchpipe.cli.options import Lab, RunArgument, Store, Wait, loaded
from benchpipe.cli.output import say, tell
from benchpipe.cli.page import file_name
from benchpipe.cli.passphrases import PassphraseFile, passphrase
from benchpipe.errors import ConfigError
from benchpipe.escapes import quoted

if TYPE_CHECKING:
    from benchpipe.ledger.document_keys import DocumentKey
    from benchpipe.run import RunConfig
    from benchpipe.views.record.model import RunRecord


def record(
    run: RunArgument,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", metavar="FILE", help="File. Default: RUN-state-N.pdf.")
    ] = None,
    sign: Annotated[
        Path | None, typer.Option("--sign", metavar="KEY", help="Sign the document with a key made with --documents.")
    ] = None,
    reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="With --sign: why, in words.")] = "",
    passphrase_file: PassphraseFile = None,
    lab: Lab = None,
    store: Store = None,
    wait: Wait = 0.0,
) -> None:
    """Write the record of a run: a PDF/A document of what was judged, how, and from what, with its data attached.

    The same state of a run gives the same document. A signature is added at its end.

    Example: benchpipe record sample_runs/healthy/plan.toml --out healthy.pdf
    """
    from benchpipe.report.record.document import library, record_document
    from benchpipe.views.record.gather import record_of

    config = loaded(run, lab, store)
    if out is not None and out.is_dir():
        raise ConfigError("a folder is there", where=out, do_next="name a file with --out")
    library()  # before a passphrase is typed, and before any work
    key = _unlocked(sign, reason, passphrase_file or (), config) if sign is not None else None
    with _held(config, wait) as noted:
        made = record_of(config, config.open_store())
        plain = record_document(made)
        target = out or Path(f"{file_name(config.name)}-state-{made.state}.pdf")
        document, there = _as_it_is(target, plain, made.state)
        if key is not None:
            document = _signed(document, key, reason.strip(), target)
        if document != there:
            _write(target, document)
        if noted:
            _note(config, made, target, plain)
        else:
            tell("note: the store cannot be written, so it does not know of this record: verify it with --record FILE")
    more = "" if noted else f" --record {quoted(target)}"
    words = "as it was" if document == there else f"{len(document) / 1e6:.2f} MB"
    say(
        f"{quoted(target)}: record of run {config.name}, state {made.state}, {words}",
        f"  attached  {len(made.attached)} files, {sum(len(one.data) for one in made.attached) / 1e6:.2f} MB",
        f"  manifest  {made.manifest}",
        *([f"  signed    {key.name}: {reason.strip()}"] if key is not None else []),
        f"  verify    benchpipe verify {names_given(run, lab, store).run}{more}",
    )


def _unlocked(path: Path, reason: str, files: list[Path] | tuple[Path, ...], config: RunConfig) -> DocumentKey:
    from datetime import UTC, datetime

    from benchpipe.ledger.document_keys import load_document_key
    from benchpipe.ledger.keys import must_be_apart, must_be_private

    if not reason.strip():
        raise ConfigError("--reason must not be empty", do_next='say why it is signed: --reason "TEXT"')
    must_be_apart(path, config.store)
    must_be_private(path, "key file")
    key = load_document_key(path, passphrase(path, files, 0))
    key.must_be_valid(datetime.now(UTC))
    return key


@contextmanager
def _held(config: RunConfig, wait: float) -> Iterator[bool]:
    """Hold the store, so that no job changes a table that is read; where it is an archive or can only be read, go on
    without. Gives whether a note can be written."""
    from benchpipe.store.archive_note import SUMS
    from benchpipe.store.lock import hold_store

    if (config.store / config.name / SUMS).exists() or not _writable(config.store):
        yield False
        return
    with hold_store(config.store, wait_s=wait):
        yield True


def _writable(store: Path) -> bool:
    return store.is_dir() and os.access(store, os.W_OK)


def _as_it_is(target: Path, plain: bytes, state: int) -> tuple[bytes, bytes]:
    """The document as it is in its file with its signatures, or as it was made; and what is in the file."""
    try:
        there = target.read_bytes()
    except FileNotFoundError:
        return plain, b""
    except OSError as error:
        raise ConfigError(f"the file cannot be read: {error.strerror}", where=target) from None
    if there.startswith(plain):
        return there, there
    raise ConfigError(
        f"a file is there already, and it is not the record of state {state} as it is made now", where=target,
        do_next="keep it, and give another name: --out FILE",
    )  # fmt: skip


def _signed(document: bytes, key: DocumentKey, reason: str, target: Path) -> bytes:
    """The document with one signature more, if those in it hold and are of others."""
    from benchpipe.errors import DamageError
    from benchpipe.ledger.pades import document_signatures, sign_document

    for one in document_signatures(document):
        if one.problem:
            raise DamageError(
                f"a signature in it does not hold: {one.problem}", where=target,
                do_next="keep it, and write the record to another file: --out FILE",
            )  # fmt: skip
        if one.key == key.print:
            raise ConfigError(f"it is signed with the key of {key.name} already, on {one.when[:10]}", where=target)
    return sign_document(document, key, reason)


def _write(target: Path, document: bytes) -> None:
    from benchpipe.store.files import write_whole
    from benchpipe.store.refusals import refused

    with refused(target.absolute(), "name another file with --out"):
        write_whole(target.absolute(), document)


def _note(config: RunConfig, made: RunRecord, target: Path, plain: bytes) -> None:
    """Note in the store where the record is."""
    from hashlib import sha256

    from benchpipe.store.record_note import WrittenRecord, named_in, note_record

    note_record(
        config.store, config.name,
        WrittenRecord(named_in(config.store, target), made.state, made.manifest, len(plain), sha256(plain).hexdigest()),
        _in_ledger(config),
    )  # fmt: skip


def _in_ledger(config: RunConfig) -> set[str]:
    """Hashes of records that an entry of the ledger names."""
    from benchpipe.ledger.chain import read_ledger

    return {one.state.record for one in read_ledger(config.store).sign_offs(config.name).values() if one.state.record}
