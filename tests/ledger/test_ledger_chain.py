"""Who may sign: the first key admits itself, each other is admitted; expired, revoked and unknown keys do not count."""

from __future__ import annotations

import json
from base64 import b64encode
from datetime import timedelta
from pathlib import Path

import pytest

from benchpipe.config.lab import LabConfig
from benchpipe.errors import ConfigError, DamageError, MissingExtraError, StoreError
from benchpipe.ledger import keys as keys_module
from benchpipe.ledger.adding import Signing, admit, revoke
from benchpipe.ledger.chain import read_ledger, same_person, sound_ledger
from benchpipe.ledger.entry import Person, RevocationEntry, SignedState, SignerEntry, SignOffEntry, signed_line
from benchpipe.ledger.heads import keep_heads
from benchpipe.ledger.keys import Key
from benchpipe.store import ledger_file
from benchpipe.store.ledger_file import LEDGER, append_line, head_of
from tests.ledger.signers import NOW, QUALITY, REVIEWER, make_person, signer


@pytest.fixture(scope="module")
def people(tmp_path_factory: pytest.TempPathFactory) -> tuple[Key, Key, Key]:
    folder = tmp_path_factory.mktemp("people")
    return (
        make_person(folder, REVIEWER), make_person(folder, QUALITY), make_person(folder / "short", REVIEWER, days=10)
    )  # fmt: skip


@pytest.fixture
def place(tmp_path: Path, people: tuple[Key, Key, Key]) -> Signing:
    one, other, short = people
    signers = (signer(one, REVIEWER), signer(other, QUALITY), signer(short, REVIEWER))
    lab = LabConfig(name="invented", store=tmp_path / "store", plans=(Path("plan.toml"),), signer=signers)
    return Signing(tmp_path / "lab.toml", lab, tmp_path / "store", NOW)


def later(place: Signing, days: float) -> Signing:
    return Signing(place.path, place.lab, place.store, place.now + timedelta(days=days))


def sign_off(place: Signing, person: Person, **changes: object) -> SignOffEntry:
    number, previous = read_ledger(place.store).following
    state = SignedState(sequence=3, manifest="1" * 64, process="2" * 64, verdicts="3" * 64, verdict="pass")
    fields = {
        "number": number, "previous": previous, "when": place.when, "signers": (person,), "run": "one", "specimen": "",
        "meaning": "approved", "reason": "seen", "persons": 1, "state": state,
    }  # fmt: skip
    return SignOffEntry(**(fields | changes))  # type: ignore[arg-type]


def troubles(place: Signing) -> list[str]:
    return [f"{one.number}: {one.what}" for one in read_ledger(place.store).troubles]


def test_the_first_key_admits_itself_and_each_other_needs_one_that_may_sign(
    place: Signing, people: tuple[Key, Key, Key]
) -> None:
    one, other, _ = people
    assert (read_ledger(place.store).head, head_of(place.store)) == (None, None)
    entry, head = admit(one, (), place)
    assert (entry.signer.name, entry.number, head) == ("A. Reviewer", 1, head_of(place.store))
    with pytest.raises(ConfigError, match=r"a person who may sign already must admit B. Quality") as error:
        admit(other, (), place)
    assert error.value.expected == "the key of A. Reviewer"
    entry, _ = admit(other, (one,), place)
    assert [person.name for person in entry.signers] == ["B. Quality", "A. Reviewer"]
    ledger = sound_ledger(place.store)
    assert [known.entry for known in ledger.active().values()] == [1, 2]
    with pytest.raises(ConfigError, match="was admitted before, by entry 1"):
        admit(one, (other,), place)


