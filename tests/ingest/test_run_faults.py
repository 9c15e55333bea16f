"""What goes wrong with whole logs: each fault gives its line in the rejects or remarks, and loses nothing."""

from __future__ import annotations

import itertools
import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchpipe.config.run import load_run
from benchpipe.errors import ConfigError, InputError
from benchpipe.ingest import overlap
from benchpipe.ingest.logs import missing_numbers
from tests.ingest.taken import HEAD, Run, rows

DATED = 'column = "t"\nkind = "datetime"\nformat = "%Y-%m-%d %H:%M:%S.%f"'


def dated(first: str, count: int, content: int = 0) -> str:
    """Rows at 100 Hz from a second on."""
    lines = []
    hour, minute, second = map(int, first[11:].split(":"))
    for k in range(count):
        whole = hour * 3600 + minute * 60 + second + k // 100
        clock = f"{whole // 3600:02}:{whole // 60 % 60:02}:{whole % 60:02}.{k % 100:02}0"
        lines.append(f"{first[:10]} {clock},{content + k},{k % 50}\n")
    return "".join(lines)


# --- logs that are still written, or change ------------------------------------------------------------------


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


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.integers(10, 1200), max_size=4), st.sampled_from([0, 1, 2]))
def test_any_nights_give_the_same_tables(
    tmp_path_factory: pytest.TempPathFactory, cuts: list[int], fault: int
) -> None:
    text = (
        HEAD
        + [
            rows(0, 80) + "bad line\n" + rows(80, 100),
            rows(0, 60) + HEAD + rows(40, 100) + "x\n" * 3,
            rows(0, 60) + rows(0, 50, step=0.02) + "1.5,OVER,3\n",
        ][fault]
    )
    folder = tmp_path_factory.mktemp("nights")
    once = Run(folder / "once", force='missing = ["OVER"]\nstuck_after = 3')
    once.write("a.csv", text)
    whole = once.take()
    run = Run(folder / "nights", force='missing = ["OVER"]\nstuck_after = 3')
    for cut in [*sorted(cuts), len(text)]:
        run.write("a.csv", text[:cut])
        try:
            last = run.take()
        except InputError:  # nothing but a piece of the header yet
            assert cut < len(HEAD) + 20
    same = [(a[0], a[2], str(a[3]), a[4]) for a in whole.samples]
    assert [(a[0], a[2], str(a[3]), a[4]) for a in last.samples] == same
    assert [(r["row"], r["reason"]) for r in last.rejects] == [(r["row"], r["reason"]) for r in whole.rejects]
    assert last.manifest.account() == whole.manifest.account()


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


# --- rows that come twice, clocks --------------------------------------------------------------------------------


def test_rows_again_after_a_resume_are_dropped_inside_a_file_and_across_files(tmp_path: Path) -> None:
    run = Run(tmp_path)
    run.write("a1.csv", HEAD + rows(0, 100) + HEAD + rows(70, 150))
    run.write("a2.csv", HEAD + rows(120, 200))
    taken = run.take()
    assert [s[0] for s in taken.samples] == [k * 10_000 for k in range(200)]
    assert taken.manifest.account().repeats == 60
    assert taken.codes["repeats"] == 30
    assert [r["reason"] for r in taken.rejects] == ["header repeated"]


def test_rows_again_are_found_over_several_files(tmp_path: Path) -> None:
    run = Run(tmp_path)
    run.write("a1.csv", HEAD + rows(0, 100))
    run.write("a2.csv", HEAD + rows(100, 105))
    run.write("a3.csv", HEAD + rows(80, 200))
    taken = run.take()
    assert [s[0] for s in taken.samples] == [k * 10_000 for k in range(200)]
    assert taken.manifest.account().repeats == 25


