"""Dates, gaps and channels: what a run says of the times and values of its logs."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchpipe.errors import InputError
from tests.ingest.taken import DATED, HEAD, Run, dated, rows


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


def test_a_dropout_that_repeats_the_last_value_is_no_value(tmp_path: Path) -> None:
    run = Run(tmp_path, force="stuck_after = 5")
    run.write("a.csv", HEAD + "".join(f"{k / 100},{min(k, 20) if k < 60 else k},{k}\n" for k in range(100)))
    taken = run.take()
    assert [s[0] // 10_000 for s in taken.samples if s[3] != s[3]] == list(range(25, 60))
    assert taken.codes["dropout"] == 35
