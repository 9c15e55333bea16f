"""A wrong address, no rights, an expired credential: one error that says what to do, without a key; nothing changes."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import pytest

from benchpipe.cli.main import call
from benchpipe.errors import StoreError
from benchpipe.mirrors import HOME, spelled, store_name, store_place
from benchpipe.store.mirror import Mirror
from benchpipe.store.object_client import TRIES, NoAnswerError
from benchpipe.store.object_probe import FOLDER, must_have_conditions, probe
from benchpipe.store.object_requests import Requests
from benchpipe.store.open_storage import storage_of
from tests.ingest.taken import HEAD, Run, rows
from tests.store.loopback import refusing
from tests.store.objects import Aged, Fault, credentials
from tests.store.objects import Requests as Counting

KEY, SECRET = "KEYOFTHETEST", "secretofthetest"


@pytest.fixture
def lab(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A lab whose store is on an object store."""
    monkeypatch.setenv(HOME, str(tmp_path / "cache"))
    monkeypatch.setenv(TRIES, "0")
    run = Run(tmp_path)
    run.write("a.csv", HEAD + rows(0, 30))
    return with_store(tmp_path, "s3://lab/bench")


def with_store(folder: Path, store: str) -> Path:
    storage_of.cache_clear()
    path = folder / "lab.toml"
    path.write_text(f'name = "lab"\nstore = "{store}"\nplans = ["plan.toml"]\n', "utf-8")
    return path


def refused(lab: Path, capsys: pytest.CaptureFixture[str], code: int, *commands: str) -> str:
    """The one error of each command, which leaves with a code and writes nothing but the cache."""
    before = {path for path in lab.parent.rglob("*") if "cache" not in path.parts}
    texts = []
    for command in commands or ("nightly", "show", "verify", "doctor"):
        storage_of.cache_clear()
        arguments = {"show": ["show", "run", "--lab", str(lab)], "verify": ["verify", "--lab", str(lab)]}
        assert call(arguments.get(command, [command, str(lab)])) == code, command
        out, err = capsys.readouterr()
        texts.append(" ".join((out if command == "doctor" else err).split()))
        assert texts[-1].count("do next:") == 1 or "is not installed" in texts[-1], texts[-1]
        assert "Traceback" not in out + err
        for secret in (KEY, SECRET, str(lab.parent / "cache" / "s3")):
            assert secret not in out + err, command
    assert {path for path in lab.parent.rglob("*") if "cache" not in path.parts} == before
    return texts[0]


REFUSALS = {
    "NoSuchBucket": (404, "there is no such bucket", "correct the address"),
    "AccessDenied": (403, "this account has no right to it", "s3:ListBucket"),
    "ExpiredToken": (400, "the credential has expired", "get a new one into the environment"),
    "InvalidAccessKeyId": (403, "does not know the key", "set AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY"),
    "SignatureDoesNotMatch": (403, "the secret does not go with the key", "set AWS_ACCESS_KEY_ID"),
    "RequestTimeTooSkewed": (403, "clock is too far off", "set it by a time server"),
    "PermanentRedirect": (301, "the region is not the bucket's", "set AWS_REGION"),
    "SlowDown": (503, "does not answer (SlowDown)", "run again; nothing was lost"),
}


