"""Damage is set aside, dropped from the manifest with what depends on it, and made anew; or the error names both."""

from __future__ import annotations

import errno
import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pyarrow as pa
import pytest

from benchpipe.errors import DamageError, StoreError
from benchpipe.pipeline import run_steps, work
from benchpipe.store.mending import QUARANTINE, find_damage, mend
from benchpipe.store.parts import unread
from benchpipe.store.run_store import HISTORY, MANIFEST, RunStore
from tests.ingest.taken import HEAD, Run, rows
from tests.steps_done import with_run
from tests.store.kept import night, tables, tree


@pytest.fixture
def store(tmp_path: Path) -> RunStore:
    """A store of three nights, of no run."""
    made = RunStore(tmp_path, "run")
    for number in range(3):
        night(made, number)
    return made


@pytest.fixture
def run(tmp_path: Path) -> Run:
    """A run of two logs, worked on twice: the second has grown, one row of it is no row."""
    made = Run(tmp_path)
    made.write("a.csv", HEAD + rows(0, 300))
    made.write("b.csv", HEAD + rows(300, 450) + "x,y\n")
    work(made.config)
    made.write("b.csv", HEAD + rows(300, 450) + "x,y\n" + rows(450, 900))
    work(made.config)
    return made


def store_of(run: Run) -> RunStore:
    """Its store."""
    return RunStore(run.config.store, "run")


def remark_of(run: Run) -> list[str]:
    """What is remarked of damage."""
    return [r.text for r in store_of(run).manifest().steps["ingest"].remarks if r.code == "damaged"]


SPOILT: dict[str, Callable[[Path], object]] = {
    "cut": lambda path: path.write_bytes(path.read_bytes()[:-1]),
    "flipped": lambda path: path.write_bytes(path.read_bytes()[:9] + b"?" + path.read_bytes()[10:]),
    "gone": Path.unlink,
}


@pytest.mark.parametrize("how", SPOILT)
def test_a_damaged_part_of_any_table_is_made_anew(run: Run, how: str) -> None:
    before = tables(store_of(run))
    assert len(before) >= 4
    for number, table in enumerate(sorted(before), 1):
        part = store_of(run).manifest().table(table)[-1]
        path = store_of(run).folder / part.path
        SPOILT[how](path)
        spoilt = path.read_bytes() if path.exists() else None
        work(run.config)
        assert tables(store_of(run)) == before, table
        assert f"{number} file(s) of the store were damaged or missing" in remark_of(run)[0]
        assert part.path in remark_of(run)[0]
        kept = store_of(run).folder / QUARANTINE / f"{number:04d}-{part.path.replace('/', '-')}"
        assert (kept.read_bytes() if kept.exists() else None) == spoilt
        assert json.loads((kept.parent / f"{number:04d}.json").read_text())["path"] == part.path
    assert work(run.config).worked == ()
    shutil.rmtree(store_of(run).folder / QUARANTINE)
    work(run.config)
    assert remark_of(run) == []


def test_all_damaged_at_once_is_made_anew(run: Run) -> None:
    before = tables(store_of(run))
    for part in store_of(run).manifest().parts():
        SPOILT["cut"](store_of(run).folder / part.path)
    work(run.config)
    assert tables(store_of(run)) == before


def test_a_bit_that_rots_is_found_when_it_is_read_and_then_all_of_the_run_is_looked_at(run: Run) -> None:
    before = tables(store_of(run))
    for part in store_of(run).manifest().parts():
        path = store_of(run).folder / part.path
        stat = path.stat()
        SPOILT["flipped"](path)
        os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    assert work(run.config).worked == ()  # nothing new, nothing read
    run.write("c.csv", HEAD + rows(900, 1200))
    work(run.config)
    (run.folder / "logs" / "c.csv").unlink()
    clean = Run(run.folder / "clean")
    for path in (run.folder / "logs").iterdir():
        clean.write(path.name, path.read_bytes())
    clean.write("c.csv", HEAD + rows(900, 1200))
    work(clean.config)
    assert tables(store_of(run)) == tables(store_of(clean))
    assert before.keys() == tables(store_of(run)).keys()


