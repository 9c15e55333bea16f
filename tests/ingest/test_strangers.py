"""Files among the logs that are none: skipped and reported; whatever may be a log is not."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchpipe.errors import InputError
from benchpipe.ingest.strangers import why_stranger
from tests.ingest.taken import HEAD, Run, rows

NOTE = "Monday: changed the load cell, 5 kN range, zero 0.02 kN.\nAt 12.5 mm it touches; see page 30, 31 of the book.\n"
STRANGERS = {
    "results.xlsx": (b"PK\x03\x04\x14\x00\x06\x00" + bytes(200), "workbook"),
    "old.xls": (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(200), "workbook"),
    "Thumbs.db": (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(200), "thumbnails"),
    "~$results.xlsx": (b"\x04user" + bytes(40), "lock file"),
    "desktop.ini": (b"[.ShellClassInfo]\r\n", "settings"),
    "photo.jpg": (b"\xff\xd8\xff\xe0\x00\x10JFIF" + bytes(40), "image"),
    "screen.png": (b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR" + bytes(40), "image"),
    "certificate.pdf": (b"%PDF-1.7\n%\xe2\xe3\n", "PDF"),
    "readme.txt": (NOTE.encode(), "text without rows"),
}


def test_strangers_are_skipped_and_reported_and_sound_logs_go_on(tmp_path: Path) -> None:
    run = Run(tmp_path)
    run.write("a.csv", HEAD + rows(0, 300))
    for name, (content, _) in STRANGERS.items():
        run.write(name, content)
    taken = run.take()
    remarks = [r for r in taken.manifest.steps["ingest"].remarks if r.code == "not-taken"]
    told = {r.where.removeprefix("logs/"): r.text for r in remarks}
    assert set(told) == set(STRANGERS)
    assert all(word in told[name] for name, (_, word) in STRANGERS.items())
    assert len(taken.samples) == 300
    assert run.take().manifest == taken.manifest
    alone = Run(tmp_path / "alone")
    alone.write("a.csv", HEAD + rows(0, 300))
    assert alone.take().samples == taken.samples


@pytest.mark.parametrize(
    "content",
    [
        "time;force;way\n0,01;3,5;2\n0,02;3,6;2\n",  # another separator and other names
        "0.01 3.5 2.0\n0.02 3.6 2.0\n",
        "12.04.2031 10:30:00\t3.5\t2\n",
        "t,F\n" + "see page\n",  # one of the columns
        "II*,MM,some text of a log\n0,1,2\n",
        "",
        "unfinished",
    ],
)
def test_what_may_be_a_log_is_no_stranger(tmp_path: Path, content: str) -> None:
    run = Run(tmp_path)
    assert why_stranger(run.write("b.csv", content), run.config.rig) is None


def test_a_log_that_is_damaged_or_written_otherwise_still_stops_the_run(tmp_path: Path) -> None:
    run = Run(tmp_path)
    run.write("a.csv", HEAD + rows(0, 300))
    run.write("b.csv", "time;force;way\n" + "0,01;3,5;2\n" * 30)
    with pytest.raises(InputError, match="no line of the log names the columns"):
        run.take()


def test_a_log_that_was_taken_and_is_a_picture_now_is_a_changed_log(tmp_path: Path) -> None:
    run = Run(tmp_path)
    run.write("a.csv", HEAD + rows(0, 300))
    before = run.take()
    run.write("a.csv", STRANGERS["screen.png"][0])
    after = run.take()
    assert after.samples == before.samples
    assert "changed" in after.codes


def test_nothing_but_strangers_is_an_error_that_names_them(tmp_path: Path) -> None:
    run = Run(tmp_path)
    run.write("readme.txt", NOTE)
    run.write("screen.png", STRANGERS["screen.png"][0])
    with pytest.raises(InputError, match="each file that matches is something else") as error:
        run.take()
    assert "and 1 more" in (error.value.got or "")
