"""A job killed, an answer lost or late, a storm of refusals, a rival: each ends as one clean pass, nothing lost."""

from __future__ import annotations

import os
import random
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from benchpipe.errors import StoreBusyError, StoreError
from benchpipe.pipeline import work
from benchpipe.run import RunConfig, load_run
from benchpipe.store.run_store import HISTORY, MANIFEST
from tests.ingest.taken import HEAD, Run, rows
from tests.store.objects import KINDS, Fault, KilledError, Requests, files, objects, on_machine

pytest.importorskip("obstore", reason="the extra s3 is not installed")
NIGHTS = 3
SEED = 20261130
DRAWN = 320


def logs_of_night(run: Run, night: int) -> None:
    """Logs as they are in the night: one more day, and the last of the day before."""
    for day in range(night + 1):
        text = HEAD + rows(300 * day, 300 * day + (150 if day == night and night < NIGHTS - 1 else 300))
        path = run.write(f"{day}.csv", text)
        os.utime(path, (1_800_000_000 + len(text), 1_800_000_000 + len(text)))  # manifests hold the times of the logs


def config_of(run: Run, store: Path) -> RunConfig:
    """The run with its tables in a store."""
    return load_run(run.folder / "plan.toml", store=store)


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """What a store in a folder holds after all nights."""
    run = Run(tmp_path_factory.mktemp("clean"))
    for night in range(NIGHTS):
        logs_of_night(run, night)
        work(run.config)
    return files(run.config.store)


@pytest.fixture(scope="module")
def counted(tmp_path_factory: pytest.TempPathFactory) -> list[int]:
    """Requests of each night where nothing fails."""
    from obstore.store import MemoryStore

    folder, requests, found = tmp_path_factory.mktemp("counted"), Requests(MemoryStore()), []
    run = Run(folder)
    for night in range(NIGHTS):
        logs_of_night(run, night)
        with on_machine(folder / "cache", requests) as store:
            work(config_of(run, store))
        found.append(requests.count)
        requests.count = 0
    return found


def work_through(folder: Path, kind: str, night: int, at: int, *, same_machine: bool) -> tuple[Any, bool]:
    """All nights of a run; one request of one night fails, and after that the same or another machine goes on."""
    from obstore.store import MemoryStore

    memory, run = MemoryStore(), Run(folder)
    came = False
    for number in range(NIGHTS):
        logs_of_night(run, number)
        requests, cache = Requests(memory), folder / "cache"
        if number == night:

            def rival() -> None:
                with on_machine(folder / "rival", memory) as other:
                    work(config_of(run, other))

            requests.fault = Fault(kind, at, rival)
            with on_machine(cache, requests) as store, suppress(KilledError, StoreError, StoreBusyError):
                work(config_of(run, store))
            came = requests.fault.came
            cache = cache if same_machine else folder / "another"
            with on_machine(cache, memory) as store:
                work(config_of(run, store))
        else:
            with on_machine(cache, memory) as store:
                work(config_of(run, store))
    return memory, came


def must_be_as_clean(memory: Any, clean: dict[str, bytes], label: str) -> None:
    """All that counts is to the last byte as on a folder; what is there besides never counted."""
    found = objects(memory)
    wrong = {name for name in clean if found.get(name) != clean[name]}
    assert not wrong, f"{label}: {sorted(wrong)}"
    besides = {name for name in found if name not in clean}
    assert all(name.endswith(".parquet") for name in besides), f"{label}: {sorted(besides)}"


def drawn(counted: list[int], first: int, count: int) -> list[tuple[str, int, int, bool]]:
    """Faults: kind, night, request of it, and whether the same machine goes on; the same for the same numbers."""
    found = []
    for number in range(first, first + count):
        draw = random.Random(SEED + number)
        night = draw.randrange(NIGHTS)
        at = 1 + draw.randrange(counted[night])
        found.append((KINDS[number % len(KINDS)], night, at, draw.random() < 0.5))
    return found


def run_drawn(tmp_path: Path, counted: list[int], clean: dict[str, bytes], first: int, count: int) -> None:
    """Work through some drawn faults."""
    came = 0
    for number, (kind, night, at, same) in enumerate(drawn(counted, first, count), first):
        label = f"fault {number}: {kind} at request {at} of night {night}"
        memory, did = work_through(tmp_path / str(number), kind, night, at, same_machine=same)
        must_be_as_clean(memory, clean, label)
        came += did
    assert came == count


def test_nights_on_an_object_store_are_those_on_a_folder(
    tmp_path: Path, clean: dict[str, bytes], counted: list[int]
) -> None:
    memory, _ = work_through(tmp_path, "none", 1, 0, same_machine=True)
    assert objects(memory) == clean
    assert f"run/{MANIFEST}" in clean
    assert f"run/{HISTORY}/000001.json" in clean
    assert len(counted) == NIGHTS


def test_drawn_faults_end_as_a_clean_pass(tmp_path: Path, clean: dict[str, bytes], counted: list[int]) -> None:
    run_drawn(tmp_path, counted, clean, 0, 2 * len(KINDS))


@pytest.mark.soak
@pytest.mark.parametrize("first", range(0, DRAWN, 20))
def test_many_drawn_faults(tmp_path: Path, clean: dict[str, bytes], counted: list[int], first: int) -> None:
    run_drawn(tmp_path, counted, clean, first, 20)
