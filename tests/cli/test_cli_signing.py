"""Keys, signatures and verification as a person types them: screens, exit codes, and what is refused."""

from __future__ import annotations

import json
import re
import shlex
import shutil
import sys
import threading
from collections.abc import Sequence
from pathlib import Path

import pytest

from benchpipe.cli.main import call
from benchpipe.store.ledger_file import LEDGER
from benchpipe.store.lock import hold_store
from tests.ledger.signers import PASSPHRASE

pytest.importorskip("cryptography")

HASH = re.compile(r"\b[0-9a-f]{64}\b")
TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d\d:\d\d")
DAY = re.compile(r"\d{4}-\d\d-\d\d")
APPROVE = ["--meaning", "approved", "--reason", "figures and record reviewed"]


class Desk:
    """A lab, a folder of keys beside it, and commands typed in the lab's folder."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.lab, self.keys, self._capsys = folder / "sample_runs" / "lab.toml", folder.parent / "keys", capsys
        self.keys.mkdir()
        for name in ("one", "two"):
            self.secret(f"{name}.txt", PASSPHRASE)

    def secret(self, name: str, text: str) -> Path:
        path = self.keys / name
        path.write_text(f"{text}\n", encoding="utf-8")
        path.chmod(0o600)
        return path

    def run(self, *words: str) -> tuple[int, str, str]:
        """Exit code, standard output and standard error."""
        self._capsys.readouterr()
        code = call(list(words))
        out, err = self._capsys.readouterr()
        return int(code), out, err

    def screen(self, *words: str) -> str:
        """Standard output of a command that works, without what differs each time."""
        code, out, err = self.run(*words)
        assert code == 0, err
        return DAY.sub("DAY", TIME.sub("TIME", HASH.sub("HASH", out)))

    def key(self, *names: str) -> list[str]:
        """Options that give keys and their passphrases."""
        words = [[f"--key={self.keys / name}.p12", f"--passphrase-file={self.keys / name}.txt"] for name in names]
        return [word for pair in words for word in pair]

    def file(self, name: str) -> list[str]:
        return [str(self.keys / f"{name}.p12"), f"--passphrase-file={self.keys / name}.txt"]

    def make(self, name: str, person: str) -> str:
        return self.screen("key", *self.file(name), "--make", "--name", person)

    def name_signers(self, roles: Sequence[tuple[str, str]], persons: int = 1) -> None:
        """Paste what `benchpipe key` shows into the lab file."""
        text = f"\n[signing]\npersons = {persons}\n"
        for name, role in roles:
            _, out, _ = self.run("key", *self.file(name))
            text += "\n" + "\n".join(out.split("\n")[6:10]).replace("ROLE", role) + "\n"
        self.lab.write_text(self.lab.read_text(encoding="utf-8") + text, encoding="utf-8")

    def with_one_signer(self) -> Desk:
        self.make("one", "A. Reviewer")
        self.name_signers([("one", "laboratory")])
        assert self.run("key", *self.file("one"), "--admit")[0] == 0
        return self


@pytest.fixture
def desk(
    sample_lab: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Desk:
    pages = shutil.ignore_patterns(".benchpipe-pages.*")  # other tests write pages of the shared lab
    shutil.copytree(sample_lab.parents[1], tmp_path / "lab", ignore=pages)
    monkeypatch.chdir(tmp_path / "lab" / "sample_runs")
    return Desk(tmp_path / "lab", capsys)


def test_from_a_key_to_a_signed_run_that_is_verified(desk: Desk) -> None:
    where = shlex.quote(str(desk.keys / "one.p12"))
    assert desk.make("one", "A. Reviewer") == (
        f"{where}: key of A. Reviewer, made\n  valid     DAY to DAY\n  key       HASH\n\n"
        "For the lab file, with the role of the person:\n\n"
        '[[signer]]\nname = "A. Reviewer"\nrole = "ROLE"\nkey = "HASH"\n\n'
        f"Then: benchpipe key {where} --admit --lab FILE\n"
    )
    desk.name_signers([("one", "laboratory")])
    assert desk.screen("key", *desk.file("one"), "--admit") == (
        "A. Reviewer, laboratory may sign from now on\n  key       HASH\n  ledger    entry 1, SHA-256 HASH\n"
    )
    assert desk.screen("sign", "healthy", *APPROVE, *desk.key("one")) == (
        "healthy: state 4 (pass) approved\n  by        A. Reviewer, laboratory\n  when      TIME\n"
        "  reason    figures and record reviewed\n  verdicts  HASH\n  manifest  HASH\n"
        "  ledger    entry 2, SHA-256 HASH\n"
    )
    code, out, _ = desk.run("show", "healthy")
    assert (code, "pass, approved by A. Reviewer, laboratory on 20" in out) == (0, True)
    assert "(state 4, ledger entry 2)" in " ".join(out.split())
    screen = re.sub(r"[\d.]+ MB", "N MB", desk.screen("verify", "healthy"))
    assert screen == (
        "holds      notes: 7 of 7 can be read (they have no seal)\n"
        "holds      ledger: entry 2, SHA-256 HASH, 1 key(s) may sign\n"
        "holds      healthy: manifest: state 5 is sealed, is the copy of that number, and follows from 4 before\n"
        "holds      healthy: ledger entry 2: approved by A. Reviewer, laboratory on TIME (state 4)\n"
        "holds      healthy: configuration: 5 file(s) are what their names say, and 1 list(s) are complete\n"
        "holds      healthy: parts: 21 of 21, N MB\n"
        "holds      healthy: logs: 2 of 2, N MB as it was taken\n"
    )
    assert desk.run("drop", "healthy")[0] == 0
    assert desk.run("nightly", "--brief")[0] == 10
    assert desk.run("verify")[0] == 0


def test_a_run_that_does_not_pass_is_signed_with_a_deviation_only(desk: Desk) -> None:
    desk.with_one_signer()
    code, _, err = desk.run("sign", "creeping-lock", *APPROVE, *desk.key("one"))
    assert (code, err) == (2, (
        "error: run 'creeping-lock' is fail: it is signed with a deviation only\n"
        "  got:      'creep in 10 min, locked' (held-60): fail; 'creep in 10 min, locked' (held-90): fail\n"
        "  do next:  say why it is signed all the same: --deviation \"TEXT\"\n"
    ))  # fmt: skip
    screen = desk.screen("sign", "creeping-lock", *APPROVE, *desk.key("one"), "--deviation", "limit under review")
    assert "creeping-lock: state 4 (fail) approved\n" in screen
    assert "  deviation limit under review\n" in screen
    assert "deviation: limit under review" in " ".join(desk.run("show", "creeping-lock")[1].split())


def test_two_persons(desk: Desk) -> None:
    desk.make("one", "A. Reviewer")
    desk.make("two", "B. Quality")
    desk.name_signers([("one", "laboratory"), ("two", "quality assurance")], persons=2)
    assert desk.run("key", *desk.file("one"), "--admit")[0] == 0
    code, _, err = desk.run("key", *desk.file("two"), "--admit")
    assert (code, err) == (2, (
        "error: a person who may sign already must admit B. Quality\n  expected: the key of A. Reviewer\n"
        "  do next:  give it with --with FILE\n"
    ))  # fmt: skip
    by = [word.replace("--key", "--with") for word in desk.key("one")]
    admitted = desk.screen("key", *desk.file("two"), "--admit", *by)
    assert admitted.startswith("B. Quality, quality assurance may sign from now on, admitted by A. Reviewer\n")
    assert desk.run("sign", "healthy", *APPROVE, *desk.key("one", "one"))[0] == 0
    code, _, err = desk.run("drop", "healthy")
    assert (code, "1 of 2 persons have signed it" in err) == (2, True)  # the same person twice is one
    assert "  by        A. Reviewer, laboratory\n  by        B. Quality, quality assurance\n" in desk.screen(
        "sign", "healthy", *APPROVE, *desk.key("one", "two")
    )
    code, _, err = desk.run("key", *desk.file("one"), "--revoke", json_key(desk, 1), "--reason", "left the laboratory")
    assert code == 0, err
    code, _, err = desk.run("sign", "wearing", *APPROVE, *desk.key("two"))
    assert (code, err) == (2, (
        "error: the key of B. Quality was revoked by entry 5 of the ledger\n"
        f"  where:    {desk.lab.parent / 'store' / LEDGER}\n"
        "  do next:  make another key and admit it: benchpipe key FILE --admit\n"
    ))  # fmt: skip
    assert desk.run("verify", "healthy")[0] == 0
    withdrawn = desk.screen("sign", "healthy", "--meaning", "withdrawn", "--reason", "rig was moved", *desk.key("one"))
    assert withdrawn.startswith("healthy: state 6 (pass) withdrawn\n")
    assert "its sign-off was withdrawn" in desk.run("drop", "healthy")[2]
    code, _, err = desk.run("sign", "healthy", "--meaning", "withdrawn", "--reason", "again", *desk.key("one"))
    assert (code, err) == (2, "error: run 'healthy' has no sign-off to withdraw\n")


def json_key(desk: Desk, number: int) -> str:
    """Print of the key of a signer of the lab file."""
    return HASH.findall(desk.lab.read_text(encoding="utf-8"))[number]


def test_what_is_refused_says_why_and_writes_nothing(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    desk.with_one_signer()
    before = (desk.lab.parent / "store" / LEDGER).read_bytes()
    wrong = desk.secret("wrong.txt", "another passphrase")
    open_file = desk.secret("open.txt", PASSPHRASE)
    open_file.chmod(0o644)
    one = str(desk.keys / "one.p12")
    sign = ["sign", "healthy", *APPROVE]
    for words, why in (
        ([*sign, "--key", one, "--passphrase-file", str(wrong)], "the passphrase is wrong, or the file is no PKCS#12"),
        ([*sign, "--key", one, "--passphrase-file", str(open_file)], "other accounts can read the passphrase file"),
        ([*sign, "--key", one], "there is no terminal to ask for the passphrase on"),
        ([*sign, "--key", str(desk.keys / "no.p12")], "the key file cannot be read: No such file"),
        ([*sign], "Missing option '--key'"),
        (["sign", "healthy", "--meaning", "approve", "--reason", "x", *desk.key("one")], "did you mean 'approved'?"),
        (["sign", "healthy", "--meaning", "approved", "--reason", " ", *desk.key("one")], "--reason must not be empty"),
        (["key", *desk.file("one"), "--make", "--admit"], "--make, --admit and --revoke are given together"),
        (["key", *desk.file("one"), "--make", "--name", "A"], "a key is never overwritten"),
        (["key", *desk.file("one"), "--admit"], "was admitted before, by entry 1"),
        (["key", "new.p12", "--make", "--name", "A"], "a key is not kept in a lab"),
        (["key", *desk.file("one"), "--revoke", json_key(desk, 0), "--reason", "x"], "the last key that may sign"),
        (["sign", "healthy", *APPROVE, *desk.key("one"), "--store", "new"], "no entry of the ledger admits the key"),
        (["verify", "--head", "7"], "'7' is no head of a ledger"),
    ):  # fmt: skip
        code, out, err = desk.run(*words)
        assert (code, out) == (2, ""), (words, err)
        assert why in err, (why, err)
        assert "Traceback" not in err
    (desk.keys / "one.p12").chmod(0o640)
    assert "other accounts can read the key file" in desk.run(*sign, *desk.key("one"))[2]
    assert (desk.lab.parent / "store" / LEDGER).read_bytes() == before
    assert desk.run("verify")[0] == 0


def test_two_who_sign_at_once(desk: Desk) -> None:
    desk.with_one_signer()
    store = desk.lab.parent / "store"
    with hold_store(store):
        code, _, err = desk.run("sign", "healthy", *APPROVE, *desk.key("one"))
        assert (code, "another job holds the store" in err) == (75, True)
    held, ended = hold_store(store), threading.Event()
    held.__enter__()
    threading.Timer(0.5, lambda: (held.__exit__(None, None, None), ended.set())).start()
    assert desk.run("sign", "healthy", *APPROVE, *desk.key("one"), "--wait", "30")[0] == 0
    assert ended.wait(5)
    assert len((store / LEDGER).read_bytes().splitlines()) == 2


def test_verify_says_what_changed_and_the_night_does(desk: Desk) -> None:
    desk.with_one_signer()
    head = re.findall(r"entry (\d+), SHA-256 (\w+)", desk.run("sign", "healthy", *APPROVE, *desk.key("one"))[1])[0]
    log = sorted(Path("healthy/logs").iterdir())[0]
    data = log.read_bytes()
    log.write_bytes(data[:-1] + bytes([data[-1] ^ 1]))
    code, out, _ = desk.run("verify", "healthy")
    assert code == 13
    assert out.startswith(f"changed    healthy: log logs/{log.name}: its first {len(data):,} bytes are not those that")
    code, out, _ = desk.run("verify", "healthy", "--json")
    document = json.loads(out)
    assert (code, document["exit_code"], document["version"], document["lines"][0]["status"]) == (13, 13, 1, "changed")
    assert document["lines"][0]["what"] == f"log logs/{log.name}"
    log.rename(log.with_name("away"))
    code, out, _ = desk.run("verify", "healthy")
    assert (code, out.startswith(f"not known  healthy: log logs/{log.name}: it is not there any more")) == (11, True)
    log.with_name("away").rename(log)
    log.write_bytes(data)
    assert desk.run("verify", "healthy", "--head", ":".join(head))[0] == 0
    assert desk.run("verify", "healthy", "--head", f"{head[0]}:{'0' * 64}")[0] == 13
    ledger = desk.lab.parent / "store" / LEDGER
    whole = ledger.read_bytes()
    ledger.write_bytes(whole.splitlines(keepends=True)[0])
    code, out, err = desk.run("nightly", "--brief")
    assert code == 13
    assert "stored data changed: the ledger ends with entry 1, and had 2 entries: its end was cut" in " ".join(
        (out + err).split()
    )
    code, _, err = desk.run("sign", "wearing", *APPROVE, *desk.key("one"), "--deviation", "x")
    assert (code, "its end was cut" in err) == (12, True)
    ledger.write_bytes(whole)
    assert desk.run("nightly", "--brief")[0] == 10
    assert desk.run("verify")[0] == 0


def test_no_read_command_shows_a_figure_of_another_run(desk: Desk) -> None:
    store = desk.lab.parent / "store"
    (store / "healthy").rename(store / "away")
    (store / "wearing").rename(store / "healthy")
    (store / "away").rename(store / "wearing")
    for words in (["show", "healthy"], ["show", "wearing"], ["explain", "healthy", "durability", "stiffness lost"],
                  ["export", "wearing", "verdicts"], ["trace", "healthy", "durability", "--cycle", "3"],
                  ["check", "healthy"], ["archive", "wearing", "--to", "../archive"], ["drop", "healthy"]):  # fmt: skip
        code, out, err = desk.run(*words)
        assert (code, out) == (12, ""), words
        assert "holds the tables of run" in err
    code, out, _ = desk.run("verify")
    assert code == 13
    assert "changed    healthy: manifest.json: it is of run 'wearing': folders changed places" in out
    code, out, _ = desk.run("nightly", "--brief")
    assert code == 13
    assert (store / "healthy" / "manifest.json").is_file()
    assert not (store / "healthy" / "quarantine").exists()  # nothing is set aside, made again or lost


def test_a_passphrase_is_asked_on_a_terminal_and_not_shown(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple[str, object]] = []

    def prompt(text: str, **options: object) -> str:
        asked.append((text, options["hide_input"]))
        return PASSPHRASE

    monkeypatch.setattr("benchpipe.cli.passphrases.typer.prompt", prompt)
    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    path = str(desk.keys / "typed.p12")
    assert desk.run("key", path, "--make", "--name", "A. Reviewer")[0] == 0
    assert desk.run("key", path)[0] == 0
    assert asked == [(f"Passphrase of {path}", True)] * 2


def test_without_the_extra_it_says_what_to_install(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    desk.with_one_signer()

    def missing(name: str) -> object:
        raise ImportError(name)

    monkeypatch.setattr("benchpipe.ledger.keys.import_module", missing)
    code, _, err = desk.run("sign", "healthy", *APPROVE, *desk.key("one"))
    assert (code, err) == (2, (
        "error: signing needs the library 'cryptography', which is not installed\n"
        "  do next:  in the checkout: pipx install --force '.[sign]'\n"
    ))  # fmt: skip
    code, out, _ = desk.run("verify", "healthy")
    assert (code, out.partition("\n")[0]) == (11, (
        "not known  ledger entry 1: its signatures cannot be verified: signing needs the library 'cryptography', which "
        "is not installed"
    ))  # fmt: skip