@pytest.mark.parametrize("gap", [5, 50])
def test_other_rows_at_times_that_are_over_are_rejects_across_files_too(tmp_path: Path, gap: int) -> None:
    run = Run(tmp_path, time=f'column = "t"\ngap_samples = {gap}')
    other = "".join(f"{k / 100:.2f},-1,-1\n" for k in range(100 - gap + 1, 100))
    run.write("a1.csv", HEAD + rows(0, 100))
    run.write("a2.csv", HEAD + other + rows(100, 150))
    taken = run.take()
    assert [s[0] for s in taken.samples] == [k * 10_000 for k in range(150)]
    assert [(r["file"], r["row"], r["rows"], r["reason"]) for r in taken.rejects] == [
        ("logs/a2.csv", 2, gap - 1, "the time does not rise")
    ]
    assert taken.codes["late"] == gap - 1
    assert run.take().manifest == taken.manifest


def test_what_did_not_change_is_not_compared_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run = Run(tmp_path)
    for name, text in (("a1", rows(0, 100)), ("a2", rows(60, 150)), ("a3", rows(500, 600, shift=-5.0))):
        run.write(f"{name}.csv", HEAD + text)
    before = run.take()
    monkeypatch.setattr(overlap, "rows_until", lambda *_: pytest.fail("rows of an old log were read"))
    run.write("b1.csv", HEAD + rows(200, 300))
    after = run.take()
    assert after.manifest.placed[:3] == before.manifest.placed
    assert after.samples[: len(before.samples)] == before.samples


def test_other_content_at_the_same_time_is_no_repeat_but_a_restart(tmp_path: Path) -> None:
    run = Run(tmp_path)
    run.write("a1.csv", HEAD + rows(0, 100))
    run.write("a2.csv", HEAD + rows(500, 600, shift=-5.0))
    taken = run.take()
    assert len(taken.samples) == 200
    assert taken.manifest.account().repeats == 0


@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.integers(1, 70) | st.integers(100, 179), min_size=1, max_size=3, unique=True))
def test_however_a_log_is_cut_into_files_its_samples_are_the_same(
    tmp_path_factory: pytest.TempPathFactory, cuts: list[int]
) -> None:
    folder = tmp_path_factory.mktemp("files")
    lines = (rows(0, 100) + rows(70, 150)).splitlines(keepends=True)
    one = Run(folder / "one")
    one.write("a.csv", HEAD + "".join(lines))
    many = Run(folder / "many")
    edges = [0, *sorted(cuts), len(lines)]
    for number, (a, b) in enumerate(itertools.pairwise(edges)):
        many.write(f"a{number}.csv", HEAD + "".join(lines[a:b]))
    whole, parts = one.take(), many.take()
    assert [(s[0], *s[3:]) for s in parts.samples] == [(s[0], *s[3:]) for s in whole.samples]
    # (Cut between a row and its repeat in one file, the repeat comes before its file begins: not tried here.)
    assert parts.manifest.account().samples == whole.manifest.account().samples
    assert parts.manifest.account().rows == whole.manifest.account().rows


def test_dated_logs_out_of_order_or_late_stand_where_their_dates_say(tmp_path: Path) -> None:
    run = Run(tmp_path, time=DATED)
    run.write("z.csv", HEAD + dated("2026-03-01 10:00:00", 100))
    run.write("b.csv", HEAD + dated("2026-03-01 12:00:00", 100))
    run.take()
    run.write("late.csv", HEAD + dated("2026-03-01 11:00:00", 100))
    late = run.take()
    assert [s.file for s in late.manifest.sources] == ["logs/z.csv", "logs/late.csv", "logs/b.csv"]
    assert len(late.samples) == 300
    again = Run(tmp_path / "again", time=DATED)
    for name in ("z.csv", "b.csv", "late.csv"):
        again.write(name, (run.folder / "logs" / name).read_bytes())
    assert again.take().samples == late.samples


def test_the_end_of_summer_time_across_files_keeps_all_rows(tmp_path: Path) -> None:
    run = Run(tmp_path, time=DATED)
    run.write("a.csv", HEAD + dated("2026-10-25 01:59:00", 6000) + dated("2026-10-25 02:00:00", 360_000)[:0])
    run.write("b.csv", HEAD + dated("2026-10-25 01:00:00", 500, content=70_000))
    taken = run.take()
    assert len(taken.samples) == 6500
    # b's first row is an hour before a's end: it stands before a by its dates, as it must where nothing else is known
    assert taken.manifest.sources[0].file == "logs/b.csv"
    inside = Run(tmp_path / "inside", time=DATED)
    inside.write("a.csv", HEAD + dated("2026-10-25 02:59:00", 6000) + dated("2026-10-25 02:00:00", 500, 70_000))
    found = inside.take()
    assert found.codes["end-of-summer-time"] == 1
    assert {b[0] - a[0] for a, b in zip(found.samples[:-1], found.samples[1:], strict=True)} == {10_000}


