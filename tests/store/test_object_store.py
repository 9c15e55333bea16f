"""A store on an object store: what holds for one in a folder holds there, and no job undoes the work of another."""

from __future__ import annotations

import errno
import json
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from benchpipe.errors import BenchpipeError, ExitCode, StoreBusyError, StoreError
from benchpipe.mirrors import mirrors_home
from benchpipe.pipeline import run_steps, work
from benchpipe.run import RunConfig, load_run
from benchpipe.store.archive import archive_run, restore_run
from benchpipe.store.cache import LIMIT
from benchpipe.store.files import HashingFile, told_as_store_error
from benchpipe.store.identity import mark_of, must_be_there, note_store
from benchpipe.store.ledger_file import append_line, read_lines
from benchpipe.store.lock import hold_store
from benchpipe.store.manifest import Step, key_of
from benchpipe.store.mending import QUARANTINE
from benchpipe.store.night_notes import cut_by_run, put_together
from benchpipe.store.notes import read_said, write_said
from benchpipe.store.open_storage import storage_of
from benchpipe.store.run_notes import append_note, read_notes
from benchpipe.store.run_store import HISTORY, MANIFEST, RunStore
from benchpipe.verify.line import Status
from benchpipe.verify.run import Verifying, verify
from tests.ingest.taken import HEAD, Run, rows
from tests.store.kept import night, samples, tables
from tests.store.objects import Aged, Fault, KilledError, Requests, objects, on_machine

pytest.importorskip("obstore", reason="the extra s3 is not installed")
NOW = datetime(2031, 5, 1, tzinfo=UTC)
Worked = tuple[Run, Any, Path]


@pytest.fixture
def memory() -> Any:
    from obstore.store import MemoryStore

    return MemoryStore()


@pytest.fixture
def store(tmp_path: Path, memory: Any) -> Iterator[Path]:
    """The mirror of a store on a machine."""
    with on_machine(tmp_path / "cache", memory) as place:
        yield place


@pytest.fixture
def run(tmp_path: Path, store: Path) -> Run:
    """A run of two logs, worked on."""
    made = Run(tmp_path / "run")
    made.write("a.csv", HEAD + rows(0, 300))
    made.write("b.csv", HEAD + rows(300, 600) + "x,y\n")
    work(config(made, store))
    return made


def config(run: Run, store: Path) -> RunConfig:
    return load_run(run.folder / "plan.toml", store=store)


def open_again(store: Path) -> RunStore:
    """The run as another process sees it."""
    storage_of.cache_clear()
    return RunStore(store, "run")


# --- damage ---------------------------------------------------------------------------------------------------

SPOILT: dict[str, Callable[[Any, str, bytes], object]] = {
    "cut": lambda memory, name, data: memory.put(name, data[:-1]),
    "flipped": lambda memory, name, data: memory.put(name, data[:9] + b"?" + data[10:]),
    "gone": lambda memory, name, _: memory.delete(name),
}


@pytest.mark.parametrize("how", SPOILT)
def test_a_damaged_part_is_set_aside_and_rebuilt(run: Run, memory: Any, store: Path, how: str) -> None:
    before, whole = tables(open_again(store)), objects(memory)
    for number, table in enumerate(("samples", "cycles"), 1):
        part = open_again(store).manifest().table(table)[-1]
        name = f"run/{part.path}"
        SPOILT[how](memory, name, whole[name])
        spoilt = objects(memory).get(name)
        storage_of.cache_clear()
        work(config(run, store))
        assert tables(open_again(store)) == before
        kept = f"run/{QUARANTINE}/{number:04d}-{part.path.replace('/', '-')}"
        assert objects(memory).get(kept) == spoilt


@pytest.mark.parametrize("how", SPOILT)
def test_a_damaged_manifest_is_the_newest_copy_again(run: Run, memory: Any, store: Path, how: str) -> None:
    whole = objects(memory)
    name = f"run/{MANIFEST}"
    SPOILT[how](memory, name, whole[name])
    storage_of.cache_clear()
    work(config(run, store))
    now = objects(memory)
    assert {one for one in whole if now.get(one) != whole[one]} <= {name}
    assert json.loads(now[name])["steps"]["check"] == json.loads(whole[name])["steps"]["check"]


