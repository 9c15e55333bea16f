"""An entry of the ledger: what it says, and how it is signed and written.

An entry is a DSSE envelope (Dead Simple Signing Envelope, protocol.md version 1.0.0, open specification): its payload
is canonical JSON (RFC 8785), each signature is Ed25519 (RFC 8032) over the pre-authentication encoding of payload type
and payload. The envelope is canonical JSON too, so an entry has one form and no other.

Fields of a sign-off follow 21 CFR 11.50(a): printed name, date and time, meaning. No compliance is promised.
"""

from __future__ import annotations

import json
from base64 import b64decode, b64encode
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any, Literal, Protocol

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, TypeAdapter

from benchpipe.store.manifest import canonical

TYPE = "application/vnd.benchpipe.ledger-entry+json"
MEANINGS = ("reviewed", "approved", "withdrawn")
Meaning = Literal["reviewed", "approved", "withdrawn"]
Hash = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]


def _with_zone(text: str) -> str:
    if datetime.fromisoformat(text).utcoffset() is None:
        raise ValueError(f"'{text}' has no time zone")
    return text


Instant = Annotated[str, AfterValidator(_with_zone)]
Text = Annotated[str, Field(min_length=1)]


class _Payload(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Person(_Payload):
    """Who signs: printed name, role, and the print of the key (SHA-256 of its public key)."""

    name: Text
    role: Text
    key: Hash


class SignedState(_Payload):
    """What is signed: state of the run, SHA-256 of its manifest, key of the figures, hash of the verdicts and the worst
    of them. ``configuration`` and ``record``: hashes of these, None where there was none."""

    sequence: int
    manifest: Hash
    process: str
    verdicts: Hash
    verdict: str
    configuration: Hash | None = None
    record: Hash | None = None


class _Entry(_Payload):
    """What every entry says: its number, the SHA-256 of the entry before, when, and who must have signed it."""

    schema_version: Literal[1] = 1
    number: int = Field(ge=1)
    previous: Hash
    when: Instant
    signers: tuple[Person, ...] = Field(min_length=1)


class SignOffEntry(_Entry):
    """Persons sign a state of a run. An approval counts once ``persons`` different persons have signed that state."""

    kind: Literal["sign-off"] = "sign-off"
    run: Text
    specimen: str
    meaning: Meaning
    reason: Text
    deviation: str = ""
    persons: int = Field(ge=1)
    state: SignedState


class SignerEntry(_Entry):
    """A person with a key may sign from here on. The new key signs it, and a key that may sign already."""

    kind: Literal["signer"] = "signer"
    signer: Person
    public_key: Text
    valid_until: Instant


class RevocationEntry(_Entry):
    """A key counts no more from here on."""

    kind: Literal["revocation"] = "revocation"
    key: Hash
    reason: Text


Payload = SignOffEntry | SignerEntry | RevocationEntry
_PAYLOAD: TypeAdapter[Payload] = TypeAdapter(Annotated[Payload, Field(discriminator="kind")])


class NotAnEntryError(ValueError):
    """A line of the ledger is no entry; the text says why."""


class Signer(Protocol):
    """A key that can sign."""

    @property
    def print(self) -> str:
        """SHA-256 of the public key."""

    def sign(self, data: bytes) -> bytes:
        """Ed25519 signature of some bytes (64 bytes)."""


@dataclass(frozen=True)
class Signature:
    """One signature of an entry: the print of the key that it names, and its bytes."""

    key: str
    value: bytes


@dataclass(frozen=True)
class Entry:
    """An entry as it was read: what it says, the bytes that are signed, and the signatures."""

    payload: Payload
    signed: bytes
    signatures: tuple[Signature, ...]


def pae(kind: str, body: bytes) -> bytes:
    """Pre-authentication encoding of DSSE: what is signed."""
    name = kind.encode()
    return b"DSSEv1 %d %s %d %s" % (len(name), name, len(body), body)


def signed_line(payload: Payload, keys: Sequence[Signer]) -> bytes:
    """An entry as a line of the ledger, signed with some keys, without the line break."""
    body = canonical(payload.model_dump(mode="json"))
    signatures = [{"keyid": key.print, "sig": _base64(key.sign(pae(TYPE, body)))} for key in keys]
    return canonical({"payloadType": TYPE, "payload": _base64(body), "signatures": signatures})


def read_line(line: bytes) -> Entry:
    """Read an entry. Its signatures are not verified here.

    Raises
    ------
    NotAnEntryError
        It is no envelope, not in its one form, or of a kind or version that is not known.
    """
    try:
        envelope = json.loads(line)
        body = b64decode(envelope["payload"], validate=True)
        signatures = tuple(
            Signature(str(one["keyid"]), b64decode(one["sig"], validate=True)) for one in envelope["signatures"]
        )
        document: Any = json.loads(body)
        texts = [_base64(body), *(_base64(one.value) for one in signatures)]
        one_form = (canonical(envelope), canonical(document)) == (line, body)
        one_form = one_form and texts == [envelope["payload"], *(one["sig"] for one in envelope["signatures"])]
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise NotAnEntryError(f"it is no entry ({type(error).__name__})") from None
    if envelope["payloadType"] != TYPE:
        raise NotAnEntryError(f"its type is not {TYPE}")
    if set(envelope) != {"payloadType", "payload", "signatures"} or not one_form:
        raise NotAnEntryError("it is not in the one form in which entries are written")
    try:
        payload = _PAYLOAD.validate_python(document)
    except ValueError as error:
        raise NotAnEntryError(f"it is not of a version that is known: {str(error).splitlines()[0]}") from None
    return Entry(payload, pae(TYPE, body), signatures)


def _base64(data: bytes) -> str:
    return b64encode(data).decode("ascii")
