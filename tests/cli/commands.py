"""Run commands as a user does, in a copy of the sample runs."""

from __future__ import annotations

import io
import os
import shutil
import subprocess
import sys
from contextlib import chdir, redirect_stderr, redirect_stdout
from pathlib import Path
from unittest import mock

from benchpipe.cli.main import call

REPO = Path(__file__).resolve().parents[2]


def playground(lab: Path, folder: Path) -> Path:
    """Copy a worked-through lab, with the package beside it, so that ``benchpipe demo`` finds the copy too."""
    shutil.copytree(lab.parents[1], folder, dirs_exist_ok=True)
    (folder / "benchpipe").symlink_to(REPO / "benchpipe")
    return folder


def environment(**changes: str) -> dict[str, str]:
    """A plain environment: what the tester's terminal wants does not count."""
    plain = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "FORCE_COLOR", "TTY_COMPATIBLE", "COLUMNS")}
    return plain | {"PYTHONWARNINGS": "error", "PYTHONPATH": str(REPO)} | changes


def started(arguments: list[str], folder: Path, **named: object) -> subprocess.Popen[bytes]:
    """Start a command in a folder; its output is piped where nothing else is said."""
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "env": environment()}
    command = [sys.executable, "-m", "benchpipe", *arguments]
    return subprocess.Popen(command, cwd=folder, **(pipes | named))  # type: ignore[call-overload, no-any-return]


def run(arguments: list[str], folder: Path, **named: object) -> tuple[int, str, str]:
    """Exit code, standard output and standard error of a command."""
    with started(arguments, folder, **named) as job:
        out, err = job.communicate(timeout=120)
        return job.returncode, (out or b"").decode(errors="replace"), (err or b"").decode(errors="replace")


def called(arguments: list[str], folder: Path, **changes: str) -> tuple[int, str, str]:
    """The same in this process, a second cheaper: where no process, terminal or encoding is what is tested."""
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8", write_through=True) for _ in range(2))
    plain = mock.patch.dict(os.environ, environment(**changes), clear=True)
    with plain, chdir(folder), redirect_stdout(out), redirect_stderr(err):
        code = call(arguments)
    return code, *(stream.buffer.getvalue().decode() for stream in (out, err))  # type: ignore[attr-defined, return-value]
