"""Where output goes: pipes that close, disks that are full, terminals with and without colour or letters."""

from __future__ import annotations

import json
import os
import pty
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from benchpipe.cli.main import call
from tests.cli.commands import called, environment, playground, run, started
from tests.ingest.taken import HEAD, Run, rows

COLOUR = re.compile(r"\x1b\[[0-9;]*3[0-7][0-9;]*m")


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["show", "wearing"], 10),
        (["show", "wearing", "--json"], 10),
        (["nightly"], 10),
        (["export", "healthy", "samples"], 0),
        (["export", "healthy", "samples", "--format", "parquet"], 0),
        (["trace", "healthy", "durability", "--cycle", "1"], 0),
        (["--help"], 0),
    ],
)
def test_a_reader_that_leaves_early_changes_no_exit_code(sample_lab: Path, arguments: list[str], code: int) -> None:
    with started(arguments, sample_lab.parent) as job:
        assert job.stdout is not None
        assert job.stderr is not None
        assert os.read(job.stdout.fileno(), 1)  # as `| head -1` does, but sooner
        job.stdout.close()
        err = job.stderr.read().decode()
        assert job.wait(60) == code, err
    assert "Traceback" not in err
    assert "error" not in err


def test_nobody_reads_at_all(sample_lab: Path) -> None:
    inlet, outlet = os.pipe()
    os.close(inlet)
    with started(["show", "wearing"], sample_lab.parent, stdout=outlet) as job:
        os.close(outlet)
        assert job.wait(60) == 10


@pytest.mark.skipif(os.name != "posix", reason="a POSIX shell closes streams")
@pytest.mark.parametrize(
    ("arguments", "code", "closed"),
    [
        (["nightly"], 10, ">&-"), (["nightly"], 10, "<&- >&- 2>&-"), (["show", "wearing"], 10, ">&-"),
        (["--help"], 0, "<&- >&- 2>&-"), (["show", "nobody"], 2, "2>&-"), (["show", "nobody"], 2, "<&- >&- 2>&-"),
    ],
)  # fmt: skip
def test_streams_that_the_caller_closed(sample_lab: Path, arguments: list[str], code: int, closed: str) -> None:
    job = subprocess.run(
        ["/bin/sh", "-c", f'exec "$0" -m benchpipe "$@" {closed}', sys.executable, *arguments],
        cwd=sample_lab.parent, env=environment(), capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert job.returncode == code, job.stderr
    assert "Traceback" not in job.stderr + job.stdout


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full")
@pytest.mark.parametrize(
    "arguments",
    [["show", "healthy"], ["show", "healthy", "--json"], ["nightly", "--brief"], ["export", "healthy", "cycles"],
     ["export", "healthy", "cycles", "--format", "parquet"], ["ingest", "healthy"], ["--help"]],
)  # fmt: skip
def test_output_to_a_full_disk_is_told(sample_lab: Path, arguments: list[str]) -> None:
    with Path("/dev/full").open("wb") as full:
        code, _, err = run(arguments, sample_lab.parent, stdout=full)
    assert code == 12
    assert "No space left on device" in err
    assert arguments[0] not in ("show", "nightly") or "standard output" in err
    assert "Traceback" not in err
    assert "bug" not in err


@pytest.mark.parametrize(("changes", "coloured"), [({}, True), ({"NO_COLOR": "1"}, False), ({"TERM": "dumb"}, False)])
def test_a_terminal_gets_colour_unless_it_does_not_want_it(
    sample_lab: Path, changes: dict[str, str], coloured: bool
) -> None:
    inside, outside = pty.openpty()
    env = environment(**({"TERM": "xterm-256color", "COLUMNS": "80"} | changes))
    with started(["show", "wearing"], sample_lab.parent, stdout=outside, env=env) as job:
        os.close(outside)
        text = b""
        while True:
            try:
                piece = os.read(inside, 65536)
            except OSError:  # the other end has closed
                break
            if not piece:
                break
            text += piece
        assert job.wait(60) == 10
    os.close(inside)
    assert bool(COLOUR.search(text.decode())) is coloured
    assert "A LIMIT FAILED" in text.decode()


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "utf-8"])
def test_any_encoding_of_the_terminal_is_served(sample_lab: Path, encoding: str) -> None:
    env = environment(PYTHONIOENCODING=encoding, PYTHONUTF8="0")
    code, out, err = run(["nightly"], sample_lab.parent, env=env)
    assert code == 10, err
    assert "?" not in out
    assert "\x1b" not in out  # it is no terminal
    assert out.isascii() is (encoding != "utf-8")


