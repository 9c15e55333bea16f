"""Keys: encrypted with a passphrase, private, outside of labs, stores and repositories, and valid for a time."""

from __future__ import annotations

import os
from datetime import timedelta
from pathlib import Path

import pytest

from benchpipe.errors import ConfigError, ExitCode, MissingExtraError, StoreError
from benchpipe.ledger import keys
from benchpipe.ledger.der import der, items
from benchpipe.ledger.keys import ROUNDS, load_key, make_key, read_passphrase
from tests.ledger.signers import NOW, PASSPHRASE

ROUNDS_IN_DER = der(0x02, ROUNDS.to_bytes(3, "big"))
posix = pytest.mark.skipif(os.name != "posix", reason="rights of files")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("keys") / "one.p12"
    make_key(path, "A. Reviewer", PASSPHRASE, 30, NOW)
    return path


@pytest.fixture
def own(made: Path, tmp_path: Path) -> Path:
    """A copy that may be changed."""
    path = tmp_path / "own.p12"
    path.write_bytes(made.read_bytes())
    path.chmod(0o600)
    return path


def test_a_key_is_read_back(made: Path) -> None:
    key = load_key(made, PASSPHRASE)
    assert (key.name, len(key.public), len(key.print)) == ("A. Reviewer", 32, 64)
    assert keys.holds(key.public, key.sign(b"x"), b"x")
    key.must_be_valid(NOW)
    assert key.valid_until - key.valid_from == timedelta(days=30)


def test_it_costs_600_000_rounds_to_try_a_passphrase_and_there_is_no_faster_way(made: Path) -> None:
    data = made.read_bytes()
    assert data.count(ROUNDS_IN_DER) == 2  # the key's, and the certificate's
    assert len(items(data)) == 2  # version and content, and no MAC of fewer rounds
    assert b"A. Reviewer" not in data


@posix
def test_only_this_account_can_read_it(made: Path) -> None:
    assert made.stat().st_mode & 0o777 == 0o600


@posix
@pytest.mark.parametrize("mode", [0o644, 0o640, 0o604, 0o602])
def test_a_key_that_others_can_read_or_write_is_refused(own: Path, mode: int) -> None:
    own.chmod(mode)
    with pytest.raises(ConfigError, match="other accounts can read the key file") as error:
        load_key(own, PASSPHRASE)
    assert error.value.got == f"mode {mode:04o}"