def test_a_copy_of_this_machine_that_rotted_is_fetched_again(run: Run, memory: Any, store: Path) -> None:
    before, whole = tables(open_again(store)), objects(memory)
    path = next((store / "run" / "cycles").glob("*.parquet"))
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)
    assert tables(open_again(store)) == before
    assert path.read_bytes() == whole[f"run/cycles/{path.name}"]
    assert objects(memory) == whole


def test_verify_reads_what_is_stored_and_not_its_copy(run: Run, memory: Any, store: Path) -> None:
    asked = Verifying(store, {"run": run.folder})
    assert {line.status for line in verify(asked)} <= {Status.HOLDS, Status.UNKNOWN}
    part = open_again(store).manifest().table("cycles")[0]
    SPOILT["flipped"](memory, f"run/{part.path}", objects(memory)[f"run/{part.path}"])
    changed = [line for line in verify(asked) if line.status is Status.CHANGED]
    assert [(line.what, line.text) for line in changed] == [
        (f"part {part.path}", "its bytes are not those that were written")
    ]
    copy = f"run/{HISTORY}/000002.json"
    SPOILT["flipped"](memory, copy, objects(memory)[copy])  # of the same size, and this machine has a sound one
    assert f"{HISTORY}/000002.json" in {line.what for line in verify(asked) if line.status is Status.CHANGED}


@pytest.mark.parametrize("known", [True, False])
def test_an_emptied_bucket_is_no_new_store(run: Run, memory: Any, store: Path, tmp_path: Path, known: bool) -> None:
    lab = tmp_path / "lab.toml"
    with hold_store(store):
        note_store(lab, store, ["run"])
    must_be_there(lab, store)
    memory.delete([str(one["path"]) for one in memory.list().collect()])
    if not known:  # what was pulled is not known any more
        shutil.rmtree(store / ".pulled")
    storage_of.cache_clear()
    with pytest.raises(StoreError, match="the store that was here is gone") as caught:
        must_be_there(lab, store)
    assert "s3://lab/bench" in str(caught.value)
    assert str(mirrors_home()) not in str(caught.value)
    assert mark_of(store) is None


# --- two jobs -------------------------------------------------------------------------------------------------


def test_of_two_jobs_on_one_run_one_wins_and_the_other_leaves_with_75(
    run: Run, memory: Any, store: Path, tmp_path: Path
) -> None:
    run.write("c.csv", HEAD + rows(600, 900))
    late = config(run, store)
    late_store = late.open_store()
    late_store.manifest()  # it has read the run, and stops here

    with on_machine(tmp_path / "another", memory) as other:
        work(config(run, other))
    won = objects(memory)
    night_of_late = late_store.manifest()
    with pytest.raises(StoreBusyError) as caught:
        late_store.commit(night_of_late)
    assert caught.value.exit_code is ExitCode.STORE_BUSY == 75
    assert objects(memory) == won


def test_a_state_that_is_older_than_what_was_read_again_is_refused(
    run: Run, memory: Any, store: Path, tmp_path: Path
) -> None:
    late = RunStore(store, "run")
    old = late.manifest()
    run.write("c.csv", HEAD + rows(600, 900))
    with on_machine(tmp_path / "another", memory) as other:
        work(config(run, other))
    won = objects(memory)
    late.storage.forget()
    with pytest.raises(StoreBusyError, match="meanwhile"):
        late.commit(old)
    assert objects(memory) == won


@pytest.mark.parametrize("kind", ["lost", "repeated"])
def test_an_answer_that_was_lost_is_read_back(run: Run, memory: Any, tmp_path: Path, kind: str) -> None:
    for count in range(4):
        requests = Requests(memory)
        with on_machine(tmp_path / "cache", requests) as place:
            opened = config(run, place).open_store()
            manifest = opened.manifest()
            requests.fault = PutFault(kind, count)
            before = manifest.sequence
            opened.commit(manifest)  # parts are there: the copy, then the manifest
        assert requests.fault.came == (count < 2)
        with on_machine(tmp_path / "another", memory) as place:
            assert RunStore(place, "run").manifest().sequence == before + 1


class PutFault(Fault):
    """A fault of the n-th write."""

    def __init__(self, kind: str, at: int) -> None:
        super().__init__(kind, 0)
        self.left = at

    def __call__(self, number: int, name: str, request: Callable[[], Any]) -> Any:
        if name == "put":
            self.at = number if self.left == 0 else 0
            self.left -= 1
        return super().__call__(number, name, request)


