"""Files that are no logs, are missing, or are there twice; bad ones leave the store as it was."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from benchpipe.errors import InputError
from benchpipe.ingest.logs import missing_numbers
from benchpipe.run import load_run
from tests.ingest.taken import HEAD, Run, rows


def test_a_copy_under_another_name_is_left_out_and_counted(tmp_path: Path) -> None:
    run = Run(tmp_path)
    for number in (1, 2, 3):
        run.write(f"log_{number}.csv", HEAD + rows(100 * number, 100 * number + 100))
    run.write("copy of 2.csv", (run.folder / "logs" / "log_2.csv").read_bytes())
    taken = run.take()
    assert [s[0] for s in taken.samples] == [k * 10_000 for k in range(100, 400)]
    assert (taken.codes["duplicate"], taken.manifest.account().repeats) == (100, 100)
    assert "copy of 2.csv" not in {s[1] for s in taken.samples}


def test_an_empty_file_and_a_missing_one_are_told(tmp_path: Path) -> None:
    run = Run(tmp_path)
    run.write("log_1.csv", HEAD + rows(0, 100))
    run.write("log_2.csv", b"")
    run.write("log_4.csv", HEAD + rows(300, 400))
    taken = run.take()
    assert set(taken.codes) == {"empty", "missing-file"}
    assert "log_3.csv" in taken.texts
    (run.folder / "logs" / "log_1.csv").unlink()
    gone = run.take()
    assert len(gone.samples) == 200
    assert gone.codes["gone"] == 100


def test_numbers_that_are_dates_are_no_series() -> None:
    assert missing_numbers(["20260101.csv", "20260201.csv", "20260301.csv"]) == []
    assert missing_numbers(["a1.csv", "a2.csv"]) == []
    (remark,) = missing_numbers([f"day_{k:03}.csv" for k in (1, 2, 3, 5, 6, 9)])
    assert (remark.count, "day_004.csv, day_007.csv, day_008.csv" in remark.text) == (3, True)


def test_links_that_loop_leave_the_folder_or_name_a_log_twice_are_not_taken(tmp_path: Path) -> None:
    run = Run(tmp_path / "run")
    path = run.write("a.csv", HEAD + rows(0, 100))
    outside = tmp_path / "outside.csv"
    outside.write_text(HEAD + rows(100, 200))
    logs = run.folder / "logs"
    (logs / "loop.csv").symlink_to(logs / "loop.csv")
    (logs / "out.csv").symlink_to(outside)
    (logs / "b.csv").symlink_to(path)
    (logs / "nothing.csv").symlink_to(logs / "not there.csv")
    (logs / "round").symlink_to(logs)
    taken = run.take()
    assert len(taken.samples) == 100
    told = {r.where: r.text for r in taken.manifest.steps["ingest"].remarks if r.code == "not-taken"}
    assert set(told) == {"logs/loop.csv", "logs/out.csv", "logs/b.csv", "logs/nothing.csv"}
    assert "leaves the run's folder" in told["logs/out.csv"]


def test_a_pattern_that_leaves_the_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "other.csv").write_text(HEAD + rows(0, 100))
    run = Run(tmp_path / "run", logs='["../out/*.csv"]')
    with pytest.raises(InputError, match="leaves the run's folder"):
        run.take()


@pytest.mark.skipif(os.name != "posix", reason="named pipes")
def test_a_named_pipe_is_no_log_and_does_not_hang(tmp_path: Path) -> None:
    run = Run(tmp_path)
    run.write("a.csv", HEAD + rows(0, 100))
    os.mkfifo(run.folder / "logs" / "b.csv")
    assert run.take().codes == {"not-taken": 1}


@pytest.mark.parametrize(
    ("text", "where"),
    [
        (b"no log at all " * 20, "b.csv:1"),
        (b"a,b,c\n1,2,3\n", "b.csv"),
        (HEAD.encode() + b"x,y,z\n" * 30, "b.csv:2"),
        (b"\xff\xfet\x00,\x00", "b.csv"),
        (b"\x1f\x8b" + b"garbage" * 9, "b.csv"),
    ],
)
def test_bad_input_names_the_file_and_leaves_the_store(tmp_path: Path, text: bytes, where: str) -> None:
    run = Run(tmp_path)
    run.write("a.csv", HEAD + rows(0, 100))
    before = run.take()
    run.write("b.csv", text)
    with pytest.raises(InputError) as caught:
        run.take()
    assert where in str(caught.value)
    assert caught.value.exit_code == 12
    (run.folder / "logs" / "b.csv").unlink()
    assert run.take().manifest == before.manifest


def test_the_plan_is_read_as_the_commands_read_it(tmp_path: Path) -> None:
    assert load_run(Run(tmp_path).folder / "plan.toml").name == "run"
