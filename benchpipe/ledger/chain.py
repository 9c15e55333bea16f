"""Read the ledger and verify it: the chain of its entries, who may sign, and every signature."""

from __future__ import annotations

import unicodedata
from base64 import b64decode
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

from benchpipe.errors import DamageError, MissingExtraError
from benchpipe.ledger.entry import (
    Entry,
    NotAnEntryError,
    Payload,
    Person,
    RevocationEntry,
    SignerEntry,
    SignOffEntry,
    read_line,
)
from benchpipe.ledger.keys import holds, print_of
from benchpipe.store.ledger_file import BEGINNING, LEDGER, name_of, read_lines
from benchpipe.store.manifest import Head


@dataclass(frozen=True)
class Trouble:
    """Something wrong with an entry; ``known`` is false where it only could not be verified."""

    number: int
    what: str
    known: bool = True


@dataclass(frozen=True)
class Admitted:
    """A person who may sign, with the public key, until when. ``revoked`` is the number of the entry that ended it."""

    person: Person
    public: bytes
    entry: int
    valid_until: datetime
    revoked: int | None = None


@dataclass
class Ledger:
    """A ledger as it was read and verified.

    ``entries`` by number, those that could be read; ``names``: SHA-256 of each line, in order; ``troubles``: the first
    to last entry; ``admitted``: by the print of the key.
    """

    entries: dict[int, Payload] = field(default_factory=dict)
    names: list[str] = field(default_factory=list)
    troubles: list[Trouble] = field(default_factory=list)
    admitted: dict[str, Admitted] = field(default_factory=dict)

    @property
    def head(self) -> Head | None:
        """Number and SHA-256 of the last entry."""
        return Head(entries=len(self.names), sha256=self.names[-1]) if self.names else None

    @property
    def following(self) -> tuple[int, str]:
        """Number of the entry to come, and the name of the one before it."""
        return len(self.names) + 1, self.names[-1] if self.names else BEGINNING

    def sign_offs(self, run: str) -> dict[int, SignOffEntry]:
        """Sign-offs of a run, by number."""
        return {n: one for n, one in self.entries.items() if isinstance(one, SignOffEntry) and one.run == run}

    def active(self) -> dict[str, Admitted]:
        """Whose keys are not revoked, by the print of the key."""
        return {key: one for key, one in self.admitted.items() if one.revoked is None}

    def needs_admission(self, when: datetime) -> bool:
        """Whether a new key must be admitted by another: not the first, and none where all others have ended."""
        return any(one.valid_until >= when for one in self.active().values())


def read_ledger(store: Path) -> Ledger:
    """Read and verify the ledger of a store. What is wrong is in its ``troubles``.

    Raises
    ------
    StoreError
        The file cannot be read.
    """
    found = Ledger()
    lines, rest = read_lines(store)
    for number, line in enumerate(lines, start=1):
        before = found.names[-1] if found.names else BEGINNING
        try:
            entry = read_line(line)
        except NotAnEntryError as error:
            found.troubles.append(Trouble(number, str(error)))
        else:
            found.troubles += [Trouble(number, why) for why in _out_of_place(entry.payload, number, before)]
            found.troubles += _signatures(entry, number, found)
            found.entries[number] = entry.payload
            _admit(entry.payload, number, found)
        found.names.append(name_of(line))
    if rest:
        found.troubles.append(Trouble(len(lines) + 1, "its line is torn: it has no end"))
    return found


def sound_ledger(store: Path) -> Ledger:
    """The ledger of a store, to which an entry may be added.

    Raises
    ------
    DamageError
        It is not what was written: names the entry.
    MissingExtraError
        The library that verifies signatures is not installed.
    StoreError
        The file cannot be read.
    """
    found = read_ledger(store)
    if not found.troubles:
        return found
    first = found.troubles[0]
    if not first.known:
        holds(b"", b"", b"")  # says what to install
    raise DamageError(
        f"the ledger is not what was written: entry {first.number}: {first.what}",
        where=store / LEDGER,
        do_next="benchpipe verify --lab LAB shows all of it; fetch the ledger from a backup. Nothing was written",
    )