@pytest.mark.parametrize("encoding", ["ascii", "utf-8"])
def test_json_in_any_encoding_is_json(sample_lab: Path, encoding: str) -> None:
    env = environment(PYTHONIOENCODING=encoding, PYTHONUTF8="0")
    _, out, _ = run(["show", "healthy", "--json"], sample_lab.parent, env=env)
    assert json.loads(out)["runs"][0]["run"] == "healthy"


def test_a_name_that_the_terminal_cannot_show_is_no_reason_to_stop(sample_lab: Path, tmp_path: Path) -> None:
    lab = playground(sample_lab, tmp_path) / "sample_runs" / "lab.toml"
    plan = lab.parent / "healthy" / "plan.toml"
    plan.write_text(plan.read_text(encoding="utf-8").replace("Alder-1", "Größe-脚"), encoding="utf-8")
    code, out, err = run(["show", "healthy"], lab.parent, env=environment(PYTHONIOENCODING="ascii"))
    assert code == 0, err
    assert "Gr??e-?" in out


@pytest.mark.parametrize("width", ["40", "80", "200"])
def test_the_width_of_the_terminal_is_kept(sample_lab: Path, width: str) -> None:
    _, out, _ = called(["show", "wearing"], sample_lab.parent, COLUMNS=width)
    commands = [line for line in out.splitlines() if line.strip().startswith("benchpipe ")]  # never wrapped: to paste
    assert max(len(line) for line in out.splitlines() if line not in commands) <= int(width)


def test_progress_and_results_are_apart(sample_lab: Path, tmp_path: Path) -> None:
    code, out, err = called(["export", "healthy", "holds"], sample_lab.parent)
    assert (code, err) == (0, "")
    assert out.startswith('"block","hold"')
    code, out, err = called(["ingest", "healthy", "--again", "--store", str(tmp_path / "s")], sample_lab.parent)
    assert err.splitlines() == ["reading logs/healthy_0001.csv.gz", "reading logs/healthy_0002.csv.gz"]
    assert out.startswith("healthy: 2 of 2 log(s) read; ")


def test_ingest_tells_of_a_log_that_is_not_what_was_taken(tmp_path: Path) -> None:
    logs = Run(tmp_path)
    log = logs.write("a.csv", HEAD + rows(0, 40))
    arguments = ["ingest", "plan.toml", "--store", "store"]
    assert called(arguments, tmp_path)[1].splitlines() == [
        "run: 1 of 1 log(s) read; 40 rows = 40 samples + 0 rejected + 0 repeated"
    ]
    log.write_text(HEAD + rows(0, 30), "utf-8")
    for name in range(15):
        logs.write(f"b{name}.csv", "")
    code, out, _ = called(arguments, tmp_path)
    assert (code, len(out.splitlines())) == (0, 1 + 12 + 1)
    assert "! logs/b0.csv: the log holds no rows\n" in out
    assert out.endswith("! and 4 more: benchpipe export plan.toml --store store remarks\n")
    assert "! logs/a.csv: the log has shrunk since it was taken" in out


def test_standard_error_may_be_closed(sample_lab: Path, tmp_path: Path) -> None:
    shutil.copytree(sample_lab.parents[1], tmp_path, dirs_exist_ok=True)
    with subprocess.Popen(
        ["/bin/sh", "-c", f"exec '{os.sys.executable}' -m benchpipe demo . 2>&-"],  # type: ignore[attr-defined]
        cwd=tmp_path / "sample_runs", env=environment(), stdout=subprocess.PIPE,
    ) as job:  # fmt: skip
        out, _ = job.communicate(timeout=120)
        assert job.returncode == 0
    assert b"wearing" in out


@pytest.mark.skipif(os.name != "posix", reason="such names are not allowed elsewhere")
def test_the_name_of_a_log_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lab = Run(tmp_path)
    lab.write("a[red]\nb\x1b[31m.csv", HEAD + rows(0, 2000))
    (tmp_path / "lab.toml").write_text('name = "lab"\nstore = "store"\nplans = ["plan.toml"]\n', "utf-8")
    call(["nightly", str(tmp_path)])
    err = capsys.readouterr().err
    call(["ingest", str(tmp_path / "plan.toml"), "--again"])
    err += capsys.readouterr().err
    assert err.count("reading logs/a[red]\\nb\\x1b[31m.csv\n") == 2
    assert "\x1b" not in err