def test_a_copy_of_a_job_that_died_gives_way(run: Run, memory: Any, store: Path) -> None:
    opened = open_again(store)
    manifest = opened.manifest()
    copy = f"run/{HISTORY}/{manifest.sequence + 1:06d}.json"
    memory.put(copy, b"of another state")
    opened.commit(manifest)
    assert objects(memory)[copy] == objects(memory)[f"run/{MANIFEST}"]


def test_a_copy_that_a_late_job_put_there_is_put_right(run: Run, memory: Any, tmp_path: Path) -> None:
    requests = Requests(memory)
    with on_machine(tmp_path / "cache", requests) as place:
        opened = config(run, place).open_store()
        manifest = opened.manifest()
        copy = f"run/{HISTORY}/{manifest.sequence + 1:06d}.json"

        class Late(PutFault):
            def __call__(self, number: int, name: str, call: Callable[[], Any]) -> Any:
                found = super().__call__(number, name, call)
                if self.came and memory.get(copy).meta["size"] > 9:
                    memory.put(copy, b"the other")
                    self.at = 0
                    self.came = False
                return found

        requests.fault = Late("none", 0)
        opened.commit(manifest)
    found = objects(memory)
    assert found[copy] == found[f"run/{MANIFEST}"]


def test_a_part_that_a_long_listing_left_out_is_no_damage(run: Run, memory: Any, tmp_path: Path) -> None:
    with on_machine(tmp_path / "cache", memory) as place:
        part = RunStore(place, "run").manifest().table("cycles")[0]
    whole = objects(memory)

    class Short(Aged):
        def list(self, prefix: str | None = None) -> Any:
            found = [one for one in self.client.list(prefix).collect() if one["path"] not in self.old]

            class Answer:
                def collect(answer) -> list[Any]:
                    return found

            return Answer()

    with on_machine(tmp_path / "cache", Short(memory, {f"run/{part.path}"})) as place:
        work(config(run, place))
    assert objects(memory) == whole


def test_notes_and_entries_of_two_machines_are_never_written_over(
    run: Run, memory: Any, store: Path, tmp_path: Path
) -> None:
    with on_machine(tmp_path / "another", memory) as other:
        RunStore(other, "run").manifest()
        append_note(other / "run", 0, "observed", "by the other", "2031-05-01T00:00:00+00:00")
        with hold_store(other):
            append_line(other, b'{"number":1}')
    with on_machine(tmp_path / "cache", memory):
        storage_of(store).pull("run")
        memory.put("run/notes.jsonl", objects(memory)["run/notes.jsonl"] + b" ")
        with pytest.raises(StoreBusyError, match="another job has written it meanwhile"):
            append_note(store / "run", 1, "observed", "by this one", "2031-05-01T00:00:00+00:00")
        memory.put("run/notes.jsonl", objects(memory)["run/notes.jsonl"][:-1])
        storage_of.cache_clear()
        storage_of(store).pull("run")
        append_note(store / "run", 1, "observed", "by this one", "2031-05-01T00:00:00+00:00")
        assert [note.text for note in read_notes(store / "run")] == ["by the other", "by this one"]
        with hold_store(store):
            append_line(store, b'{"number":2}')
            assert len(read_lines(store)[0]) == 2
    assert objects(memory)["ledger.jsonl"] == b'{"number":1}\n{"number":2}\n'


def test_notes_of_nights_of_two_jobs_are_each_kept(memory: Any, store: Path, tmp_path: Path) -> None:
    with on_machine(tmp_path / "one", memory) as one:
        with hold_store(one):
            write_said(one, {("a", "code", "here"): NOW})
        with on_machine(tmp_path / "two", memory) as two, hold_store(two):
            write_said(two, {**read_said(two), ("b", "code", "there"): NOW})
    with on_machine(tmp_path / "three", memory) as three, hold_store(three):
        assert set(read_said(three)) == {("a", "code", "here"), ("b", "code", "there")}
        write_said(three, {("b", "code", "there"): NOW})
    assert [str(one["path"]) for one in memory.list(".nights/alarms").collect()] == [".nights/alarms/b.json"]