def test_gaps_are_counted_in_a_file_and_by_night(tmp_path: Path) -> None:
    run = Run(tmp_path)
    run.write("a.csv", HEAD + rows(0, 100) + rows(200, 300))
    assert run.take().codes == {"gap": 1}
    run.write("a.csv", HEAD + rows(0, 100) + rows(200, 300) + rows(307, 400))
    assert run.take().codes == {"gap": 2}


CALIBRATIONS = """[[channel.calibration]]
valid_from = 2026-03-01
due = 2026-03-02
[[channel.calibration]]
valid_from = 2026-03-05
due = 2027-03-05
"""


def test_calibrations_that_were_overdue_or_not_there_yet_are_told(tmp_path: Path) -> None:
    run = Run(tmp_path, time=DATED, force=CALIBRATIONS)
    run.write("a.csv", HEAD + dated("2026-03-01 10:00:00", 10))
    assert run.take().codes == {}
    run.write("b.csv", HEAD + dated("2026-03-04 10:00:00", 10))
    assert run.take().codes == {"calibration-overdue": 1}
    run.write("c.csv", HEAD + dated("2026-03-06 10:00:00", 10))
    later = run.take()
    assert "due on 2026-03-02, and held for samples up to 2026-03-05" in later.texts
    run.write("0.csv", HEAD + dated("2026-02-01 10:00:00", 10))
    assert set(run.take().codes) == {"calibration-overdue", "calibration-early"}


def test_a_dropout_that_repeats_the_last_value_is_no_value(tmp_path: Path) -> None:
    run = Run(tmp_path, force="stuck_after = 5")
    run.write("a.csv", HEAD + "".join(f"{k / 100},{min(k, 20) if k < 60 else k},{k}\n" for k in range(100)))
    taken = run.take()
    assert [s[0] // 10_000 for s in taken.samples if s[3] != s[3]] == list(range(25, 60))
    assert taken.codes["dropout"] == 35


# --- files -----------------------------------------------------------------------------------------------------


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
    (tmp_path / "other.csv").write_text(HEAD + rows(0, 100))
    run = Run(tmp_path / "run", logs='["../*.csv"]')
    with pytest.raises((InputError, ConfigError), match="leaves the run's folder"):
        run.take()


@pytest.mark.skipif(os.name != "posix", reason="named pipes")
def test_a_named_pipe_is_no_log_and_does_not_hang(tmp_path: Path) -> None:
    run = Run(tmp_path)
    run.write("a.csv", HEAD + rows(0, 100))
    os.mkfifo(run.folder / "logs" / "b.csv")
    assert run.take().codes == {"not-taken": 1}


# --- bad input leaves the store as it was ----------------------------------------------------------------------


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


# --- calibrations that come later -----------------------------------------------------------------------------


def test_a_calibration_from_a_later_day_leaves_what_was_taken(tmp_path: Path) -> None:
    run = Run(tmp_path, time=DATED, force="[[channel.calibration]]\nscale = 2.0")
    path = run.write("a.csv", HEAD + dated("2026-11-24 10:00:00", 500))
    before = run.take()
    path.unlink()
    two = "[[channel.calibration]]\nscale = 2.0\n[[channel.calibration]]\nvalid_from = {}\nscale = 3.0"
    run = Run(tmp_path, time=DATED, force=two.format("2026-12-01"))
    run.write("b.csv", HEAD + dated("2026-12-02 10:00:00", 300))
    after = run.take()
    assert after.read == ("logs/b.csv",)
    assert after.samples[:500] == before.samples
    assert after.samples[501][3] == 3.0
    run = Run(tmp_path, time=DATED, force=two.format("2026-11-24"))
    with pytest.raises(InputError, match="is gone, and the rig file has changed"):
        run.take()


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
