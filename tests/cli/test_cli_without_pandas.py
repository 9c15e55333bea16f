"""A page and a comparison do not wait for pandas, which pyarrow imports where it is installed."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

PROBE = """
import json, os, sys
sys.argv = ["benchpipe", *json.loads(sys.argv[1])]
from benchpipe.cli import main
def leave(code):
    import pyarrow as pa
    pa.scalar(0)
    print("pandas" in sys.modules)
    sys.stdout.flush()
    os._exit(0)
main._leave = leave
main.run()
"""


def imports_pandas(*arguments: str) -> bool:
    """Whether pandas is there once a command of a process of its own has ended and a value was converted."""
    done = subprocess.run(
        [sys.executable, "-c", PROBE, json.dumps(arguments)], capture_output=True, text=True, check=True
    )
    return done.stdout.splitlines()[-1] == "True"


@pytest.mark.parametrize("command", ["page", "compare"])
def test_a_command_that_draws_goes_without_it(command: str) -> None:
    pytest.importorskip("pandas")
    assert not imports_pandas(command, "no-such-file.toml")


def test_other_commands_leave_it_to_pyarrow() -> None:
    pytest.importorskip("pandas")
    assert imports_pandas("show", "no-such-file.toml")
