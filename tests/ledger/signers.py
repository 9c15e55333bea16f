"""Invented persons who sign in tests: keys, passphrase files, and their lines of a lab file."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from benchpipe.config.signing import SignerConfig
from benchpipe.ledger.adding import Signing, admit
from benchpipe.ledger.keys import Key, make_key
from benchpipe.run import load_lab

pytest.importorskip("cryptography")

NOW = datetime(2031, 5, 1, 9, 30, tzinfo=UTC)
PASSPHRASE = "an invented passphrase"
YEARS = 3 * 365
REVIEWER, QUALITY = ("A. Reviewer", "laboratory"), ("B. Quality", "quality assurance")


def make_person(folder: Path, person: tuple[str, str], *, days: int = YEARS, now: datetime = NOW) -> Key:
    """A key of a person in a folder of their own, valid from a day before."""
    folder.mkdir(parents=True, exist_ok=True)
    path = key_file(folder, person)
    key = make_key(path, person[0], PASSPHRASE, days, now - timedelta(days=1))
    path.with_suffix(".txt").write_text(f"{PASSPHRASE}\n", encoding="utf-8")
    path.with_suffix(".txt").chmod(0o600)
    return key


def key_file(folder: Path, person: tuple[str, str]) -> Path:
    """File of a person's key; the passphrase is beside it."""
    return folder / f"{person[0].split()[-1].lower()}.p12"


def name_signers(lab: Path, people: Sequence[tuple[Key, tuple[str, str]]], persons: int = 1) -> None:
    """Add signers to a lab file."""
    text = "".join(f'\n[[signer]]\nname = "{p[0]}"\nrole = "{p[1]}"\nkey = "{key.print}"\n' for key, p in people)
    lab.write_text(f"{lab.read_text(encoding='utf-8')}\n[signing]\npersons = {persons}\n{text}", encoding="utf-8")


def place_of(lab: Path, now: datetime = NOW) -> Signing:
    """Where keys sign in a lab."""
    config, _, store = load_lab(lab)
    return Signing(lab, config, store, now)


def signer(key: Key, person: tuple[str, str]) -> SignerConfig:
    """A person's section of a lab file."""
    return SignerConfig(name=person[0], role=person[1], key=key.print)


def admit_all(lab: Path, keys: Sequence[Key]) -> None:
    """Let persons sign from the day after their keys begin: the first by their own key, each other by the first."""
    for number, key in enumerate(keys):
        admit(key, keys[:1] if number else (), place_of(lab, key.valid_from + timedelta(days=1)))
