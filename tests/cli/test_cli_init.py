"""From nothing to a first night, in the five commands that README gives; and what starts it each night."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from benchpipe.cli import schedule
from benchpipe.cli.main import call
from benchpipe.simulate import scenarios, simulate
from tests.cli.commands import REPO, environment


@pytest.fixture
def empty(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder with a space in its name, to stand in."""
    folder = tmp_path / "a new place"
    folder.mkdir()
    monkeypatch.chdir(folder)
    return folder


def rig_logs(folder: Path) -> None:
    """Simulated logs where a rig would write its own."""
    simulate(scenarios.BUILDERS["healthy"]().changed(seed=3, cycles=250), folder / "sim")
    (folder / "sim" / "logs").rename(folder / "rig-logs")


def five_commands() -> list[str]:
    """The lines of README."""
    text = (REPO / "README.md").read_text(encoding="utf-8")
    block = re.search(r"<!-- five commands: .*?-->\n```sh\n(.*?)```", text, re.DOTALL)
    assert block is not None
    return block[1].splitlines()


def test_the_five_commands_of_readme_reach_a_first_night(empty: Path) -> None:
    rig_logs(empty)
    shim = empty / "bin" / "benchpipe"
    shim.parent.mkdir()
    shim.write_text(f'#!/bin/sh\nexec {shlex.quote(sys.executable)} -m benchpipe "$@"\n')
    shim.chmod(0o755)
    there = environment(PATH=f"{shim.parent}:{os.environ['PATH']}")
    path, *lines = five_commands()
    assert path.startswith('export PATH="$PWD/.venv/bin:$PATH"')
    assert len(lines) == 5
    told, codes = [], []
    for line in lines:
        done = subprocess.run(["bash", "-c", line], cwd=empty, env=there, capture_output=True, text=True, check=False)
        assert done.returncode in (0, 11), f"{line}\n{done.stdout}{done.stderr}"
        told.append(done.stdout)
        codes.append(done.returncode)
    assert codes == [0, 0, 0, 0, 11]  # no log says how uncertain its channels are
    assert "no problems found: ready to run" in told[3]
    assert "uncertainty of 'torque'" in " ".join(told[4].split())  # wherever the screen breaks the line
    assert re.search(r"cycling +24\d cycles", told[4])
    assert re.search(r"(?m)^not evaluated  stiffness lost\*: +-?\d+\.\d+ %", told[4])


