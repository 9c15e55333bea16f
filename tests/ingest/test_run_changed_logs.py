"""Logs that are still written, change, shrink, or stand under another name."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from benchpipe.errors import InputError
from benchpipe.ingest import source
from benchpipe.readers.log_file import open_log
from benchpipe.store.run_store import RunStore
from tests.ingest.taken import HEAD, Run, rows
from tests.steps_done import ingest_run


def test_only_whole_lines_are_taken_and_the_rest_the_next_night(tmp_path: Path) -> None:
    run = Run(tmp_path)
    run.write("a.csv", HEAD + rows(0, 100) + "1.00,5")
    first = run.take()
    assert (len(first.samples), [r["reason"][:13] for r in first.rejects]) == (100, ["the last line"])
    run.write("a.csv", HEAD + rows(0, 250) + "2.5")
    second = run.take()
    assert (len(second.samples), len(second.rejects)) == (250, 1)
    source = second.manifest.sources[0]
    assert [p.rows for p in source.parts if p.table == "samples"] == [100, 150]
    run.write("a.csv", HEAD + rows(0, 300))
    third = run.take()
    once = Run(tmp_path / "once")
    once.write("a.csv", HEAD + rows(0, 300))
    whole = once.take()
    assert (third.samples, third.rejects) == (whole.samples, whole.rejects)
    assert third.manifest.account() == whole.manifest.account()
    assert run.take().manifest == third.manifest


def test_a_log_whose_header_is_not_written_yet_is_waited_for(tmp_path: Path) -> None:
    run = Run(tmp_path)
    run.write("a.csv", HEAD + rows(0, 50))
    for begun in ("Rig 3\n", "Rig 3\nstart", "Rig 3\nstarted\nt,F", ""):
        run.write("b.csv", begun)
        assert len(run.take().samples) == 50
    run.write("b.csv", "Rig 3\nstarted\n" + HEAD + rows(50, 80))
    assert len(run.take().samples) == 80
    run.write("c.csv", "Rig 3\n80.0,1,2\n")
    with pytest.raises(InputError, match="no line of the log names"):
        run.take()


@pytest.mark.parametrize(
    ("new", "says"),
    [
        (HEAD + rows(0, 50), "has shrunk"),
        (HEAD + rows(0, 100).replace("0.50,", "0.51,", 1), "has changed"),
        (HEAD + rows(5, 200), "has changed"),
        ("", "has shrunk"),
    ],
)
def test_a_log_that_changed_raises_an_alarm_and_nothing_is_overwritten(tmp_path: Path, new: str, says: str) -> None:
    run = Run(tmp_path)
    run.write("a.csv", HEAD + rows(0, 100))
    run.write("b.csv", HEAD + rows(100, 150))
    before = run.take()
    path = run.write("a.csv", new)
    os.utime(path, ns=(1, 1))
    after = run.take()
    assert after.samples == before.samples
    assert after.codes["changed"] == 1
    assert says in after.texts
    assert "--again" in after.texts
    assert run.take().manifest == after.manifest
    accepted = run.take(again=True)
    assert "changed" not in accepted.codes
    assert accepted.samples != before.samples


def test_a_changed_log_under_a_changed_rig_file_is_an_error(tmp_path: Path) -> None:
    run = Run(tmp_path)
    run.write("a.csv", HEAD + rows(0, 100))
    run.take()
    run.write("a.csv", HEAD + rows(1, 100))
    changed = Run(tmp_path, force="scale = 2.0")
    with pytest.raises(InputError, match="and so has the rig file"):
        changed.take()


def test_a_log_that_was_touched_only_is_not_read_again(tmp_path: Path) -> None:
    run = Run(tmp_path)
    path = run.write("a.csv", HEAD + rows(0, 100))
    run.take()
    os.utime(path, ns=(5, 5))
    touched = run.take()
    assert (touched.read, touched.codes) == ((), {})


def test_a_rig_that_renames_its_log_and_begins_another_gives_all_rows_once(tmp_path: Path) -> None:
    run = Run(tmp_path)
    run.write("now.csv", HEAD + rows(0, 100) + "x,1,2\n" + rows(100, 120) + "1.2")
    first = run.take()
    run.write("day_1.csv", HEAD + rows(0, 100) + "x,1,2\n" + rows(100, 150))
    run.write("now.csv", HEAD + rows(150, 400))
    second = run.take()
    assert "changed" not in second.codes
    assert second.codes["renamed"] == 120
    once = Run(tmp_path / "once")
    once.write("day_1.csv", HEAD + rows(0, 100) + "x,1,2\n" + rows(100, 150))
    once.write("now.csv", HEAD + rows(150, 400))
    whole = once.take()
    assert (second.samples, second.rejects) == (whole.samples, whole.rejects)
    assert second.manifest.account() == whole.manifest.account()
    assert [p.rows for p in second.manifest.table("samples")][:1] == [p.rows for p in first.manifest.table("samples")]
    assert "renamed" not in run.take().codes
    (run.folder / "logs" / "day_1.csv").rename(run.folder / "logs" / "day_one.csv")
    assert run.take().read == ()


def test_a_log_that_only_begins_like_a_lost_one_is_not_it(tmp_path: Path) -> None:
    run = Run(tmp_path)
    path = run.write("a.csv", HEAD + rows(0, 100))
    run.take()
    path.unlink()
    run.write("b.csv", HEAD + rows(0, 90) + rows(200, 300))
    taken = run.take()
    assert ("renamed" in taken.codes, taken.codes["gone"]) == (False, 100)


def test_a_log_that_was_copied_and_then_begun_anew_counts_once(tmp_path: Path) -> None:
    run = Run(tmp_path)
    run.write("current.csv", HEAD + rows(0, 50))
    run.take()
    run.write("week.csv", HEAD + rows(0, 60))
    run.take()  # between the copy and the new beginning
    run.write("current.csv", HEAD + rows(60, 70))
    taken = run.take()
    assert (len(taken.samples), "changed" in taken.codes, "renamed" in taken.codes) == (70, False, True)
    assert "renamed" not in run.take().codes


def while_it_is_read(monkeypatch: pytest.MonkeyPatch, act: Callable[[Path], object]) -> None:
    """Let something happen to each log after its size was taken down, before it is read."""

    @contextmanager
    def opened(path: Path) -> Iterator[IO[bytes]]:
        with open_log(path) as file:
            act(path)
            yield file

    monkeypatch.setattr(source, "open_log", opened)


def test_what_is_written_while_a_log_is_read_is_taken_the_next_night(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run, once = Run(tmp_path), Run(tmp_path / "once")
    path = run.write("a.csv", HEAD + rows(0, 100) + "1.00,3")
    with monkeypatch.context() as patched:
        while_it_is_read(patched, lambda _: path.write_text(HEAD + rows(0, 250)))
        first = run.take()
    assert (len(first.samples), first.manifest.sources[0].taken) == (100, len(HEAD + rows(0, 100)))
    once.write("a.csv", HEAD + rows(0, 250))
    second, whole = run.take(), once.take()
    assert (second.samples, second.rejects, second.codes) == (whole.samples, whole.rejects, whole.codes)
    assert second.manifest.account() == whole.manifest.account()


def test_a_log_that_shrinks_while_it_is_read_is_refused_and_nothing_of_it_taken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = Run(tmp_path)
    run.write("a.csv", HEAD + rows(0, 100))
    before = run.take()
    path = run.write("b.csv", HEAD + rows(100, 400))
    with monkeypatch.context() as patched:
        while_it_is_read(patched, lambda path: os.truncate(path, 300))
        with pytest.raises(InputError, match="the log changed while it was read") as caught:
            run.take()
    assert (caught.value.exit_code, "b.csv" in str(caught.value)) == (12, True)
    path.write_text(HEAD + rows(100, 400))
    after = run.take()
    assert (after.samples[:100], len(after.samples)) == (before.samples, 400)


def test_a_table_that_is_written_while_it_is_read_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run = Run(tmp_path, log='format = "parquet"')
    n = [float(k) for k in range(50)]
    path = run.folder / "logs" / "a.parquet"
    pq.write_table(pa.table({"t": [k / 100 for k in n], "F": n, "x": n}), path)
    with monkeypatch.context() as patched:
        while_it_is_read(patched, lambda path: os.utime(path, ns=(7, 7)))
        with pytest.raises(InputError, match="the log changed while it was read"):
            run.take()
    assert len(run.take().samples) == 50


@pytest.mark.parametrize("what", ["is not there any more", "has changed"])
def test_a_log_that_only_an_older_version_could_take_stays_as_that_took_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    run = Run(tmp_path)
    path = run.write("a.csv", HEAD + rows(0, 100))
    with monkeypatch.context() as older:
        older.setattr(source.source_key, "__defaults__", (source.VERSION - 1,))
        before = run.take()
    if what == "has changed":
        path.write_text(HEAD + rows(0, 100).replace("0.50,", "0.51,", 1), "utf-8")
    else:
        path.unlink()
    run.write("b.csv", HEAD + rows(100, 150))
    after = run.take()
    assert after.samples[:100] == before.samples
    assert len(after.samples) == 150
    assert after.read == ("logs/b.csv",)
    assert what in after.texts
    assert "by an older version of this program" in after.texts
    Run(tmp_path, force="scale = 2.0")
    with pytest.raises(InputError, match=r"so has the rig file|and the rig file has changed"):
        run.take()


def test_the_key_of_version_5_is_what_that_version_wrote(tmp_path: Path) -> None:
    """Golden: written by the code of version 5 for this rig file, which had no resolution of the clock."""
    rig = Run(tmp_path).config.rig
    written = "195d90bb2556f61c58b988b5d30ab3e41ba6aba084adefdb638b7650cb9b91a6"
    assert source.source_key(rig, "0" * 64, None, 5) == written


def test_why_a_log_is_read_anew_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run, said = Run(tmp_path), list[str]()
    run.write("a.csv", HEAD + rows(0, 100))
    with monkeypatch.context() as older:
        older.setattr(source.source_key, "__defaults__", (source.VERSION - 1,))
        run.take()
    store = RunStore(run.config.store, run.config.name)
    assert ingest_run(run.config, store, on_progress=said.append).read == ("logs/a.csv",)
    ingest_run(Run(tmp_path, force="scale = 2.0").config, store, on_progress=said.append)
    assert said == [
        "logs/a.csv again: it was taken by an older version of this program",
        "logs/a.csv again: the rig file has changed",
    ]  # fmt: skip
