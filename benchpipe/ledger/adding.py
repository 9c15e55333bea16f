"""Add an entry to the ledger: persons sign with keys that may sign, and that the lab file names."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from benchpipe.config.lab import LabConfig
from benchpipe.config.signing import SignerConfig
from benchpipe.errors import ConfigError, DamageError, nearest
from benchpipe.ledger.chain import Ledger, same_person, sound_ledger
from benchpipe.ledger.entry import Payload, Person, RevocationEntry, SignerEntry, signed_line
from benchpipe.ledger.heads import NOTE, ledger_problems, read_heads
from benchpipe.ledger.keys import Key
from benchpipe.store.ledger_file import LEDGER, append_line
from benchpipe.store.manifest import Head

ADMIT = "benchpipe key FILE --admit"


@dataclass(frozen=True)
class Signing:
    """Where and when keys sign: the lab file, what it says, its store, and the time with its zone."""

    path: Path
    lab: LabConfig
    store: Path
    now: datetime

    @property
    def when(self) -> str:
        """The time as an entry has it."""
        return self.now.isoformat(timespec="seconds")


def open_ledger(place: Signing) -> Ledger:
    """The ledger to which an entry may be added: sound, and the one whose head was kept outside the store.

    Raises
    ------
    DamageError
        It is not what was written, or its end was cut.
    MissingExtraError
        The library that verifies signatures is not installed.
    """
    ledger = sound_ledger(place.store)
    heads = read_heads(place.path, place.store)
    for problem in ledger_problems(place.store, heads.ledger if heads is not None else None):
        raise DamageError(
            problem, where=place.store / LEDGER,
            expected=f"the head that {place.path.parent / NOTE} names: {heads.ledger if heads is not None else ''}",
            do_next="fetch the ledger from a backup. Nothing was written",
        )  # fmt: skip
    return ledger


def signers_of(keys: Sequence[Key], ledger: Ledger, place: Signing) -> dict[str, tuple[Key, Person]]:
    """Keys that may sign now and whose they are, each once, by the print of the key.

    Raises
    ------
    ConfigError
        One has expired, was revoked, was not admitted, or the lab file does not name it as it was admitted.
    """
    found: dict[str, tuple[Key, Person]] = {}
    for key in keys:
        key.must_be_valid(place.now)
        known = ledger.admitted.get(key.print)
        if known is None:
            raise ConfigError(
                f"{key.name} may not sign yet: no entry of the ledger admits the key {key.print}",
                where=place.store / LEDGER, do_next=f"admit it first: {ADMIT}",
            )  # fmt: skip
        if known.revoked is not None:
            raise ConfigError(
                f"the key of {key.name} was revoked by entry {known.revoked} of the ledger",
                where=place.store / LEDGER,
                do_next=f"make another key and admit it: {ADMIT}",
            )
        named = named_signer(key, place)
        if (named.name, named.role) != (known.person.name, known.person.role):
            raise ConfigError(
                f"the lab file names {named.name}, {named.role} for a key that was admitted as "
                f"{known.person.name}, {known.person.role} by entry {known.entry} of the ledger",
                where=place.path,
                do_next="write name and role of [[signer]] as they were admitted; for another name or role make "
                "another key",
            )
        found[key.print] = (key, known.person)
    return found


def named_signer(key: Key, place: Signing) -> SignerConfig:
    """The ``[[signer]]`` of a key.

    Raises
    ------
    ConfigError
        The lab file has none, or names another person than the key's certificate.
    """
    named = next((one for one in place.lab.signer if one.key == key.print), None)
    if named is None:
        raise ConfigError(
            f"the lab file names no signer with the key of {key.name}", where=place.path,
            do_next=f'add to it: [[signer]] name = "{key.name}", role = "ROLE", key = "{key.print}"',
        )  # fmt: skip
    if same_person(named.name) != same_person(key.name):
        raise ConfigError(
            f"the lab file names {named.name} for the key of {key.name}", where=place.path,
            do_next="correct name or key of that [[signer]]",
        )  # fmt: skip
    return named


def admit(key: Key, by: Sequence[Key], place: Signing) -> tuple[SignerEntry, Head]:
    """Let a key sign from here on; the caller holds the store.

    Raises
    ------
    ConfigError
        It was admitted before, is not valid, not named in the lab file, or no person who may sign admits it.
    DamageError
        The ledger is not what was written.
    """
    ledger = open_ledger(place)
    key.must_be_valid(place.now)
    named = named_signer(key, place)
    if key.print in ledger.admitted:
        raise ConfigError(f"the key of {key.name} was admitted before, by entry {ledger.admitted[key.print].entry}")
    others = signers_of(by, ledger, place)
    if not others and ledger.needs_admission(place.now):
        names = sorted({one.person.name for one in ledger.active().values()})
        raise ConfigError(
            f"a person who may sign already must admit {key.name}", expected="the key of " + " or ".join(names),
            do_next="give it with --with FILE",
        )  # fmt: skip
    person = Person(name=named.name, role=named.role, key=key.print)
    number, previous = ledger.following
    entry = SignerEntry(
        number=number, previous=previous, when=place.when, signer=person,
        signers=(person, *(one for _, one in others.values())),
        public_key=b64encode(key.public).decode("ascii"), valid_until=key.valid_until.isoformat(),
    )  # fmt: skip
    return entry, write(entry, (key, *(one for one, _ in others.values())), place)


def revoke(print_: str, reason: str, by: Sequence[Key], place: Signing) -> tuple[RevocationEntry, Person, Head]:
    """Let a key count no more from here on; the caller holds the store.

    Parameters
    ----------
    print_ : str
        Print of the key, or the beginning of it.

    Raises
    ------
    ConfigError
        No reason is given, no such key may sign, or it is the last that may.
    DamageError
        The ledger is not what was written.
    """
    must_have_text(reason, "--reason")
    ledger = open_ledger(place)
    signers = signers_of(by, ledger, place)
    active = ledger.active()
    found = [key for key in active if print_ and key.startswith(print_)]
    if len(found) != 1:
        raise ConfigError(
            f"{len(found) or 'no'} key(s) that may sign begin with '{print_}'", expected=nearest(print_, list(active))
        )
    if len(active) == 1:
        raise ConfigError(
            "it is the last key that may sign: none could admit another",
            do_next=f"admit another first: {ADMIT} --with FILE",
        )
    number, previous = ledger.following
    people = tuple(person for _, person in signers.values())
    entry = RevocationEntry(
        number=number, previous=previous, when=place.when, signers=people, key=found[0], reason=reason.strip()
    )
    return entry, active[found[0]].person, write(entry, tuple(key for key, _ in signers.values()), place)


def write(entry: Payload, keys: Sequence[Key], place: Signing) -> Head:
    """Sign an entry and add it to the ledger."""
    return append_line(place.store, signed_line(entry, keys))


def must_have_text(text: str, option: str) -> None:
    """Refuse an empty text.

    Raises
    ------
    ConfigError
        It is.
    """
    if not text.strip():
        raise ConfigError(f"{option} must not be empty", do_next=f'give it in words: {option} "TEXT"')