def _out_of_place(payload: Payload, number: int, before: str) -> list[str]:
    wrong = [f"it has the number {payload.number}"] if payload.number != number else []
    return wrong + (["it does not follow the entry before it"] if payload.previous != before else [])


def _signatures(entry: Entry, number: int, so_far: Ledger) -> list[Trouble]:
    """What is wrong with the signatures of an entry: each of its signers has signed, may sign, and no other has."""
    payload, troubles = entry.payload, []
    named = [one.key for one in payload.signers]
    if sorted(named) != sorted(one.key for one in entry.signatures) or len(set(named)) != len(named):
        troubles.append(Trouble(number, "its signatures are not those of the persons that it names"))
    own = payload.signer.key if isinstance(payload, SignerEntry) else None
    for person in payload.signers:
        known = so_far.admitted.get(person.key)
        if known is None and person.key != own:
            troubles.append(Trouble(number, f"{person.name} was not admitted to sign with the key {person.key[:16]}…"))
        elif known is not None and known.revoked is not None:
            troubles.append(Trouble(number, f"the key of {person.name} was revoked by entry {known.revoked}"))
        elif known is not None and known.valid_until < datetime.fromisoformat(payload.when):
            troubles.append(Trouble(number, f"the key of {person.name} had expired when it was signed"))
        elif person != (payload.signer if known is None and isinstance(payload, SignerEntry) else _person(known)):
            troubles.append(Trouble(number, f"{person.name} is not the name and role that the key was admitted with"))
    troubles += [Trouble(number, why) for why in _not_admissible(payload, so_far)]
    keys = {key: one.public for key, one in so_far.admitted.items()}
    if isinstance(payload, SignerEntry):
        keys.setdefault(payload.signer.key, _public(payload))
    try:
        bad = [one for one in entry.signatures if one.key in keys and not holds(keys[one.key], one.value, entry.signed)]
    except MissingExtraError as error:
        return [*troubles, Trouble(number, f"its signatures cannot be verified: {error.what}", known=False)]
    names = {one.key: one.name for one in payload.signers}
    return troubles + [Trouble(number, f"the signature of {names.get(one.key, one.key)} does not hold") for one in bad]


def _person(known: Admitted | None) -> Person | None:
    return known.person if known is not None else None


def _not_admissible(payload: Payload, so_far: Ledger) -> list[str]:
    """Why an entry on keys does not count; nothing of a sign-off."""
    by = {one.key for one in payload.signers}
    if isinstance(payload, RevocationEntry):
        return [] if payload.key in so_far.active() else ["the key that it revokes may not sign"]
    if not isinstance(payload, SignerEntry):
        return []
    wrong = []
    if print_of(_public(payload)) != payload.signer.key:
        wrong.append("its public key does not have the print that it names")
    if payload.signer.key in so_far.admitted:
        wrong.append("its key was admitted before")
    if payload.signer.key not in by:
        wrong.append("the new key has not signed it")
    if so_far.needs_admission(datetime.fromisoformat(payload.when)) and not by & set(so_far.admitted):
        wrong.append("no person who may sign has signed it")
    return wrong


def _public(payload: SignerEntry) -> bytes:
    try:
        return b64decode(payload.public_key, validate=True)
    except ValueError:
        return b""


def _admit(payload: Payload, number: int, found: Ledger) -> None:
    """Who may sign after an entry."""
    if isinstance(payload, SignerEntry) and payload.signer.key not in found.admitted:
        until = datetime.fromisoformat(payload.valid_until)
        found.admitted[payload.signer.key] = Admitted(payload.signer, _public(payload), number, until)
    elif isinstance(payload, RevocationEntry) and payload.key in found.active():
        found.admitted[payload.key] = replace(found.admitted[payload.key], revoked=number)


def same_person(name: str) -> str:
    """A printed name without what does not separate persons: capitals, blanks, letters that are not seen, and other
    forms of the same letter (Unicode Standard Annex 15, form NFKC)."""
    letters = unicodedata.normalize("NFKC", name)
    seen = "".join(c for c in letters if c.isspace() or unicodedata.category(c) not in ("Cc", "Cf"))
    return " ".join(seen.split()).casefold()
