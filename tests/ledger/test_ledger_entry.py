"""Entries of the ledger: published vectors of what they are made of, and one form only."""

from __future__ import annotations

import base64
import json
from typing import Any

import pytest

from benchpipe.ledger.entry import TYPE, NotAnEntryError, Person, SignedState, SignOffEntry, pae, read_line, signed_line
from benchpipe.ledger.keys import holds
from benchpipe.store.ledger_file import BEGINNING
from benchpipe.store.manifest import canonical

ed25519 = pytest.importorskip("cryptography.hazmat.primitives.asymmetric.ed25519")
ec = pytest.importorskip("cryptography.hazmat.primitives.asymmetric.ec")

# RFC 8032, section 7.1, tests 1 to 3: secret key, public key, message, signature.
RFC_8032 = (
    ("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
     "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a", "",
     "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe246"
     "55141438e7a100b"),
    ("4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
     "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c", "72",
     "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb"
     "00d291612bb0c00"),
    ("c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
     "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025", "af82",
     "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc"
     "027beceea1ec40a"),
)  # fmt: skip

# RFC 8785: the file "weird" of its published test data (sorting by UTF-16 code units, section 3.2.3).
WEIRD_IN = (
    r'{"\u20ac": "Euro Sign", "1": "One", "\u0080": "Control\u007f", "\ud83d\ude02": "Smiley", "\u00f6": '
    r'"Latin Small Letter O With Diaeresis", "\ufb33": "Hebrew Letter Dalet With Dagesh", "</script>": '
    r'"Browser Challenge"}'
)
WEIRD_ORDER = ["1", "</script>", "\u0080", "\u00f6", "\u20ac", "\U0001f602", "\ufb33"]


class Ed25519:
    """A key with a given secret."""

    def __init__(self, secret: str) -> None:
        self.private = ed25519.Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret))
        self.print = "0" * 64

    def sign(self, data: bytes) -> bytes:
        return bytes(self.private.sign(data))


def entry(**changes: Any) -> SignOffEntry:
    state = SignedState(sequence=3, manifest="1" * 64, process="2" * 64, verdicts="3" * 64, verdict="pass")
    person = Person(name="A. Reviewer", role="laboratory", key="0" * 64)
    fields = {
        "number": 1, "previous": BEGINNING, "when": "2031-05-01T09:30:00+02:00", "signers": (person,), "run": "one",
        "specimen": "Alder-1", "meaning": "approved", "reason": "all seen", "persons": 1, "state": state,
    }  # fmt: skip
    return SignOffEntry(**(fields | changes))


def test_pre_authentication_encoding_is_that_of_the_specification() -> None:
    # DSSE protocol.md 1.0.0, "Test Vectors"
    assert pae("http://example.com/HelloWorld", b"hello world") == (
        b"DSSEv1 29 http://example.com/HelloWorld 11 hello world"
    )
    assert pae("é", b"") == "DSSEv1 2 é 0 ".encode()  # lengths are those of the bytes


def test_the_signature_of_the_specification_is_of_our_encoding() -> None:
    """The vector's key is ECDSA over P-256, so the library verifies it; what is signed is ours."""
    utils = pytest.importorskip("cryptography.hazmat.primitives.asymmetric.utils")
    hashes = pytest.importorskip("cryptography.hazmat.primitives.hashes")
    x = 46950820868899156662930047687818585632848591499744589407958293238635476079160
    y = 5640078356564379163099075877009565129882514886557779369047442380624545832820
    sig = base64.b64decode("A3JqsQGtVsJ2O2xqrI5IcnXip5GToJ3F+FnZ+O88SjtR6rDAajabZKciJTfUiHqJPcIAriEGAHTVeCUjW2JIZA==")
    der = utils.encode_dss_signature(int.from_bytes(sig[:32], "big"), int.from_bytes(sig[32:], "big"))
    key = ec.EllipticCurvePublicNumbers(x, y, ec.SECP256R1()).public_key()
    key.verify(der, pae("http://example.com/HelloWorld", b"hello world"), ec.ECDSA(hashes.SHA256()))


