"""Keys that sign documents, and signatures in a document: they hold, are added at the end, and each change is named."""

from __future__ import annotations

import shutil
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from benchpipe.errors import ConfigError, MissingExtraError
from benchpipe.ledger import pades
from benchpipe.ledger.document_keys import BITS, DocumentKey, load_document_key, make_document_key
from benchpipe.ledger.keys import load_key, make_key
from benchpipe.ledger.pades import document_signatures, sign_document
from tests.ledger.signers import PASSPHRASE
from tests.verify.labs import flipped

pytest.importorskip("pyhanko")
pypdf = pytest.importorskip("pypdf")

BEGAN = datetime.now(UTC) - timedelta(days=1)


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> tuple[DocumentKey, DocumentKey]:
    """Keys of two invented persons."""
    folder = tmp_path_factory.mktemp("keys")
    names = ("A. Reviewer", "B. Quality")
    one, two = (make_document_key(folder / f"{n[0]}.p12", n, PASSPHRASE, 90, BEGAN) for n in names)
    return one, two


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A document of one empty page."""
    path = tmp_path_factory.mktemp("plain") / "plain.pdf"
    writer = pypdf.PdfWriter()
    writer.add_blank_page(200, 200)
    writer.write(path)
    return path.read_bytes()


def test_a_key_is_kept_like_one_of_the_ledger_and_signs_documents_only(
    keys: tuple[DocumentKey, DocumentKey], tmp_path: Path
) -> None:
    path = tmp_path / "mine.p12"
    made = make_document_key(path, " A. Reviewer ", PASSPHRASE, 90, BEGAN)
    assert path.stat().st_mode & 0o777 == 0o600
    assert (made.name, made.valid_until - made.valid_from) == ("A. Reviewer", timedelta(days=90))
    assert load_document_key(path, PASSPHRASE) == made
    assert made.print != keys[0].print
    from cryptography.hazmat.primitives.serialization import load_der_private_key

    assert load_der_private_key(made.private, None).key_size == BITS == 3072  # type: ignore[union-attr]
    with pytest.raises(ConfigError, match="holds no Ed25519 key"):
        load_key(path, PASSPHRASE)
    with pytest.raises(ConfigError, match="the passphrase is wrong"):
        load_document_key(path, "another passphrase")
    with pytest.raises(ConfigError, match="never overwritten"):
        make_document_key(path, "A. Reviewer", PASSPHRASE, 90, BEGAN)
    other = tmp_path / "ledger.p12"
    make_key(other, "A. Reviewer", PASSPHRASE, 90, BEGAN)
    with pytest.raises(ConfigError, match="only such a key signs documents"):
        load_document_key(other, PASSPHRASE)
    path.chmod(0o644)
    with pytest.raises(ConfigError, match="other accounts can read"):
        load_document_key(path, PASSPHRASE)


@pytest.mark.parametrize(
    ("name", "passphrase", "says"), [(" ", PASSPHRASE, "--name must not be empty"), ("A", "short", "too short")]
)
def test_a_key_without_a_name_or_with_a_short_passphrase_is_not_made(
    tmp_path: Path, name: str, passphrase: str, says: str
) -> None:
    with pytest.raises(ConfigError, match=says):
        make_document_key(tmp_path / "k.p12", name, passphrase, 90, BEGAN)
    assert not list(tmp_path.iterdir())


def test_a_key_signs_in_its_days_only(keys: tuple[DocumentKey, DocumentKey]) -> None:
    keys[0].must_be_valid(BEGAN + timedelta(days=1))
    for days, says in ((-1, "is not valid yet"), (91, "has expired")):
        with pytest.raises(ConfigError, match=says):
            keys[0].must_be_valid(BEGAN + timedelta(days=days))


def test_two_persons_sign_and_what_was_there_stays(plain: bytes, keys: tuple[DocumentKey, DocumentKey]) -> None:
    once = sign_document(plain, keys[0], "figures seen")
    twice = sign_document(once, keys[1], "approved")
    assert once.startswith(plain)
    assert twice.startswith(once)
    assert len(twice) - len(once) < 20_000
    found = document_signatures(twice)
    assert [(one.name, one.key, one.reason, one.problem) for one in found] == [
        ("A. Reviewer", keys[0].print, "figures seen", ""), ("B. Quality", keys[1].print, "approved", "")
    ]  # fmt: skip
    assert document_signatures(plain) == []


def test_every_change_is_a_problem(plain: bytes, keys: tuple[DocumentKey, DocumentKey]) -> None:
    signed = sign_document(plain, keys[0], "figures seen")
    for place in (20, len(plain) // 2, len(plain) - 40):
        (one,) = document_signatures(flipped(signed, place, 1))
        assert one.problem, place
    noughts = signed.rindex(b"0" * 200) + 100  # room behind the signature, which it cannot cover
    for bit in range(8):
        (one,) = document_signatures(flipped(signed, noughts, bit))
        assert one.problem, bit
    (one,) = document_signatures(signed + b"\n% more\n")
    assert one.problem == "something was added after it"
    (one,) = document_signatures(signed[:-40])
    assert one.problem.startswith("it cannot be read")
    assert document_signatures(b"no document")[0].problem.startswith("it cannot be read")


def test_a_page_that_was_changed_after_the_signature_is_a_problem(
    plain: bytes, keys: tuple[DocumentKey, DocumentKey], tmp_path: Path
) -> None:
    """An update at the end of the file is how a signature is added, and how a page could be replaced."""
    from io import BytesIO

    signed = sign_document(plain, keys[0], "figures seen")
    writer = pypdf.PdfWriter(BytesIO(signed), incremental=True)
    writer.pages[0].mediabox.upper_right = (100, 100)
    writer.write(tmp_path / "changed.pdf")
    data = (tmp_path / "changed.pdf").read_bytes()
    assert data.startswith(signed[:200])
    assert all(one.problem for one in document_signatures(data))
    again = sign_document(data, keys[1], "approved")  # a later signature does not cover for it
    assert document_signatures(again)[0].problem == "something besides signatures was added after it"


def test_without_the_library_it_is_named(
    plain: bytes, keys: tuple[DocumentKey, DocumentKey], monkeypatch: pytest.MonkeyPatch
) -> None:
    def missing(name: str) -> object:
        raise ImportError(name)

    monkeypatch.setattr(pades, "import_module", missing)
    for asked in (lambda: sign_document(plain, keys[0], "x"), lambda: document_signatures(plain)):
        with pytest.raises(MissingExtraError, match="'pyhanko', which is not installed") as caught:
            asked()
        assert caught.value.do_next is not None
        assert "[sign]" in caught.value.do_next


@pytest.mark.skipif(shutil.which("pdfsig") is None, reason="pdfsig (poppler-utils) is not installed")
def test_an_independent_reader_finds_the_signatures_valid(
    plain: bytes, keys: tuple[DocumentKey, DocumentKey], tmp_path: Path
) -> None:
    signed = sign_document(sign_document(plain, keys[0], "figures seen"), keys[1], "approved")
    path = tmp_path / "signed.pdf"
    for data, count in ((signed, 2), (flipped(signed, 30, 1), 0)):
        path.write_bytes(data)
        done = subprocess.run(["pdfsig", "-nocert", str(path)], capture_output=True, text=True, timeout=60)
        assert done.stdout.count("Signature is Valid.") == count, done.stdout + done.stderr
    path.write_bytes(signed)
    done = subprocess.run(["pdfsig", "-nocert", str(path)], capture_output=True, text=True, timeout=60)
    assert "Signer Certificate Common Name: B. Quality" in done.stdout
    assert done.stdout.count("Signature Type: ETSI.CAdES.detached") == 2
    assert done.stdout.count("Total document signed") == 1
