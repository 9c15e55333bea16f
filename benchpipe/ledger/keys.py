"""Keys that sign: Ed25519 in a PKCS#12 file with a passphrase, outside of labs, stores and repositories.

The file holds the private key and a certificate that it signed itself: name and days of validity. Both are encrypted
(PBES2 with AES-256, PBKDF2 with 600,000 rounds: NIST SP 800-132; the number is common practice). The optional MAC of
PKCS#12 (RFC 7292, section 4) is left out: the library makes it with 2,048 rounds, so that it would be the fast way to
try passphrases. A changed file is still found: it cannot be decrypted, or it has no certificate of its key.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchpipe.errors import ConfigError, MissingExtraError, install_extra
from benchpipe.ledger.der import der, items
from benchpipe.store.files import sync_folder
from benchpipe.store.identity import MARK
from benchpipe.store.refusals import refused

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

ROUNDS = 600_000
SHORTEST = 8  # letters of a passphrase (NIST SP 800-63B, section 5.1.1.2; from memory)
OPEN_TO_OTHERS = 0o077
NEVER_HERE = {".git": "a repository", "lab.toml": "a lab", MARK: "a store", "ledger.jsonl": "a store"}


@dataclass(frozen=True)
class Key:
    """A key that was unlocked."""

    name: str
    public: bytes
    valid_from: datetime
    valid_until: datetime
    _private: Ed25519PrivateKey

    @property
    def print(self) -> str:
        """SHA-256 of the public key (32 bytes), in hexadecimal."""
        return print_of(self.public)

    def sign(self, data: bytes) -> bytes:
        """Ed25519 signature (RFC 8032), 64 bytes."""
        return self._private.sign(data)

    def must_be_valid(self, now: datetime) -> None:
        """Refuse to sign outside of the key's days.

        Raises
        ------
        ConfigError
            It has expired, or is not valid yet.
        """
        must_be_in_days(self.name, self.valid_from, self.valid_until, now)


def must_be_in_days(name: str, begins: datetime, ends: datetime, now: datetime) -> None:
    """Refuse a key outside of its days.

    Raises
    ------
    ConfigError
        It has expired, or is not valid yet.
    """
    if not begins <= now <= ends:
        past = now > ends
        raise ConfigError(
            f"the key of {name} " + ("has expired" if past else "is not valid yet"),
            expected=f"a day from {begins:%Y-%m-%d} to {ends:%Y-%m-%d}",
            got=f"{now:%Y-%m-%d}",
            do_next="make another with benchpipe key FILE --make, and admit it" if past else "set the clock",
        )


def print_of(public: bytes) -> str:
    """The print of a key: SHA-256 of its public key (32 bytes)."""
    return hashlib.sha256(public).hexdigest()


def library(name: str) -> Any:
    """A module of the library ``cryptography``.

    Raises
    ------
    MissingExtraError
        It is not installed; says what to install.
    """
    try:
        return import_module(f"cryptography.{name}")
    except ImportError:
        raise MissingExtraError(
            "signing needs the library 'cryptography', which is not installed", do_next=install_extra("sign")
        ) from None


def holds(public: bytes, signature: bytes, data: bytes) -> bool:
    """Whether an Ed25519 signature (RFC 8032) of some bytes holds.

    Raises
    ------
    MissingExtraError
        The library is not installed.
    """
    ed25519, exceptions = library("hazmat.primitives.asymmetric.ed25519"), library("exceptions")
    try:
        ed25519.Ed25519PublicKey.from_public_bytes(public).verify(signature, data)
    except (exceptions.InvalidSignature, ValueError):
        return False
    return True


def make_key(path: Path, name: str, passphrase: str, days: int, now: datetime) -> Key:
    """Make a key and write it to a file that only this account can read.

    Parameters
    ----------
    days : int
        It can sign for so many days.
    now : datetime
        With its time zone.

    Raises
    ------
    ConfigError
        The file is there already, its place is a lab, a store or a repository, the passphrase is too short, or no
        name was given.
    MissingExtraError
        The library is not installed.
    StoreError
        The file cannot be written.
    """
    must_be_apart(path)
    must_be_fit(name, passphrase)
    private = library("hazmat.primitives.asymmetric.ed25519").Ed25519PrivateKey.generate()
    write_private(path, packed(private, name.strip(), passphrase, now, now + timedelta(days=days)))
    return load_key(path, passphrase)


def must_be_fit(name: str, passphrase: str) -> None:
    """Refuse an empty name and a short passphrase of a key that is to be made.

    Raises
    ------
    ConfigError
        Says which.
    """
    if not name.strip():
        raise ConfigError("--name must not be empty", do_next='give the printed name: --name "NAME"')
    if len(passphrase) < SHORTEST:
        raise ConfigError("the passphrase is too short", expected=f"{SHORTEST} letters or more")


def packed(
    private: Any, name: str, passphrase: str, begins: datetime, ends: datetime, *, hashed: Any = None,
    extensions: Iterable[Any] = (),
) -> bytes:  # fmt: skip
    """A private key and a certificate that it signs itself, as an encrypted PKCS#12 file without its MAC.

    Parameters
    ----------
    hashed : hash algorithm, optional
        Of the certificate's signature; None for Ed25519, which has its own.
    extensions : iterable
        Critical extensions of the certificate.
    """
    x509, oid = library("x509"), library("x509.oid")
    serialization = library("hazmat.primitives.serialization")
    pkcs12 = library("hazmat.primitives.serialization.pkcs12")
    subject = x509.Name([x509.NameAttribute(oid.NameOID.COMMON_NAME, name)])
    builder = (
        x509.CertificateBuilder(subject, subject, private.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(begins)
        .not_valid_after(ends)
    )
    for one in extensions:
        builder = builder.add_extension(one, critical=True)
    certificate = builder.sign(private, hashed)
    encryption = (
        serialization.PrivateFormat.PKCS12.encryption_builder()
        .kdf_rounds(ROUNDS)
        .key_cert_algorithm(pkcs12.PBES.PBESv2SHA256AndAES256CBC)
        .hmac_hash(library("hazmat.primitives.hashes").SHA256())
        .build(passphrase.encode())
    )
    whole = pkcs12.serialize_key_and_certificates(name.encode(), private, certificate, None, encryption)
    version, content, *_ = items(whole)  # PFX ::= SEQUENCE { version, authSafe, macData OPTIONAL }
    return der(0x30, version + content)


def write_private(path: Path, data: bytes) -> None:
    """Write a file that is not there yet, readable by this account alone from its first moment."""
    with refused(path, "name another file"):
        try:
            handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        except FileExistsError:
            raise ConfigError(
                "the file is there already: a key is never overwritten", where=path, do_next="name another file"
            ) from None
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            sync_folder(path.absolute().parent)
        except OSError:
            with suppress(OSError):
                path.unlink()
            raise


def load_key(path: Path, passphrase: str) -> Key:
    """Unlock a key.

    Raises
    ------
    ConfigError
        Other accounts can read the file, its place is a lab, a store or a repository, the passphrase is wrong, or it
        is no key that this program made.
    MissingExtraError
        The library is not installed.
    """
    ed25519 = library("hazmat.primitives.asymmetric.ed25519")
    key, certificate = unpacked(path, passphrase)
    if not isinstance(key, ed25519.Ed25519PrivateKey) or certificate is None:
        raise ConfigError(
            "the file holds no Ed25519 key with its certificate", where=path,
            do_next="make a key with: benchpipe key FILE --make",
        )  # fmt: skip
    public = key.public_key().public_bytes_raw()  # the library gives a certificate of this key only
    return Key(name_of(certificate), public, certificate.not_valid_before_utc, certificate.not_valid_after_utc, key)


def unpacked(path: Path, passphrase: str) -> tuple[Any, Any]:
    """Private key and certificate (each None where there is none) of a key file; errors as of :func:`load_key`."""
    must_be_apart(path)
    must_be_private(path, "key file")
    pkcs12 = library("hazmat.primitives.serialization.pkcs12")
    try:
        found = pkcs12.load_pkcs12(path.read_bytes(), passphrase.encode())
    except OSError as error:
        raise ConfigError(f"the key file cannot be read: {error.strerror}", where=path) from None
    except ValueError:
        raise ConfigError("the passphrase is wrong, or the file is no PKCS#12 key file", where=path) from None
    return found.key, found.cert.certificate if found.cert is not None else None


def name_of(certificate: Any) -> str:
    """Printed name of a certificate's person; empty where it has none."""
    names = certificate.subject.get_attributes_for_oid(library("x509.oid").NameOID.COMMON_NAME)
    return str(names[0].value) if names else ""