@pytest.mark.parametrize("code", REFUSALS)
def test_what_a_server_refuses_is_one_error_without_a_key(
    lab: Path, code: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("obstore", reason="the extra s3 is not installed")
    status, what, do_next = REFUSALS[code]
    more = f"<AWSAccessKeyId>{KEY}</AWSAccessKeyId><StringToSign>{SECRET}</StringToSign>"
    with refusing(status, code, more) as endpoint:
        credentials(monkeypatch, endpoint)
        error = refused(lab, capsys, 12)
    assert what in error
    assert do_next in error
    assert "s3://lab/bench" in error


def test_no_server_is_one_error(
    lab: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("obstore", reason="the extra s3 is not installed")
    credentials(monkeypatch, "http://127.0.0.1:9")
    assert "does not answer" in refused(lab, capsys, 12)


def test_without_an_answer_the_other_runs_of_a_night_are_not_tried(tmp_path: Path) -> None:
    pytest.importorskip("obstore", reason="the extra s3 is not installed")
    from obstore.store import MemoryStore

    asked = Counting(MemoryStore())
    asked.fault = Fault("storm", 2)
    mirror = Mirror(tmp_path, Requests(asked, "s3://lab/bench"))
    mirror.pull("a")
    for run in ("b", "c", "d"):
        with pytest.raises(NoAnswerError, match=r"does not answer \(503\)"):
            mirror.pull(run)
    assert asked.count == 2
    mirror._gone_until = 0.0  # ten seconds later
    with pytest.raises(NoAnswerError):
        mirror.pull("b")
    assert asked.count == 3
    mirror.pull("a")  # as it was pulled


def test_no_credentials_is_one_error_and_no_request(
    lab: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("obstore", reason="the extra s3 is not installed")
    credentials(monkeypatch)
    monkeypatch.delenv("AWS_ACCESS_KEY_ID")
    assert "no credentials for the object store are in the environment" in refused(lab, capsys, 2)


def test_a_missing_extra_is_one_error(
    lab: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    credentials(monkeypatch)
    for name in [one for one in sys.modules if one.split(".")[0] == "obstore"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "obstore", None)
    error = refused(lab, capsys, 2, "nightly", "show", "verify")
    assert "needs the library 'obstore', which is not installed" in error
    assert "'.[s3]'" in error


ADDRESSES = {
    "ftp://host/x": "the kind of store 'ftp' is not known",
    "gs://lab/x": "the kind of store 'gs' is not known",
    "file:///x": "the kind of store 'file' is not known",
    "s3://": "the name of a bucket",
    "s3://Lab": "the name of a bucket",
    "s3://lab/a//b": "between single slashes",
    "s3://lab/../b": "between single slashes",
    f"s3://{KEY}:{SECRET}@lab/b": "keys are read from the environment",
    f"s3://lab/b?secret={SECRET}": "keys are read from the environment",
    "s3://lab/" + "x" * 250: "at most 200 letters",
}


@pytest.mark.parametrize("address", ADDRESSES)
def test_an_address_that_is_none_is_a_usage_error_and_makes_no_folder(
    lab: Path, address: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    with_store(lab.parent, address)
    assert ADDRESSES[address] in refused(lab, capsys, 2, "nightly", "show", "verify", "doctor")
    with_store(lab.parent, "store")
    monkeypatch.chdir(lab.parent)
    before = set(lab.parent.rglob("*"))
    assert call(["check", str(lab.parent / "plan.toml"), "--store", address]) == 2
    out, err = capsys.readouterr()
    assert ADDRESSES[address] in err
    assert SECRET not in out + err
    assert set(lab.parent.rglob("*")) == before


def test_an_archive_is_a_folder(lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call(["archive", "run", "--to", "s3://lab/archive", "--lab", str(lab)]) == 2
    assert "names no folder" in capsys.readouterr().err


def test_a_mirror_has_the_name_of_its_address(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(HOME, str(tmp_path / "a cache"))
    for address in ("s3://lab", "s3://lab/a/b.c-d_e"):
        place = store_place(address + "/")
        assert place is not None
        assert place.parent == tmp_path / "a cache"
        assert store_name(place) == address
        assert spelled(f"see '{place}/run/x.json', or {place}") == f"see '{address}/run/x.json', or {address}"
    assert store_place("store") is store_place("/a/s3:/b") is store_place("C:/x") is None


class Careless:
    """A server that does not keep to some condition."""

    def __init__(self, client: Any, ignored: str) -> None:
        self.client, self.ignored = client, ignored

    def __getattr__(self, name: str) -> Any:
        return getattr(self.client, name)

    def put(self, name: str, data: Any, **named: Any) -> Any:
        mode = named.pop("mode", None)
        kept = mode is None or (mode == "create") == (self.ignored != "create")
        return self.client.put(name, data, **({"mode": mode} if kept and mode is not None else {}), **named)


@pytest.mark.parametrize("ignored", ["create", "replace"])
def test_a_server_without_conditions_is_refused(ignored: str) -> None:
    pytest.importorskip("obstore", reason="the extra s3 is not installed")
    from obstore.store import MemoryStore

    memory = MemoryStore()
    must_have_conditions(Requests(memory, "s3://lab/bench"))
    with pytest.raises(StoreError, match="does not keep to conditions of a write") as caught:
        must_have_conditions(Requests(Careless(memory, ignored), "s3://lab/bench"))
    assert "If-Match" in str(caught.value.do_next)
    assert memory.list().collect() == []


def test_a_probe_measures_and_leaves_nothing() -> None:
    pytest.importorskip("obstore", reason="the extra s3 is not installed")
    from obstore.store import MemoryStore

    memory = MemoryStore()
    memory.put(f"{FOLDER}/old", b"of a job that was killed")
    memory.put(f"{FOLDER}/new", b"of a job that is at it")
    found = probe(Requests(Aged(memory, {f"{FOLDER}/old"}), "s3://lab/bench"))
    assert abs(found.skew_s) < 1.0
    assert min(found.request_s, found.sent, found.fetched) > 0.0
    assert [one["path"] for one in memory.list().collect()] == [f"{FOLDER}/new"]
