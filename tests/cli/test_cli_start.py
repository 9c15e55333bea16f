"""Commands that do no arithmetic start at once: what is heavy is not imported before it is needed."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.cli.commands import environment

HEAVY = ("numpy", "polars", "scipy", "numba", "llvmlite", "pyarrow", "pandas", "h5py", "asammdf", "rich")
SEEN = """
import sys
from benchpipe.cli.main import run
try:
    run(sys.argv[1:])
finally:
    print("loaded:", *sorted({m.split(".")[0] for m in sys.modules}), file=sys.stderr)
"""


def loaded(*arguments: str, folder: Path) -> tuple[int, set[str]]:
    """Exit code of a command, and the libraries that it had imported when it left."""
    done = subprocess.run(
        [sys.executable, "-c", SEEN, *arguments], cwd=folder, env=environment(), capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    return done.returncode, set(done.stderr.rsplit("loaded:", 1)[1].split())


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        ("--help", 0), ("--version", 0), ("show --help", 0), ("nightly --help", 0), ("trace --help", 0),
        ("simulate --help", 0), ("inspect --help", 0), ("nonsense", 2), ("show", 2), ("show one two three", 2),
        ("export run cycle", 2), ("show nothing-here.toml", 2), ("nightly nothing-here.toml", 2), ("show unknown", 2),
    ],
)  # fmt: skip
def test_nothing_heavy_is_imported(arguments: str, code: int, tmp_path: Path) -> None:
    got, libraries = loaded(*arguments.split(), folder=tmp_path)
    assert got == code
    assert not libraries & set(HEAVY)


def test_help_does_not_even_need_the_config_models(tmp_path: Path) -> None:
    assert "pydantic" not in loaded("--help", folder=tmp_path)[1]


def test_the_libraries_are_seen_where_they_are_needed(sample_lab: Path, tmp_path: Path) -> None:
    plan = str(sample_lab.parent / "healthy" / "plan.toml")
    code, libraries = loaded("show", plan, "--store", str(sample_lab.parent / "store"), folder=tmp_path)
    assert code != 2  # the run was read
    assert {"pyarrow", "numpy", "pydantic"} <= libraries