def must_be_apart(path: Path, *stores: Path) -> None:
    """Refuse a place for a key that others see or copy: a lab, a store, a repository.

    Raises
    ------
    ConfigError
        Names what the place is.
    """
    folder = path.absolute().parent.resolve()
    inside = {store.resolve(): "a store" for store in stores}
    for above in (folder, *folder.parents):
        kinds = [kind for mark, kind in NEVER_HERE.items() if (above / mark).exists()]
        if kinds or above in inside:
            raise ConfigError(
                f"a key is not kept in {kinds[0] if kinds else inside[above]}: {above}",
                where=path,
                do_next="keep it in a folder of your own, such as one in your home folder, or on a stick",
            )


def must_be_private(path: Path, what: str) -> None:
    """Refuse a file with a secret that other accounts can read (where the system knows rights of files).

    Raises
    ------
    ConfigError
        It is not there, no file, or they can.
    """
    try:
        found = path.stat()
    except OSError as error:
        raise ConfigError(f"the {what} cannot be read: {error.strerror}", where=path) from None
    if not path.is_file():
        raise ConfigError(f"the {what} is no file", where=path)
    if os.name == "posix" and found.st_mode & OPEN_TO_OTHERS:
        raise ConfigError(
            f"other accounts can read the {what}", where=path, expected="mode 0600",
            got=f"mode {found.st_mode & 0o777:04o}",
            do_next="chmod 600 FILE; a key that others could have copied is revoked and made again",
        )  # fmt: skip


def read_passphrase(path: Path) -> str:
    """The first line of a file that only this account can read.

    Raises
    ------
    ConfigError
        It is not there, other accounts can read it, or it is empty or no text.
    """
    must_be_private(path, "passphrase file")
    try:
        lines = path.read_bytes().decode().splitlines()
    except OSError as error:
        raise ConfigError(f"the passphrase file cannot be read: {error.strerror}", where=path) from None
    except UnicodeDecodeError:
        raise ConfigError("the passphrase file is not UTF-8 text", where=path) from None
    if not lines or not lines[0]:
        raise ConfigError("the passphrase file is empty", where=path)
    return lines[0]