def test_a_revoked_key_signs_no_more_and_what_it_signed_stays_signed(
    place: Signing, people: tuple[Key, Key, Key]
) -> None:
    one, other, short = people
    admit(one, (), place)
    with pytest.raises(ConfigError, match="it is the last key that may sign"):
        revoke(one.print, "lost", (one,), place)
    admit(other, (one,), place)
    person = read_ledger(place.store).admitted[other.print].person
    append_line(place.store, signed_line(sign_off(place, person), (other,)))
    for print_, reason, why in (
        (other.print, " ", "--reason must not be empty"), ("", "lost", "no key"), ("zz", "lost", "no key"),
    ):  # fmt: skip
        with pytest.raises(ConfigError, match=why):
            revoke(print_, reason, (one,), place)
    entry, who, _ = revoke(other.print[:12], "the stick was lost", (one,), place)
    assert (entry.key, who.name) == (other.print, "B. Quality")
    assert troubles(place) == []
    with pytest.raises(ConfigError, match=r"the key of B. Quality was revoked by entry 4"):
        admit(short, (other,), place)
    append_line(place.store, signed_line(sign_off(place, person), (other,)))
    assert troubles(place) == ["5: the key of B. Quality was revoked by entry 4"]


def test_an_expired_key_signs_no_more(place: Signing, people: tuple[Key, Key, Key]) -> None:
    one, _, short = people
    admit(short, (), place)
    person = read_ledger(place.store).admitted[short.print].person
    with pytest.raises(ConfigError, match=r"the key of A. Reviewer has expired"):
        admit(one, (short,), later(place, 20))
    append_line(place.store, signed_line(sign_off(later(place, 20), person), (short,)))
    assert troubles(place) == ["2: the key of A. Reviewer had expired when it was signed"]


def test_where_all_keys_have_ended_the_next_admits_itself(place: Signing, people: tuple[Key, Key, Key]) -> None:
    one, _, short = people
    admit(short, (), place)
    admit(one, (), later(place, 20))
    assert troubles(place) == []


def test_a_lab_file_that_names_otherwise_is_refused(place: Signing, people: tuple[Key, Key, Key]) -> None:
    one, other, _ = people
    for signers, why in (
        ((), "names no signer with the key of A. Reviewer"),
        ((signer(one, QUALITY),), "names B. Quality for the key of A. Reviewer"),
    ):
        lab = place.lab.model_copy(update={"signer": signers})
        with pytest.raises(ConfigError, match=why):
            admit(one, (), Signing(place.path, lab, place.store, NOW))
    admit(one, (), place)
    changed = place.lab.model_copy(update={"signer": (signer(one, ("A. Reviewer", "boss")), signer(other, QUALITY))})
    with pytest.raises(ConfigError, match=r"names A. Reviewer, boss for a key that was admitted as A. Reviewer, labo"):
        admit(other, (one,), Signing(place.path, changed, place.store, NOW))


def test_entries_that_do_not_count_are_found(place: Signing, people: tuple[Key, Key, Key]) -> None:
    one, other, _ = people
    admit(one, (), place)
    known = read_ledger(place.store).admitted[one.print].person
    stranger = Person(name="B. Quality", role="quality assurance", key=other.print)
    number, previous = read_ledger(place.store).following
    same = {"number": number, "previous": previous, "when": place.when}
    public = b64encode(other.public).decode()
    until = other.valid_until.isoformat()
    two = (stranger, known)
    admission = {**same, "signer": stranger, "public_key": public, "valid_until": until}
    for entry, by, why in (
        (sign_off(place, stranger), (other,), "B. Quality was not admitted to sign with the key"),
        (sign_off(place, known), (other,), "not those of the persons"),
        (sign_off(place, known), (), "not those of the persons"),
        (sign_off(place, known), (one, one), "not those of the persons"),
        (sign_off(place, known.model_copy(update={"name": "C. Other"})), (one,), "is not the name and role"),
        (sign_off(place, known, number=7), (one,), "it has the number 7"),
        (sign_off(place, known, previous="1" * 64), (one,), "does not follow the entry before"),
        (SignerEntry(**admission, signers=(stranger,)), (other,), "no person who may sign has signed it"),
        (SignerEntry(**admission, signers=(known,)), (one,), "the new key has not signed it"),
        (SignerEntry(**admission | {"public_key": "AAAA"}, signers=two), (other, one), "does not have the print"),
        (SignerEntry(**admission | {"public_key": "!"}, signers=two), (other, one), "does not have the print"),
        (SignerEntry(**admission | {"signer": known, "public_key": b64encode(one.public).decode()}, signers=(known,)),
         (one,), "its key was admitted before"),
        (RevocationEntry(**same, key=other.print, reason="x", signers=(known,)), (one,), "it revokes may not sign"),
    ):  # fmt: skip
        before = (place.store / LEDGER).read_bytes()
        append_line(place.store, signed_line(entry, by))  # type: ignore[arg-type]
        found = troubles(place)
        assert any(why in one for one in found), (why, found)
        with pytest.raises(DamageError, match=f"entry {number}: "):
            sound_ledger(place.store)
        (place.store / LEDGER).write_bytes(before)
    line = json.loads(signed_line(sign_off(place, known), (one,)))
    line["signatures"][0]["sig"] = b64encode(bytes(64)).decode()
    append_line(place.store, json.dumps(line, sort_keys=True, separators=(",", ":")).encode())
    assert troubles(place) == ["2: the signature of A. Reviewer does not hold"]


