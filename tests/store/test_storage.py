"""What a store needs of the place of its files holds for a folder and for an object store alike."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchpipe.store.folder_storage import FolderStorage
from benchpipe.store.manifest import Part
from benchpipe.store.open_storage import part_path, read_file, remove_file, storage_of
from benchpipe.store.storage import Storage
from tests.store.objects import on_machine


@pytest.fixture(params=["folder", "object store"])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Path]:
    """A store with a part and two small files of a run."""
    if request.param == "folder":
        place = tmp_path / "store"
        (place / "run" / "cycles").mkdir(parents=True)
        (place / "run" / "cycles" / "1.parquet").write_bytes(b"part")
        yield filled(place)
    else:
        pytest.importorskip("obstore", reason="the extra s3 is not installed")
        from obstore.store import MemoryStore

        memory = MemoryStore()
        memory.put("run/cycles/1.parquet", b"part")
        with on_machine(tmp_path / "cache", memory) as place:
            yield filled(place)


def filled(place: Path) -> Path:
    storage_of(place).keep("run/notes.jsonl", b"one\n")
    storage_of(place).keep("run/history/000001.json", b"{}")
    storage_of(place).keep("ledger.jsonl", b"entry\n")
    return place


@pytest.fixture
def files(store: Path) -> Storage:
    storage_of.cache_clear()
    return storage_of(store)


def part(data: bytes) -> Part:
    sha = hashlib.sha256(data).hexdigest()
    return Part(table="cycles", path="cycles/1.parquet", rows=1, bytes=len(data), sha256=sha)


def test_files_are_listed_by_their_last_name(files: Storage) -> None:
    assert {name: one.size for name, one in files.list("run/cycles").items()} == {"1.parquet": 4}
    assert set(files.list("run")) >= {"notes.jsonl"}
    assert files.list("run/gone") == {}
    assert files.runs() >= {"run"}
    assert [files.exists(name) for name in ("run", "run/history", "run/notes.jsonl", "run/gone", "gone")] == [
        True, True, True, False, False
    ]  # fmt: skip


def test_a_small_file_is_written_read_and_removed(store: Path, files: Storage) -> None:
    before = files.read("run/notes.jsonl")
    files.keep("run/notes.jsonl", b"one\ntwo\n")
    now = files.read("run/notes.jsonl")
    assert (before.data, now.data) == (b"one\n", b"one\ntwo\n")
    assert before.tag != now.tag
    assert (store / "run" / "notes.jsonl").read_bytes() == now.data
    assert read_file(store / "ledger.jsonl") == b"entry\n"
    remove_file(store / "run" / "notes.jsonl")
    files.remove(["run/notes.jsonl"])
    for name in ("run/notes.jsonl", "run/gone", "gone"):
        with pytest.raises(FileNotFoundError):
            files.read(name)


def test_a_part_is_here_and_its_hash_is_of_what_is_stored(store: Path, files: Storage) -> None:
    assert part_path(store / "run", part(b"part")).read_bytes() == b"part"
    assert files.stat_and_hash("run/cycles/1.parquet", 4) == (4, hashlib.sha256(b"part").hexdigest())
    assert files.stat_and_hash("run/cycles/1.parquet", 5) == (4, "")
    with pytest.raises(FileNotFoundError):
        files.stat_and_hash("run/cycles/2.parquet", 4)
    assert files.confirm("run/cycles/2.parquet") is None


def test_a_file_and_a_folder_are_moved(store: Path, files: Storage) -> None:
    files.keep("run/quarantine/0001.json", b"{}")
    files.move("run/cycles/1.parquet", "run/quarantine/0001-cycles-1.parquet")
    files.move("run/history", "run/quarantine/0001-history")
    assert not files.exists("run/cycles/1.parquet")
    assert files.list("run/quarantine")["0001-cycles-1.parquet"].size == 4
    assert files.exists("run/quarantine/0001-history/000001.json")
    assert not files.exists("run/history")
    with pytest.raises(FileNotFoundError):
        files.move("run/gone", "run/quarantine/gone")


def test_a_folder_needs_nothing_of_this(tmp_path: Path) -> None:
    files = FolderStorage(tmp_path)
    files.pull("run", every=True)
    files.forget()
    files.trim()
    files.must_have_conditions()
    files.fetch_all("run")
    files.send_all("run", ["x"])
    assert list(tmp_path.iterdir()) == []