def test_a_wrong_passphrase_and_what_is_no_key_are_refused(own: Path) -> None:
    for passphrase in ("another passphrase", "", "é" * 9):
        with pytest.raises(ConfigError, match="passphrase is wrong, or the file is no PKCS#12"):
            load_key(own, passphrase)
    data = own.read_bytes()
    for other in (b"", b"text", data[:-1], data[: len(data) // 2]):
        own.write_bytes(other)
        with pytest.raises(ConfigError, match="passphrase is wrong, or the file is no PKCS#12"):
            load_key(own, PASSPHRASE)
    own.unlink()
    with pytest.raises(ConfigError, match="the key file cannot be read: No such file"):
        load_key(own, PASSPHRASE)
    own.mkdir(mode=0o700)
    with pytest.raises(ConfigError, match="the key file is no file"):
        load_key(own, PASSPHRASE)


def test_a_key_of_another_kind_is_refused(own: Path) -> None:
    rsa = pytest.importorskip("cryptography.hazmat.primitives.asymmetric.rsa")
    serialization = pytest.importorskip("cryptography.hazmat.primitives.serialization")
    pkcs12 = pytest.importorskip("cryptography.hazmat.primitives.serialization.pkcs12")
    encrypted = serialization.BestAvailableEncryption(PASSPHRASE.encode())
    private = rsa.generate_private_key(65537, 2048)
    own.write_bytes(pkcs12.serialize_key_and_certificates(b"x", private, None, None, encrypted))
    with pytest.raises(ConfigError, match="holds no Ed25519 key with its certificate"):
        load_key(own, PASSPHRASE)


def test_a_certificate_of_another_key_is_refused(own: Path, tmp_path: Path) -> None:
    make_key(tmp_path / "other.p12", "B. Quality", PASSPHRASE, 30, NOW)
    version, content = items(own.read_bytes())
    kind, _ = items(content)
    certificate, _ = safe_contents((tmp_path / "other.p12").read_bytes())
    _, private = safe_contents(own.read_bytes())
    packed = der(0xA0, der(0x04, der(0x30, certificate + private)))
    own.write_bytes(der(0x30, version + der(0x30, kind + packed)))
    with pytest.raises(ConfigError, match="holds no Ed25519 key with its certificate"):
        load_key(own, PASSPHRASE)


def safe_contents(data: bytes) -> list[bytes]:
    """Certificate and key of a PKCS#12 file, each encrypted (RFC 7292, section 4)."""
    _, content = items(data)
    _, packed = items(content)
    (octets,) = items(packed)
    (safe,) = items(octets)
    return items(safe)


@pytest.mark.parametrize("mark", [".git/", "lab.toml", ".nights/store.json", "ledger.jsonl"])
@pytest.mark.parametrize("below", ["", "deeper/still"])
def test_a_key_is_neither_made_nor_used_in_a_lab_a_store_or_a_repository(
    own: Path, mark: str, below: str
) -> None:
    place = own.parent / below
    place.mkdir(parents=True, exist_ok=True)
    marked = own.parent / mark
    marked.mkdir() if mark.endswith("/") else marked.parent.mkdir(exist_ok=True)
    if not mark.endswith("/"):
        marked.write_text("x")
    moved = own.rename(place / own.name)
    with pytest.raises(ConfigError, match=r"a key is not kept in a (repository|lab|store)"):
        load_key(moved, PASSPHRASE)
    with pytest.raises(ConfigError, match=r"a key is not kept in a (repository|lab|store)"):
        make_key(place / "new.p12", "A", PASSPHRASE, 1, NOW)
    assert not (place / "new.p12").exists()


def test_a_link_out_of_a_lab_is_no_way_round(own: Path, tmp_path: Path) -> None:
    (tmp_path / "lab").mkdir()
    (tmp_path / "lab" / "lab.toml").write_text("x")
    (tmp_path / "link").symlink_to(tmp_path / "lab")
    with pytest.raises(ConfigError, match="a key is not kept in a lab"):
        make_key(tmp_path / "link" / "new.p12", "A", PASSPHRASE, 1, NOW)


def test_a_key_signs_in_its_days_only(made: Path) -> None:
    key = load_key(made, PASSPHRASE)
    for now, why in ((NOW + timedelta(days=31), "has expired"), (NOW - timedelta(days=1), "is not valid yet")):
        with pytest.raises(ConfigError, match=f"the key of A. Reviewer {why}"):
            key.must_be_valid(now)


def test_what_cannot_be_made_is_not_begun(tmp_path: Path, made: Path) -> None:
    for name, passphrase, why in ((" ", PASSPHRASE, "--name must not be empty"), ("A", "seven77", "is too short")):
        with pytest.raises(ConfigError, match=why):
            make_key(tmp_path / "new.p12", name, passphrase, 1, NOW)
    before = made.read_bytes()
    with pytest.raises(ConfigError, match="a key is never overwritten"):
        make_key(made, "B", PASSPHRASE, 1, NOW)
    assert made.read_bytes() == before
    with pytest.raises(StoreError, match="it cannot be written there: No such file"):
        make_key(tmp_path / "no" / "new.p12", "B", PASSPHRASE, 1, NOW)
    assert list(tmp_path.iterdir()) == []


def test_a_disk_that_fills_leaves_no_half_key(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(keys.os, "fsync", full)
    with pytest.raises(StoreError, match="No space left on device") as error:
        make_key(tmp_path / "new.p12", "A. Reviewer", PASSPHRASE, 1, NOW)
    assert error.value.exit_code == ExitCode.BAD_INPUT
    assert list(tmp_path.iterdir()) == []


@posix
def test_a_passphrase_is_read_from_a_private_file_only(tmp_path: Path) -> None:
    path = tmp_path / "pass.txt"
    path.write_bytes(b"first line\r\nsecond\n")
    path.chmod(0o600)
    assert read_passphrase(path) == "first line"
    path.chmod(0o644)
    with pytest.raises(ConfigError, match="other accounts can read the passphrase file"):
        read_passphrase(path)
    path.chmod(0o600)
    for data, why in ((b"", "is empty"), (b"\nx", "is empty"), (b"\xff\n", "is not UTF-8")):
        path.write_bytes(data)
        with pytest.raises(ConfigError, match=why):
            read_passphrase(path)


def test_without_the_library_it_says_what_to_install(own: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(name: str) -> object:
        raise ImportError(name)

    monkeypatch.setattr(keys, "import_module", missing)
    with pytest.raises(MissingExtraError, match="signing needs the library 'cryptography'") as error:
        load_key(own, PASSPHRASE)
    assert "'.[sign]'" in str(error.value)
