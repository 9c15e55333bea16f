"""Signatures in a document (PAdES, ETSI EN 319 142-1, baseline B-B), each added at its end: what was there stays.

The library reads a damaged document with exceptions of many kinds; each counts as a signature that does not hold.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import import_module
from io import BytesIO
from typing import Any

from benchpipe.errors import MissingExtraError, install_extra
from benchpipe.ledger.document_keys import DocumentKey, document_print

_PLACE = re.compile(rb"<((?:[0-9A-F]{2})+|(?:[0-9a-f]{2})+)>")
LOGGERS = ("pyhanko", "pyhanko_certvalidator")


@dataclass(frozen=True)
class DocumentSignature:
    """A signature: printed name and key of the person, time that it states, reason; and what is wrong with it, empty
    where it holds."""

    name: str
    key: str
    when: str
    reason: str
    problem: str = ""


def sign_document(document: bytes, key: DocumentKey, reason: str) -> bytes:
    """The document with one signature more.

    Raises
    ------
    MissingExtraError
        The library is not installed.
    """
    signers, fields, keys, x509 = (
        _library(name) for name in ("pyhanko.sign.signers", "pyhanko.sign.fields", "asn1crypto.keys", "asn1crypto.x509")
    )
    writer = _library("pyhanko.pdf_utils.incremental_writer").IncrementalPdfFileWriter(BytesIO(document))
    registry = _library("pyhanko_certvalidator.registry").SimpleCertificateStore()
    signer = signers.SimpleSigner(
        signing_cert=x509.Certificate.load(key.certificate), signing_key=keys.PrivateKeyInfo.load(key.private),
        cert_registry=registry,
    )  # fmt: skip
    number = len(writer.prev.embedded_signatures) + 1
    what = signers.PdfSignatureMetadata(
        field_name=f"Signature{number}", reason=reason, name=key.name, md_algorithm="sha256",
        subfilter=fields.SigSeedSubFilter.PADES,
    )  # fmt: skip
    out = BytesIO()
    with _quiet():
        signers.sign_pdf(writer, what, signer=signer, output=out)
    return out.getvalue()


def document_signatures(document: bytes) -> list[DocumentSignature]:
    """All signatures of a document, each verified with the certificate that it carries: whether that is of the person
    whose name it has, the caller must know by the key.

    Raises
    ------
    MissingExtraError
        The library is not installed.
    """
    reader, errors = _library("pyhanko.pdf_utils.reader"), _library("pyhanko.pdf_utils.misc")
    with _quiet():
        try:
            found = reader.PdfFileReader(BytesIO(document)).embedded_signatures
            return [_verified(one, document, last=one is found[-1]) for one in found]
        except (
            errors.PdfError,
            ValueError,
            KeyError,
            TypeError,
            AttributeError,
            IndexError,
            NotImplementedError,
        ) as error:
            return [DocumentSignature("", "", "", "", f"it cannot be read ({type(error).__name__})")]


def _verified(signature: Any, document: bytes, *, last: bool) -> DocumentSignature:
    validation, context = _library("pyhanko.sign.validation"), _library("pyhanko_certvalidator").ValidationContext
    coverage = _library("pyhanko.sign.validation.status").SignatureCoverageLevel
    certificate = signature.signer_cert
    status = validation.validate_pdf_signature(
        signature, context(trust_roots=[certificate], allow_fetching=False, moment=signature.self_reported_timestamp)
    )
    problem = ""
    if not (status.intact and status.valid) or not _filled(signature, document):
        problem = "what it covers was changed"
    elif last and status.coverage != coverage.ENTIRE_FILE:
        problem = "something was added after it"
    elif not status.docmdp_ok or status.modification_level is None:
        problem = "something besides signatures was added after it"
    when = signature.self_reported_timestamp
    said = str(signature.sig_object.get("/Reason", ""))
    return DocumentSignature(
        str(certificate.subject.native.get("common_name", "")), document_print(certificate.public_key.dump()),
        when.isoformat(timespec="seconds") if when is not None else "", said, problem,
    )  # fmt: skip


def _filled(signature: Any, document: bytes) -> bool:
    """Whether the place of a signature, which no signature can cover, holds that and noughts, as it was written."""
    _, begin, end, _ = (int(one) for one in signature.byte_range)
    place = _PLACE.fullmatch(document[begin:end])
    if place is None:
        return False
    content = bytes.fromhex(place[1].decode())
    size = int.from_bytes(content[2:4], "big") + 4  # DER: SEQUENCE, and its length in two bytes
    return content[:2] == b"\x30\x82" and not any(content[size:])


@contextmanager
def _quiet() -> Iterator[None]:
    """Without the library's own messages: what they say is in the result."""
    levels = {one: one.level for one in map(logging.getLogger, LOGGERS)}
    for one in levels:
        one.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for one, level in levels.items():
            one.setLevel(level)


def _library(name: str) -> Any:
    """A module of pyHanko, or of what it brings.

    Raises
    ------
    MissingExtraError
        It is not installed; says what to install.
    """
    try:
        return import_module(name)
    except ImportError:
        raise MissingExtraError(
            "signatures in a document need the library 'pyhanko', which is not installed", do_next=install_extra("sign")
        ) from None
