"""Files among the logs that are none: skipped and reported; whatever may be a log is not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchpipe.config.log import LogConfig
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
    "events.txt": (
        b"2033-05-17;06:40:00;pump;3\n2033-05-17 06:41:00.250;operator stopped it;4\n" * 2000,
        "without rows",
    ),
    "events.csv": (b"time,event\n2033-05-17T06:40:00,start\n2033-05-17T06:41:00,stop\n", "without rows"),
    "numbers.txt": (b"".join(b"%d %.2f\n" % (k, 1.01 * k) for k in range(60)), "without rows"),
    "state.bin": (np.random.default_rng(5).bytes(5000), "no text"),
    "floats.bin": (np.linspace(0.1, 7.0, 900).astype("<f8").tobytes(), "no text"),
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
        "2031-04-12T10:30:00.250+01:00;3.5;2\n2031-04-12T10:30:00.260+01:00;3.6;2\n",
        "0'010\t1'203.5\t2\n",
        "",
        "unfinished",
    ],
)
def test_what_may_be_a_log_is_no_stranger(tmp_path: Path, content: str) -> None:
    run = Run(tmp_path)
    assert why_stranger(run.write("b.csv", content), run.config.rig) is None


def test_damage_is_no_stranger(tmp_path: Path) -> None:
    run = Run(tmp_path)
    sound = (HEAD + rows(0, 300)).encode()
    for damaged in (
        sound[:900] + bytes(3000) + sound[900:],
        bytes(5000),
        sound.decode().encode("utf-16"),
        b"\x1f\x8b\x08",
    ):
        path = run.write("b.csv", damaged)
        assert why_stranger(path, run.config.rig) is None


@pytest.mark.parametrize(
    ("form", "own"),
    [
        ("parquet", b"PAR1"), ("mdf", b"MDF     4.10"), ("hdf5", bytes(512) + b"\x89HDF\r\n\x1a\n"),
        ("xlsx", b"PK\x03\x04"), ("matlab", b"MATLAB 5.0 MAT-file"), ("arrow", b"ARROW1\x00\x00"),
    ],
)  # fmt: skip
def test_a_note_among_logs_of_other_formats_is_a_stranger(tmp_path: Path, form: str, own: bytes) -> None:
    run = Run(tmp_path)
    rig = run.config.rig.model_copy(update={"log": LogConfig(format=form)})
    assert why_stranger(run.write("numbers.txt", STRANGERS["numbers.txt"][0]), rig) is not None
    assert why_stranger(run.write("log", own + bytes(100)), rig) is None
    assert why_stranger(run.write("log", bytes(100)), rig) is None


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