def test_a_new_lab_has_no_plan_and_doctor_says_how_it_gets_one(empty: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call(["init", "lab"]) == 0
    draft = "inspect lab/logs --write-rig lab/rig.toml --write-plan lab/plan.toml"
    assert draft in capsys.readouterr().out
    assert not (empty / "lab" / "plan.toml").exists()
    assert list((empty / "lab" / "logs").iterdir()) == []
    assert call(["doctor", "lab"]) == 2
    assert "--write-plan" in capsys.readouterr().out


def test_nothing_is_overwritten(empty: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (empty / "lab").mkdir()
    (empty / "lab" / "mine.txt").write_text("mine")
    (empty / "file").write_text("a file")
    for name in ("lab", "file"):
        assert call(["init", name]) == 2
        assert "is not overwritten" in capsys.readouterr().err
    assert [p.name for p in (empty / "lab").iterdir()] == ["mine.txt"]
    assert call(["init", "new"]) == 0
    before = {p: p.read_bytes() for p in (empty / "new").rglob("*.*") if p.is_file()}
    assert call(["init", "new"]) == 2
    assert call(["init", "new", "--cron"]) == 0
    assert {p: p.read_bytes() for p in (empty / "new").rglob("*.*") if p.is_file()} == before


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--at", "24:00"], "no time of day"), (["--at", "5:30"], "HH:MM"), (["--to", "x"], "--timer"),
    ],
)  # fmt: skip
def test_what_is_refused(empty: Path, arguments: list[str], told: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert call(["init", "lab", *arguments]) == 2
    assert told in capsys.readouterr().err
    assert list(empty.iterdir()) == []


def test_a_folder_that_may_not_be_written_is_told(empty: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (empty / "file").write_text("")
    assert call(["init", "file/lab"]) == 2
    assert "the lab cannot be written" in capsys.readouterr().err


# --- each night ---------------------------------------------------------------------------------------------

NAMES = ["lab", "my lab", "100% (new) \"lab\"", "a\\b $HOME", "größe"]


@pytest.mark.parametrize("name", NAMES)
def test_the_units_are_sound_and_start_the_very_lab(
    empty: Path, name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(["init", name, "--timer", "--to", "units", "--at", "04:05"]) == 0
    out = capsys.readouterr().out
    service, timer = sorted((empty / "units").iterdir())
    assert (service.suffix, timer.suffix, service.stem) == (".service", ".timer", timer.stem)
    assert f"systemctl --user enable --now {timer.name}" in out
    assert "SuccessExitStatus=10 11\n" in service.read_text()
    assert "OnCalendar=*-*-* 04:05:00\n" in timer.read_text()
    line = re.search(r"(?m)^ExecStart=(.*)$", service.read_text())
    assert line is not None
    assert started_words(line[1]) == schedule._command((empty / name).absolute())
    tool = shutil.which("systemd-analyze")
    if tool is not None:
        runtime = tmp_path / "run"
        runtime.mkdir()
        done = subprocess.run(
            [tool, "--user", "verify", service, timer], env={**os.environ, "XDG_RUNTIME_DIR": str(runtime)},
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert (done.returncode, done.stderr) == (0, "")


def started_words(line: str) -> list[str]:
    """Words of a command line as systemd.service(5) reads it: quotes, \\ escapes, %% and $$."""
    words = re.findall(r'"((?:[^"\\]|\\.)*)"|(\S+)', line)
    return [re.sub(r"\\(.)", r"\1", a or b).replace("%%", "%").replace("$$", "$") for a, b in words]


def test_units_go_where_systemd_looks_and_another_is_kept(
    empty: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("HOME", str(empty / "home"))
    assert call(["init", "lab", "--timer"]) == 0
    folder = empty / "home" / ".config" / "systemd" / "user"
    assert sorted(p.name for p in folder.iterdir()) == ["benchpipe-lab.service", "benchpipe-lab.timer"]
    assert "link" not in capsys.readouterr().out
    assert call(["init", "lab", "--timer"]) == 0  # the same again changes nothing
    (folder / "benchpipe-lab.timer").write_text("mine")
    assert call(["init", "lab", "--timer"]) == 2
    assert "another unit of that name is there" in capsys.readouterr().err
    assert (folder / "benchpipe-lab.timer").read_text() == "mine"


@pytest.mark.parametrize("name", NAMES)
def test_the_line_of_cron_runs_as_cron_runs_it(empty: Path, name: str) -> None:
    lab = empty / name
    lab.mkdir()
    line = schedule.cron_line(lab, "05:30")
    assert line.startswith("30 5 * * * ")
    assert not re.search(r"(?<!\\)%", line)
    command = line.removeprefix("30 5 * * * ").replace("\\%", "%")  # as cron hands it to the shell
    done = subprocess.run(["sh", "-c", command], env=environment(), cwd="/", capture_output=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (2, b"", b"")
    assert "the file does not exist" in (lab / "nightly.log").read_text()


# --- what is shipped ----------------------------------------------------------------------------------------


def test_the_wheel_holds_every_template(tmp_path: Path) -> None:
    build = pytest.importorskip("hatchling.builders.wheel", reason="the wheel is built with hatchling")
    wheel = next(build.WheelBuilder(str(REPO)).build(directory=str(tmp_path), versions=["standard"]))
    with zipfile.ZipFile(wheel) as packed:
        packed.extractall(tmp_path / "there")
    shipped = {p.relative_to(tmp_path / "there/benchpipe/configs") for p in (tmp_path / "there").rglob("*.toml")}
    assert shipped == {p.relative_to(REPO / "configs") for p in (REPO / "configs").rglob("*.toml")}
    program = "from benchpipe.config.starter import templates; print(templates())"
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=tmp_path, env=environment(PYTHONPATH=str(tmp_path / "there")),
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout.strip() == str(tmp_path / "there" / "benchpipe" / "configs")
