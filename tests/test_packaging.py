"""The package builds from a checkout and from its own sdist, configs in it; commands say where kernels go."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

from tests.cli.commands import REPO, environment

BUILD = "from hatchling import build; import sys; print(getattr(build, sys.argv[1])(sys.argv[2]))"


def built(kind: str, source: Path, to: Path) -> Path:
    """File that the build backend makes of a source folder."""
    done = subprocess.run(
        [sys.executable, "-c", BUILD, f"build_{kind}", str(to)], cwd=source, capture_output=True, text=True, check=True
    )
    return to / done.stdout.splitlines()[-1]


def test_sdist_and_wheel_build_from_each_other_and_carry_the_configs(tmp_path: Path) -> None:
    with tarfile.open(built("sdist", REPO, tmp_path)) as file:
        file.extractall(tmp_path / "from", filter="data")
    (source,) = (tmp_path / "from").iterdir()
    wheels = [zipfile.ZipFile(built("wheel", folder, tmp_path / name)) for folder, name in ((REPO, "a"), (source, "b"))]
    first, second = ({info.filename: info.CRC for info in wheel.infolist()} for wheel in wheels)
    assert first == second
    assert {f"benchpipe/{path.relative_to(REPO)}" for path in (REPO / "configs").rglob("*.toml")} <= set(first)
    assert {str(path.relative_to(REPO)) for path in (REPO / "benchpipe" / "guide").rglob("*.md")} <= set(first)
    assert "benchpipe/cli/main.py" in first
    assert "benchpipe/report/record/record.typ" in first
    assert {f"benchpipe/report/page/{name}" for name in ("page.css", "page.js", "board.css", "board.js")} <= set(first)


def test_the_demo_ends_with_what_to_do_next(tmp_path: Path) -> None:
    code = "import pathlib; from benchpipe.cli import demo; print(*demo.next_steps(pathlib.Path('s')), sep=chr(10))"
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment(PATH="/usr/bin"), capture_output=True, text=True, check=True
    )
    path, trace, compare, init = done.stdout.splitlines()
    assert path.split("#")[0].strip() == f'export PATH={shlex.quote(str(Path(sys.executable).parent))}:"$PATH"'
    assert "benchpipe trace s/wearing/plan.toml durability --cycle 100" in trace
    assert "benchpipe compare s/bumper-study/study.toml" in compare
    assert "benchpipe init my-lab" in init


@pytest.mark.skipif(os.name != "posix" or not Path("/proc").is_dir(), reason="a folder nobody can write to")
def test_without_a_folder_for_kernels_a_command_says_so(tmp_path: Path) -> None:
    code = "from benchpipe.cli.progress import tell_of_kernels; tell_of_kernels()"
    said = []
    for folder in ("/proc/nothing", str(tmp_path)):
        env = environment(XDG_CACHE_HOME=folder, NUMBA_CACHE_DIR="")
        done = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True, check=True)
        said.append(done.stderr)
    assert "compiled each time" in said[0]
    assert "once, about half a minute" in said[1]


def test_ci_tries_the_oldest_and_the_newest_python() -> None:
    text = (REPO / ".ci" / "run").read_text()
    assert "3.11 3.12 3.13" in text
    assert subprocess.run(["bash", "-n", str(REPO / ".ci" / "run")], check=False).returncode == 0
