"""No command waits for what libraries import where it is installed, unless a plugin may want it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

PROBE = """
import json, os, sys
sys.argv = ["benchpipe", *json.loads(sys.argv[1])]
from benchpipe.cli import main
def leave(code):
    import pyarrow as pa
    pa.scalar(0)
    from benchpipe.readers.text_scan import count_lines
    import numpy as np
    assert count_lines(np.frombuffer(b"1\\n2\\n", np.uint8)) == 2
    print("pandas" in sys.modules, "scipy.linalg" in sys.modules)
    import scipy.linalg  # is there for who asks for it
    sys.stdout.flush()
    os._exit(0)
main._leave = leave
main.run()
"""


def imported(*arguments: str, path: Path) -> str:
    """Whether pandas and scipy.linalg are there once a command of a process of its own has ended, a value was converted
    and a kernel called."""
    done = subprocess.run(
        [sys.executable, "-c", PROBE, json.dumps(arguments)], capture_output=True, text=True, check=True,
        env=os.environ | {"PYTHONPATH": os.pathsep.join([str(path), *sys.path])},
    )  # fmt: skip
    return done.stdout.splitlines()[-1]


@pytest.mark.parametrize("command", ["page", "compare", "show", "nightly"])
def test_a_command_goes_without_it(command: str, tmp_path: Path) -> None:
    pytest.importorskip("pandas")
    assert imported(command, "no-such-file.toml", path=tmp_path) == "False False"


@pytest.mark.parametrize("group", ["benchpipe.blocks", "benchpipe.readers", "benchpipe.columns"])
def test_a_plugin_may_have_it(group: str, tmp_path: Path) -> None:
    pytest.importorskip("pandas")
    installed = tmp_path / "plugin-1.dist-info"
    installed.mkdir()
    (installed / "METADATA").write_text("Metadata-Version: 2.1\nName: plugin\nVersion: 1\n", encoding="utf-8")
    (installed / "entry_points.txt").write_text(f"[{group}]\nown = plugin:own\n", encoding="utf-8")
    assert imported("show", "no-such-file.toml", path=tmp_path) == "True True"
