"""Record a first night as SVG: ``python -m benchpipe.cli.recording FILE``. The commands are really run."""

from __future__ import annotations

import os
import pty
import re
import shlex
import subprocess
import sys
import tempfile
from io import StringIO
from pathlib import Path

from rich.console import Console
from rich.terminal_theme import MONOKAI
from rich.text import Text

from benchpipe.cli.guide import page
from benchpipe.cli.picture import FORMAT
from benchpipe.simulate import scenarios, simulate

COLUMNS = 100
COMMANDS = re.compile(r"^(benchpipe init.*?)```", re.DOTALL | re.MULTILINE)


def commands() -> list[str]:
    """The five commands of the guide's first page."""
    found = COMMANDS.search(page("first-night"))
    return [line.partition("  #")[0].rstrip() for line in found[1].splitlines()] if found else []


def recorded(folder: Path) -> list[tuple[str, str]]:
    """Each command of a first night in a folder, with what it wrote to a terminal. The logs are simulated."""
    simulate(scenarios.BUILDERS["healthy"]().changed(seed=3, cycles=250), folder / "sim")
    (folder / "sim" / "logs").rename(folder / "rig-logs")
    there = os.environ | {"COLUMNS": str(COLUMNS), "TERM": "xterm-256color", "PYTHONPATH": os.pathsep.join(sys.path)}
    return [(line, _run(line, folder, there)) for line in commands()]


def _run(line: str, folder: Path, environment: dict[str, str]) -> str:
    """What a command line writes to a terminal."""
    program = f'benchpipe() {{ {shlex.quote(sys.executable)} -m benchpipe "$@"; }}; {line}'
    ours, theirs = pty.openpty()
    with subprocess.Popen(
        ["bash", "-c", program], cwd=folder, env=environment, stdout=theirs, stderr=subprocess.DEVNULL
    ) as job:
        os.close(theirs)
        pieces = []
        while True:
            try:
                piece = os.read(ours, 1 << 16)
            except OSError:  # the other end is closed
                break
            if not piece:
                break
            pieces.append(piece)
        os.close(ours)
        job.wait()
    return b"".join(pieces).decode().replace("\r\n", "\n")


def draw(lines: list[tuple[str, str]]) -> str:
    """SVG of commands and what they wrote."""
    console = Console(record=True, width=COLUMNS, file=StringIO(), force_terminal=True, highlight=False)
    for line, wrote in lines:
        console.print(Text(f"$ {line}", style="bold"))
        console.print(Text.from_ansi(wrote.rstrip()))
        console.print()
    return console.export_svg(title="", theme=MONOKAI, code_format=FORMAT, unique_id="first-night")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        Path(sys.argv[1]).write_text(draw(recorded(Path(name))), encoding="utf-8")