def test_what_was_touched_and_is_sound_is_no_damage_and_is_looked_at_once(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    store, hashed = store_of(run), []
    part = store.manifest().table("samples")[0]
    later = (store.folder / MANIFEST).stat().st_mtime_ns + 10**9
    os.utime(store.folder / part.path, ns=(later, later))
    monkeypatch.setattr("benchpipe.store.folder_storage.sha256_of", lambda path: hashed.append(path) or part.sha256)
    assert [find_damage(store, store.manifest()) for _ in range(2)] == [[], []]
    assert hashed == [store.folder / part.path]


@pytest.mark.parametrize("how", ["gone", "changed", "shrunk"])
def test_damage_whose_log_is_not_there_names_both_and_stays_until_a_person_decides(run: Run, how: str) -> None:
    part = store_of(run).manifest().table("samples")[0]
    log = run.folder / "logs" / "a.csv"
    whole = log.read_bytes()
    SPOILT["cut"](store_of(run).folder / part.path)
    log.write_bytes({"gone": b"", "changed": whole.replace(b"9", b"8"), "shrunk": whole[:99]}[how])
    if how == "gone":
        log.unlink()
    for _ in range(2):
        with pytest.raises(StoreError, match="and the log it was made from") as caught:
            work(run.config)
        assert caught.value.where == str(store_of(run).folder / part.path)
        assert str(log) in str(caught.value.expected)
    assert len(list((store_of(run).folder / QUARANTINE).glob("*.json"))) == 1
    log.write_bytes(whole)
    work(run.config)
    assert store_of(run).manifest().account().rows == 901


def test_rows_of_a_log_that_is_gone_are_given_up_only_when_a_person_says_so(run: Run) -> None:
    SPOILT["cut"](store_of(run).folder / store_of(run).manifest().table("samples")[0].path)
    (run.folder / "logs" / "a.csv").unlink()
    work(run.config, again=True)
    manifest = store_of(run).manifest()
    assert manifest.account().rows == 601
    given_up = [r for r in manifest.steps["ingest"].remarks if r.code == "given-up"]
    assert [(r.where, r.count) for r in given_up] == [("logs/a.csv", 300)]


def test_a_damaged_part_of_a_log_that_was_renamed_is_made_of_the_log_under_its_new_name(run: Run) -> None:
    before = tables(store_of(run))
    for part in store_of(run).manifest().parts():
        SPOILT["cut"](store_of(run).folder / part.path)
    (run.folder / "logs" / "a.csv").rename(run.folder / "logs" / "a2.csv")
    work(run.config)
    assert tables(store_of(run))["cycles"] == before["cycles"]


@pytest.mark.parametrize("how", SPOILT)
def test_a_damaged_manifest_is_taken_from_its_copy_with_nothing_made_anew(run: Run, how: str) -> None:
    before = store_of(run).manifest()
    parts = {path: path.stat().st_ino for path in store_of(run).folder.rglob("*.parquet")}
    SPOILT[how](store_of(run).folder / MANIFEST)
    with pytest.raises(DamageError, match="the manifest is damaged"):
        store_of(run).manifest()
    work(run.config)
    after = store_of(run).manifest()
    assert after.steps["process"] == before.steps["process"]
    assert {path: path.stat().st_ino for path in store_of(run).folder.rglob("*.parquet")} == parts
    assert "manifest.json" in remark_of(run)[0]


def test_with_the_newest_copy_damaged_too_an_older_one_serves_and_nothing_is_lost(run: Run) -> None:
    before, store = tables(store_of(run)), store_of(run)
    older = store.proven(store.history()[-4].read_bytes())
    unnamed = {part.path for part in store.manifest().parts()} - {part.path for part in older.parts()}
    for path in [store.folder / MANIFEST, *store.history()[-3:]]:
        SPOILT["flipped"](path)
    work(run.config)
    assert tables(store) == before
    kept = {path.name[5:] for path in (store.folder / QUARANTINE).iterdir()}
    assert unnamed
    assert {path.replace("/", "-") for path in unnamed} <= kept


@pytest.mark.parametrize("how", SPOILT)
def test_without_any_sound_manifest_all_is_set_aside_and_made_anew(run: Run, how: str) -> None:
    before, store = tables(store_of(run)), store_of(run)
    held = {Path(name).name: sha for name, sha in tree(store.folder).items() if name.endswith(".parquet")}
    for path in [store.folder / MANIFEST, *store.history()]:
        SPOILT["cut" if path.parent.name == HISTORY else how](path)
    work(run.config)
    assert tables(store) == before
    kept = {Path(name).name: sha for name, sha in tree(store.folder / QUARANTINE).items()}
    assert held.items() <= kept.items()
    assert "no copy of the manifest is sound" in remark_of(run)[0]


def test_a_store_that_does_not_answer_is_no_damage(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    before = tree(store_of(run).folder)
    for code in (errno.EIO, errno.ESTALE, errno.EACCES):
        error = unread(Path("x"), OSError(code, "no"))
        assert type(error) is StoreError
        assert os.strerror(code) in error.what

        def gone(*_: object, code: int = code) -> None:
            raise OSError(code, os.strerror(code))

        with monkeypatch.context() as patch:
            patch.setattr("benchpipe.store.folder_storage.os.scandir", gone)
            with pytest.raises(StoreError, match="the store cannot be read"):
                run_steps(run.config)
    assert tree(store_of(run).folder) == before


def test_damage_that_comes_back_at_once_is_told_and_not_mended_for_ever(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    def damaged(*_: object) -> pa.Table:
        raise DamageError("a file of the store is damaged", where="x")

    with_run(monkeypatch, "process", damaged)
    with pytest.raises(DamageError):
        work(run.config, again=True)


def test_only_what_lost_a_part_is_dropped(store: RunStore) -> None:
    before = store.manifest()
    SPOILT["gone"](store.folder / before.sources[1].parts[0].path)
    mended = mend(store, {"ingest": "log", "process": "block", "check": "run"})
    assert set(mended.lost) == {"logs/1.csv"}
    assert mended.manifest == before
    assert [one.why for one in mended.found] == ["it is missing"]