def test_a_torn_ledger_is_not_written_to(place: Signing, people: tuple[Key, Key, Key]) -> None:
    one, other, _ = people
    admit(one, (), place)
    whole = (place.store / LEDGER).read_bytes()
    (place.store / LEDGER).write_bytes(whole + whole[:40])
    assert head_of(place.store) == read_ledger(place.store).head  # of whole lines
    assert troubles(place) == ["2: its line is torn: it has no end"]
    with pytest.raises(DamageError, match="entry 2: its line is torn"):
        admit(other, (one,), place)
    with pytest.raises(DamageError, match="torn in its entry 2"):
        append_line(place.store, b"x")
    assert (place.store / LEDGER).read_bytes() == whole + whole[:40]


def test_a_cut_ledger_is_not_written_to(place: Signing, people: tuple[Key, Key, Key]) -> None:
    one, other, _ = people
    admit(one, (), place)
    short = (place.store / LEDGER).read_bytes()
    admit(other, (one,), place)
    keep_heads(place.path, place.store, ())
    (place.store / LEDGER).write_bytes(short)
    with pytest.raises(DamageError, match="ends with entry 1, and had 2 entries: its end was cut"):
        admit(other, (one,), place)
    assert keep_heads(place.path, place.store, ()) == (
        "the ledger ends with entry 1, and had 2 entries: its end was cut",
    )


def test_a_disk_that_fills_leaves_the_ledger_as_it_was(
    place: Signing, people: tuple[Key, Key, Key], monkeypatch: pytest.MonkeyPatch
) -> None:
    one, other, _ = people
    admit(one, (), place)
    before = (place.store / LEDGER).read_bytes()

    def full(path: Path, data: bytes) -> None:
        raise StoreError("it cannot be written there: No space left on device", where=path)

    monkeypatch.setattr(ledger_file, "keep_file", full)
    with pytest.raises(StoreError, match="No space left"):
        admit(other, (one,), place)
    assert (place.store / LEDGER).read_bytes() == before


def test_without_the_library_the_chain_is_read_and_signatures_are_not_known(
    place: Signing, people: tuple[Key, Key, Key], monkeypatch: pytest.MonkeyPatch
) -> None:
    admit(people[0], (), place)

    def missing(name: str) -> object:
        raise ImportError(name)

    monkeypatch.setattr(keys_module, "import_module", missing)
    (one,) = read_ledger(place.store).troubles
    assert (one.number, one.known) == (1, False)
    assert "its signatures cannot be verified: signing needs the library" in one.what
    with pytest.raises(MissingExtraError, match="signing needs"):
        sound_ledger(place.store)


def test_the_same_person_twice_is_one() -> None:
    assert same_person("A. B") == same_person(" a.  b ")
    assert same_person("A. B") == same_person("A.\u200b B\u2060") == same_person("\uff21. B") == same_person("A.\tB")
    assert same_person("A. M\xfcller") == same_person("A. Mu\u0308ller") != same_person("A. Muller")
    assert same_person("A. B") != same_person("A. C")