NOTES = {
    "alarms": {"version": 1, "alarms": [
        {"run": r, "code": c, "where": "x", "since": NOW.isoformat()} for r in ("a", "b-1", "b") for c in ("k", "l")
    ]},
    "steps": {"a": [["ingest", 0.1, 2.5]], "b": []},
    "told": {"version": 1, "told": {"us": [["a", "k", "x"], ["b", "k", "é"]], "you": [["a", "k", "x"]]}},
    "verified": {"version": 1, "runs": {"a": {"log 1": 1.5}, "b": {}}},
}  # fmt: skip


@pytest.mark.parametrize("note", NOTES)
def test_a_note_cut_by_run_and_put_together_is_the_same(note: str) -> None:
    document = NOTES[note]
    if note == "alarms":
        document["alarms"].sort(key=lambda row: (row["run"], row["code"]))  # type: ignore[union-attr, attr-defined]
    sort = note in ("steps", "verified")
    data = json.dumps(document, indent=1, sort_keys=sort).encode()
    pieces = cut_by_run(note, data)
    assert len(pieces) >= 2
    assert put_together(note, pieces) == data
    assert put_together(note, {**pieces, "z": b"no JSON"}) == data


# --- requests and what is removed -----------------------------------------------------------------------------


def test_an_idle_night_lists_each_run_once_and_reads_nothing(run: Run, memory: Any, tmp_path: Path) -> None:
    requests = Requests(memory)
    with on_machine(tmp_path / "cache", requests) as place:
        work(config(run, place))
    assert sorted(requests.names) == ["list", "list", "list_with_delimiter"]  # the run, notes of nights, the store


def test_orphans_go_by_age_and_never_what_another_job_is_adding(run: Run, memory: Any, tmp_path: Path) -> None:
    old, new = "run/samples/00-old.parquet", "run/samples/00-new.parquet"
    memory.put(old, b"1")
    memory.put(new, b"1")
    run.write("c.csv", HEAD + rows(600, 900))
    before = RunStore(next(mirrors_home().iterdir()), "run").manifest().parts()
    with on_machine(tmp_path / "cache", Aged(memory, {old})) as place:
        work(config(run, place))
        after = RunStore(place, "run").manifest().parts()
    found = set(objects(memory))
    assert old not in found
    assert new in found
    gone = {part.path for part in before} - {part.path for part in after}
    assert gone
    assert not {f"run/{path}" for path in gone} & found
    assert {f"run/{part.path}" for part in after} <= found


# --- this machine's copy --------------------------------------------------------------------------------------


@pytest.mark.parametrize("what", ["run/*/*", "run/*.json*", ".pulled/*", "**/*"])
def test_what_a_power_cut_made_of_the_copy_is_fetched_again(
    run: Run, memory: Any, store: Path, what: str
) -> None:
    before, whole = tables(open_again(store)), objects(memory)
    spoilt = [path for path in store.glob(what) if path.is_file()]
    for path in spoilt:
        path.write_bytes(bytes(path.stat().st_size))
    assert spoilt
    storage_of.cache_clear()
    work(config(run, store))
    assert tables(open_again(store)) == before
    assert len(open_again(store).history()) == 4
    assert objects(memory) == whole


