"""The screen of an inspection, the command's exit codes, and that nothing is overwritten."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pytest

from benchpipe.cli.main import call
from benchpipe.config.model import load_model
from benchpipe.config.rig import RigConfig
from benchpipe.inspect.run import inspect_logs
from benchpipe.report.inspection import inspection_lines
from benchpipe.report.signs import ASCII, UNICODE
from benchpipe.simulate import faults as fault
from tests.ingest.driven import logs_of, simulated
from tests.ingest.test_inspect_questions import by_hand, table

SCREEN = """\
small_0001.csv
text, 61.4 kB, 2,100 rows, all looked at
encoding    cp1252 (not UTF-8; makes the log's units readable; cp1252 and
            latin-1 read it alike)
separator   semicolon
numbers     decimal comma
line ends   CR LF
header      line 2, units in the next
preamble    Rig: R1
time        Time [s], elapsed
sample rate 50 Hz (a step of 20 ms, no jitter)
gaps        none

channel                unit          lowest     highest  resolution  likely
torque                 N·m            -0.39    2,400.89        0.01  load
angle                  °             -0.002      12.010       0.001  motion
oil                    °C             21.89       22.10        0.01  temperature
count                  cycles             0          40           1  counter

load [N·m]         ▃▇█▇▃        ▄▇█▆▃        ▅██▆▁       ▁▅██▅        ▁▆█▇▄
to 2,400          ▅█████▅     ▁▇█████▅     ▂██████▄     ▄██████▂     ▄█████▇▁
from 99.5      ▁▃█████████▄▁▁▄█████████▃▁▂▅████████▆▂▁▂▆████████▅▂▁▃▆████████▄▁
motion [°]         ▃▇█▇▃        ▄▇█▆▃        ▅██▆▁       ▁▅██▅        ▁▆█▇▄
to 12.0           ▅█████▅     ▁▇█████▅     ▂██████▄     ▄██████▂     ▄█████▇▁
from 0.499     ▁▃█████████▄▁▁▄█████████▃▁▂▅████████▆▂▁▂▆████████▅▂▁▃▆████████▄▁
cycles      about 1 Hz; above: 5 s

no question is open: the drafted rig file works unchanged
"""
SEEN = "seen        39 cycles at 1 Hz, load from 99.86 to 2400 N·m\n"  # what the command adds: the log as it reads


def plain_log(folder: Path) -> Path:
    log = {"separator": ";", "decimal": ",", "encoding": "cp1252", "line_end": "\r\n", "units_row": True}
    return simulated(folder, preamble=("Rig;{rig}",), **log)


def text_of(log: Path | list[Path], *, ascii_only: bool = False) -> str:
    found = inspect_logs(log if isinstance(log, list) else [log])
    return "".join(line + "\n" for line, _ in inspection_lines(found, ASCII if ascii_only else UNICODE))


def test_the_screen(tmp_path: Path) -> None:
    assert text_of(logs_of(plain_log(tmp_path / "run"))) == SCREEN


def test_the_screen_in_ascii_and_never_wider_than_80(tmp_path: Path) -> None:
    folder = simulated(
        tmp_path / "run",
        fault.HoldLastConfig(kind="hold-last", row=500, rows=200, channel="Angle"),
        fault.SentinelConfig(kind="sentinel", row=900, rows=40, channel="Torque", text="-9999"),
        fault.SentinelConfig(kind="sentinel", row=1100, rows=4, channel="Oil", text="OVER"),
        fault.TextLineConfig(kind="text-line", row=1300, text="a note " * 30),
        fault.LoseRowsConfig(kind="lose-rows", row=1500, rows=300),
        preamble=("Key;" + "a long value " * 20,), units_row=True,
    )  # fmt: skip
    for ascii_only in (False, True):
        text = text_of(logs_of(folder), ascii_only=ascii_only)
        assert max(len(line) for line in text.splitlines()) <= 80
        assert text.isascii() == ascii_only
        for said in (
            "! angle stays at", "for 201 rows from line 503: stuck?", "oil shows OVER in place of a number",
            "1 row(s) would be rejected", "1, the longest 6.02 s", "channel.torque.missing", '["-9999"] or []',
            "1 question(s) must be answered",
        ):  # fmt: skip
            assert said in " ".join(text.split()), said
    assert "N*m" in text


def run(*arguments: str | Path, **env: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "benchpipe", "inspect", *map(str, arguments)],
        capture_output=True, text=True, encoding="utf-8", check=False, env={**os.environ, **env},
    )  # fmt: skip


def test_the_command_drafts_and_never_overwrites(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = plain_log(tmp_path / "run")
    before = {p: hashlib.sha256(p.read_bytes()).hexdigest() for p in logs_of(folder)}
    rig = tmp_path / "my rig.toml"
    assert call(["inspect", str(folder / "logs"), "--write-rig", str(rig)]) == 0
    shown = capsys.readouterr()
    assert shown.out == SCREEN + SEEN
    assert "rig file drafted" in shown.err
    assert load_model(RigConfig, rig)[0].name == "my rig"
    kept = rig.read_bytes()
    assert call(["inspect", str(folder / "logs"), "--write-rig", str(rig)]) == 2
    shown = capsys.readouterr()
    assert "there already, and is not overwritten" in shown.err
    assert shown.out == ""
    assert rig.read_bytes() == kept
    dangling = tmp_path / "link.toml"
    dangling.symlink_to(tmp_path / "elsewhere.toml")
    assert call(["inspect", str(folder / "logs"), "--write-rig", str(dangling)]) == 2
    assert not (tmp_path / "elsewhere.toml").exists()
    assert call(["inspect", str(folder / "logs"), "--write-rig", str(tmp_path / "no" / "rig.toml")]) == 2
    assert {p: hashlib.sha256(p.read_bytes()).hexdigest() for p in logs_of(folder)} == before


def test_exit_codes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    asked = by_hand(tmp_path / "asked.csv", table("Time", "Force [N]", "Travel [mm]"))
    rig = tmp_path / "rig.toml"
    assert call(["inspect", str(asked), "--write-rig", str(rig)]) == 11  # a question is open
    assert 'unit = "?"' in rig.read_text()
    assert "? time.unit: the time column 'Time' has no unit" in capsys.readouterr().out
    broken = by_hand(tmp_path / "broken.csv", "nothing here\n")
    other = tmp_path / "other.toml"
    assert call(["inspect", str(broken), "--write-rig", str(other)]) == 12
    assert not other.exists()
    assert call(["inspect", str(asked), str(broken)]) == 12
    assert call(["inspect", str(tmp_path / "nowhere")]) == 12
    assert call(["inspect", str(asked), "--encoding", "utf8"]) == 2
    assert "did you mean 'utf-8'?" in capsys.readouterr().err
    empty = tmp_path / "empty"
    empty.mkdir()
    assert call(["inspect", str(empty)]) == 12
    assert call(["inspect"]) == 2


def test_a_pipe_gets_plain_text_and_an_ascii_terminal_ascii(tmp_path: Path) -> None:
    folder = plain_log(tmp_path / "run")
    piped = run(folder / "logs", FORCE_COLOR="", PYTHONIOENCODING="utf-8")
    assert piped.stdout == SCREEN + SEEN
    assert piped.returncode == 0
    ascii_only = run(folder / "logs", PYTHONIOENCODING="ascii")
    assert ascii_only.stdout.isascii()
    assert "load [N*m]" in ascii_only.stdout
    assert "\x1b" not in piped.stdout + ascii_only.stdout