@pytest.mark.parametrize(("secret", "public", "message", "signature"), RFC_8032)
def test_signatures_are_those_of_rfc_8032(secret: str, public: str, message: str, signature: str) -> None:
    key, data = Ed25519(secret), bytes.fromhex(message)
    assert key.sign(data).hex() == signature
    assert holds(bytes.fromhex(public), bytes.fromhex(signature), data)
    assert not holds(bytes.fromhex(public), bytes.fromhex(signature), data + b"x")
    assert not holds(b"short", bytes.fromhex(signature), data)


def test_canonical_json_is_that_of_rfc_8785() -> None:
    document = json.loads(WEIRD_IN)
    ordered = {name: document[name] for name in WEIRD_ORDER}
    assert canonical(document) == json.dumps(ordered, ensure_ascii=False, separators=(",", ":")).encode()
    # RFC 8785, section 3.2.2: example of numbers, literals and strings
    example = {
        "numbers": [333333333.33333329, 1e30, 4.50, 2e-3, 1e-27],
        "string": "\u20ac$\u000f\u000aA'\u0042\u0022\u005c\\\"\u002f",
        "literals": [None, True, False],
    }
    assert canonical(example).decode() == (
        '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        '"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
    )


def test_an_entry_is_read_as_it_was_written() -> None:
    key = Ed25519(RFC_8032[0][0])
    line = signed_line(entry(), (key,))
    assert b"\n" not in line
    found = read_line(line)
    assert found.payload == entry()
    (signature,) = found.signatures
    assert holds(bytes.fromhex(RFC_8032[0][1]), signature.value, found.signed)
    assert found.signed.startswith(b"DSSEv1 43 application/vnd.benchpipe.ledger-entry+json ")
    assert len(TYPE) == 43


@pytest.mark.parametrize("changes", [
    {"when": "2031-05-01T09:30:00"}, {"when": "yesterday"}, {"reason": ""}, {"meaning": "seen"}, {"run": ""},
    {"signers": ()}, {"persons": 0}, {"number": 0}, {"previous": "x"},
])  # fmt: skip
def test_an_entry_says_who_when_with_zone_why_and_in_which_meaning(changes: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="validation error"):
        entry(**changes)


def test_an_entry_has_one_form_and_no_other() -> None:
    key = Ed25519(RFC_8032[0][0])
    line = signed_line(entry(), (key,))
    envelope = json.loads(line)
    body = json.loads(base64.b64decode(envelope["payload"]))

    def sealed(**changes: Any) -> bytes:
        return canonical(envelope | changes)

    def packed(document: Any) -> str:
        return base64.b64encode(canonical(document)).decode()

    spaced = base64.b64encode(json.dumps(body).encode()).decode()
    last = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/"
    sig = envelope["signatures"][0]["sig"]
    loose = sig[:-3] + last[last.index(sig[-3]) ^ 1] + "=="  # other bits that no byte has: it decodes to the same
    assert base64.b64decode(loose) == base64.b64decode(sig)
    for other, why in (
        (line + b" ", "one form"), (json.dumps(envelope).encode(), "one form"), (sealed(more=1), "one form"),
        (sealed(payload=spaced), "one form"), (sealed(signatures=[{"keyid": "0" * 64, "sig": loose}]), "one form"),
        (sealed(payloadType="text/plain"), "type is not"), (b"", "no entry"), (b"[]", "no entry"), (b"{}", "no entry"),
        (b"\xff", "no entry"), (sealed(payload="!"), "no entry"), (sealed(signatures=[{}]), "no entry"),
        (sealed(payload=packed(body | {"schema_version": 2})), "version"),
        (sealed(payload=packed(body | {"kind": "wish"})), "version"), (sealed(payload=packed([])), "version"),
        (sealed(payload=packed(body | {"more": 1})), "version"), (b"[" * 100_000, "no entry"),
    ):  # fmt: skip
        with pytest.raises(NotAnEntryError, match=why):
            read_line(other)