def test_the_cache_keeps_to_its_limit_and_is_filled_again(
    run: Run, memory: Any, store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = tables(open_again(store))
    assert list(mirrors_home().rglob("*.parquet"))
    monkeypatch.setenv(LIMIT, "0")
    with hold_store(store):
        pass
    assert not list(mirrors_home().rglob("*.parquet"))
    assert tables(open_again(store)) == before
    run.write("c.csv", HEAD + rows(600, 900))
    storage_of.cache_clear()
    work(config(run, store))
    assert len(tables(open_again(store))["samples"]) == 900


def test_a_full_disk_of_the_cache_is_one_error_and_the_store_as_it_was(
    run: Run, memory: Any, store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run.write("c.csv", HEAD + rows(600, 900))
    whole = objects(memory)

    def full(self: HashingFile, _: object) -> int:
        with told_as_store_error(self.path.parent):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr(HashingFile, "write", full)
        storage_of.cache_clear()
        with pytest.raises(StoreError, match="this machine's copy of the store cannot be written: No space") as caught:
            work(config(run, store))
    assert caught.value.where == str(mirrors_home())
    assert "free space" in str(caught.value.do_next)
    assert objects(memory) == whole
    storage_of.cache_clear()
    work(config(run, store))
    assert len(tables(open_again(store))["samples"]) == 900


def test_parts_give_way_where_the_disk_is_full(
    run: Run, memory: Any, store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = tables(open_again(store))
    parts = sorted((store / "run").rglob("*.parquet"))
    parts[0].unlink()
    plain, calls = HashingFile.write, []

    def full_once(self: HashingFile, data: object) -> int:
        calls.append(self)
        with told_as_store_error(self.path.parent):
            if len(calls) == 1:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return plain(self, data)

    reopened = open_again(store)
    reopened.manifest()
    monkeypatch.setattr(HashingFile, "write", full_once)
    assert tables(reopened) == before
    assert len(calls) > 1


def test_a_part_that_its_disk_changed_is_not_stored(memory: Any, store: Path) -> None:
    opened = RunStore(store, "run")
    manifest, whole = night(opened, 0), objects(memory)
    part = opened.write("samples", samples(200, 200), key_of("new"))
    path = store / "run" / part.path
    path.write_bytes(bytes(path.stat().st_size))
    step = Step(key=key_of("new"), version=1, parts=(part,))
    with pytest.raises(StoreError, match="its bytes are not those that were written"):
        opened.commit(manifest.model_copy(update={"steps": {**manifest.steps, "check": step}}))
    assert objects(memory) == whole


# --- archive --------------------------------------------------------------------------------------------------


@pytest.fixture
def two_nights(store: Path) -> RunStore:
    made = RunStore(store, "run")
    night(made, 0)
    night(made, 1)
    return made


def move(way: str, store: Path, archive: Path) -> None:
    with hold_store(store):
        if way == "there":
            archive_run(store, "run", archive, NOW)
        else:
            restore_run(store, "run", None, NOW)


def test_a_run_goes_to_an_archive_and_back(two_nights: RunStore, memory: Any, store: Path, tmp_path: Path) -> None:
    before, archive = objects(memory), tmp_path / "archive"
    move("there", store, archive)
    assert set(objects(memory)) == {"run/archived.json"}
    with pytest.raises(StoreError, match="is in the archive since 2031-05-01"):
        open_again(store).manifest()
    assert len(tables(RunStore(archive, "run"))["samples"]) == 400
    with on_machine(tmp_path / "another", memory) as other:
        move("back", other, archive)
    assert objects(memory) == before
    assert not (archive / "run" / MANIFEST).exists()


@pytest.mark.parametrize("way", ["there", "back"])
def test_a_move_that_is_killed_at_any_request_goes_on(
    two_nights: RunStore, memory: Any, store: Path, tmp_path: Path, way: str
) -> None:
    archive = tmp_path / "archive"
    before = objects(memory)
    if way == "back":
        move("there", store, archive)
    kinds = ("killed before", "killed after", "lost")
    for at in range(1, 60):
        requests = Requests(memory)
        requests.fault = Fault(kinds[at % 3], at)
        with on_machine(tmp_path / "cache", requests), suppress(KilledError, BenchpipeError):
            move(way, store, archive)
        with on_machine(tmp_path / f"cache{at % 2}", memory) as other:
            here = (archive / "run" / MANIFEST).exists()
            there = f"run/{MANIFEST}" in objects(memory)
            assert here or there
            move("there", other, archive) if way == "there" else _back(other, archive)
        if not requests.fault.came:
            break
        with on_machine(tmp_path / "cache", memory):
            move("back" if way == "there" else "there", store, archive)
        if way == "there":
            assert objects(memory) == before
    else:
        pytest.fail("it takes ever more requests")
    assert at > 5


def _back(store: Path, archive: Path) -> None:
    """Restore, where the killed one had not done it to the end."""
    said = ""
    try:
        move("back", store, archive)
    except BenchpipeError as error:
        said = error.what
    assert not said or "the store knows of no archive" in said or "is in the store" in said


def test_history_and_quarantine_are_here_on_a_new_machine(run: Run, memory: Any, tmp_path: Path) -> None:
    with on_machine(tmp_path / "new", memory) as place:
        opened = RunStore(place, "run")
        opened.manifest()
        assert [path.name for path in opened.history()] == sorted(
            one.rpartition("/")[2] for one in objects(memory) if f"/{HISTORY}/" in one
        )
        assert not list(place.rglob("*.parquet"))
        run_steps(config(run, place))
