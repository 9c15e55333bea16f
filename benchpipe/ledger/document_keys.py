"""Keys that sign documents: RSA with 3072 bits in a PKCS#12 file, kept by the same rules as keys of the ledger.

A key of its own, since a PDF/A-3 document is PDF 1.7, which has no Ed25519 (ISO 32000-1, 12.8.3.3; Ed25519 came with
ISO/TS 32002 for PDF 2.0), and common readers verify none. 3072 bits: NIST SP 800-57 part 1, table 2 (128 bits of
security). Both from memory.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from benchpipe.errors import ConfigError
from benchpipe.ledger.keys import (
    library,
    must_be_apart,
    must_be_fit,
    must_be_in_days,
    name_of,
    packed,
    unpacked,
    write_private,
)

BITS = 3072


@dataclass(frozen=True)
class DocumentKey:
    """A key that was unlocked: certificate and private key (PKCS#8) as DER."""

    name: str
    print: str
    valid_from: datetime
    valid_until: datetime
    certificate: bytes
    private: bytes

    def must_be_valid(self, now: datetime) -> None:
        """Refuse to sign outside of the key's days.

        Raises
        ------
        ConfigError
            It has expired, or is not valid yet.
        """
        must_be_in_days(self.name, self.valid_from, self.valid_until, now)


def document_print(public: bytes) -> str:
    """The print of a document key: SHA-256 of its public key (SubjectPublicKeyInfo, DER)."""
    return hashlib.sha256(public).hexdigest()


def make_document_key(path: Path, name: str, passphrase: str, days: int, now: datetime) -> DocumentKey:
    """Make a key that signs documents; parameters and errors as of :func:`benchpipe.ledger.keys.make_key`."""
    must_be_apart(path)
    must_be_fit(name, passphrase)
    private = library("hazmat.primitives.asymmetric.rsa").generate_private_key(65537, BITS)
    usage = library("x509").KeyUsage(
        digital_signature=True, content_commitment=True, key_encipherment=False, data_encipherment=False,
        key_agreement=False, key_cert_sign=False, crl_sign=False, encipher_only=False, decipher_only=False,
    )  # fmt: skip
    hashed = library("hazmat.primitives.hashes").SHA256()
    ends = now + timedelta(days=days)
    write_private(path, packed(private, name.strip(), passphrase, now, ends, hashed=hashed, extensions=(usage,)))
    return load_document_key(path, passphrase)


def load_document_key(path: Path, passphrase: str) -> DocumentKey:
    """Unlock a key that signs documents; errors as of :func:`benchpipe.ledger.keys.load_key`."""
    serialization = library("hazmat.primitives.serialization")
    key, certificate = unpacked(path, passphrase)
    if not isinstance(key, library("hazmat.primitives.asymmetric.rsa").RSAPrivateKey) or certificate is None:
        raise ConfigError(
            "the file holds no RSA key with its certificate: only such a key signs documents", where=path,
            do_next="make a key with: benchpipe key FILE --make --documents",
        )  # fmt: skip
    der = serialization.Encoding.DER
    public = certificate.public_key().public_bytes(der, serialization.PublicFormat.SubjectPublicKeyInfo)
    private = key.private_bytes(der, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    return DocumentKey(
        name_of(certificate), document_print(public), certificate.not_valid_before_utc,
        certificate.not_valid_after_utc, certificate.public_bytes(der), private,
    )  # fmt: skip
