"""Lost answers, 503, slow answers, no server, processes killed at a request of a real client: as one clean pass."""

from __future__ import annotations

import os
import random
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchpipe.cli.main import call
from benchpipe.mirrors import HOME
from benchpipe.store.object_client import TRIES, open_client
from benchpipe.store.open_storage import storage_of
from tests.ingest.taken import HEAD, Run, rows
from tests.store.faulty_proxy import KINDS, faulty
from tests.store.loopback import s3_server
from tests.store.objects import ADDRESS, credentials, files, objects

pytest.importorskip("obstore", reason="the extra s3 is not installed")
pytest.importorskip("moto.server", reason="moto[server] is not installed")
SEED = 20261201
REQUESTS = 24  # about as many as a night of this run makes


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    with s3_server() as endpoint:
        yield endpoint


def small_run(folder: Path) -> Run:
    run = Run(folder)
    for day in range(2):
        path = run.write(f"{day}.csv", HEAD + rows(300 * day, 300 * day + 300))
        os.utime(path, (1_800_000_000, 1_800_000_000))
    return run


def lab_of(run: Run, store: str) -> Path:
    path = run.folder / "lab.toml"
    path.write_text(f'name = "lab"\nstore = "{store}"\nplans = ["plan.toml"]\n', "utf-8")
    return path


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    run = small_run(tmp_path_factory.mktemp("clean"))
    call(["nightly", str(lab_of(run, "store")), "--brief"])
    return files(run.folder / "store")


def drawn(number: int) -> tuple[str, int]:
    return KINDS[number % len(KINDS)], random.Random(SEED + number).randint(1, REQUESTS)


def one_fault(
    number: int, server: str, folder: Path, clean: dict[str, bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A night with a fault, then one without: all is there, and nothing else."""
    kind, at = drawn(number)
    address = f"{ADDRESS}-{number}"
    lab = lab_of(small_run(folder), address)
    credentials(monkeypatch, server)
    monkeypatch.setenv(HOME, str(folder / "cache"))
    storage_of.cache_clear()
    with faulty(server, kind, at) as (endpoint, proxy):
        environment = os.environ | {"AWS_ENDPOINT_URL": endpoint}
        if kind.startswith("killed"):
            command = [sys.executable, "-m", "benchpipe", "nightly", str(lab), "--brief"]
            with subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as job:
                proxy.pid = job.pid
                job.communicate()
            assert (job.returncode == -9) == (proxy.count >= at)
        else:
            monkeypatch.setenv("AWS_ENDPOINT_URL", endpoint)
            monkeypatch.setenv(TRIES, "1" if kind == "down" else "6")
            code = call(["nightly", str(lab), "--brief"])
            assert code == (12 if kind == "down" and proxy.count >= at else 11)  # what is repeated leaves no trace
            monkeypatch.setenv("AWS_ENDPOINT_URL", server)
    storage_of.cache_clear()
    assert call(["nightly", str(lab), "--brief"]) == 11
    found = objects(open_client(address))
    assert {name for name in clean if found.get(name) != clean[name]} == set(), f"{kind} at request {at}"
    besides = {name for name in set(found) - set(clean) if not name.endswith(".parquet")}
    assert all(name.startswith(".probe/") for name in besides), besides  # of the first night, which tries the server


@pytest.mark.parametrize("number", range(6))
def test_a_fault_of_a_request_ends_as_a_clean_pass(
    number: int, server: str, tmp_path: Path, clean: dict[str, bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    one_fault(number, server, tmp_path, clean, monkeypatch)


@pytest.mark.soak
@pytest.mark.parametrize("number", range(6, 66))
def test_many_faults_of_requests(
    number: int, server: str, tmp_path: Path, clean: dict[str, bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    one_fault(number, server, tmp_path, clean, monkeypatch)


@pytest.mark.soak
def test_two_machines_at_once_end_as_one_clean_pass(
    server: str, tmp_path: Path, clean: dict[str, bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    credentials(monkeypatch, server)
    for number in range(6):
        address = f"{ADDRESS}-both-{number}"
        lab = lab_of(small_run(tmp_path / str(number)), address)
        command = [sys.executable, "-m", "benchpipe", "nightly", str(lab), "--brief"]
        jobs = [
            subprocess.Popen(
                command, env=os.environ | {HOME: str(tmp_path / f"{number}-{machine}")},
                stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
            )
            for machine in "ab"
        ]  # fmt: skip
        said = [job.communicate()[1].decode() for job in jobs]
        assert {job.returncode for job in jobs} <= {11, 75}, said
        assert 11 in {job.returncode for job in jobs}
        monkeypatch.setenv(HOME, str(tmp_path / f"{number}-c"))
        storage_of.cache_clear()
        assert call(["nightly", str(lab), "--brief"]) == 11
        found = objects(open_client(address))
        assert {name for name in clean if found.get(name) != clean[name]} == set()
