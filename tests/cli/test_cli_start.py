"""Commands that do no arithmetic start at once: what is heavy is not imported before it is needed."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from benchpipe.cli import main
from tests.cli.commands import called, environment

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


@pytest.mark.parametrize("arguments", [["--help"], *([name, "--help"] for name in main.COMMANDS)])
def test_only_the_needed_commands_are_read_and_say_the_same(
    arguments: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    said = called(arguments, tmp_path)
    assert said[0] == 0
    assert len(said[1].splitlines()) > 5
    monkeypatch.setattr(main, "_needed", lambda _: main.COMMANDS)
    assert called(arguments, tmp_path) == said


THREADS = """
import os, sys
from benchpipe.cli import main
def leave(code):
    print(sys.modules.keys() & {"numpy", "scipy"}, os.environ["OPENBLAS_NUM_THREADS"])
    sys.stdout.flush()
    os._exit(0)
sys.argv, main._leave = ["benchpipe", "--version"], leave
main.run()
"""


@pytest.mark.parametrize(("given", "taken"), [({}, "1"), ({"OPENBLAS_NUM_THREADS": "3"}, "3")])
def test_a_matrix_library_takes_one_thread_unless_the_user_says_more(given: dict[str, str], taken: str) -> None:
    names = {name: text for name, text in environment().items() if not name.endswith("_NUM_THREADS")}
    done = subprocess.run(
        [sys.executable, "-c", THREADS], env=names | given, capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines()[-1] == f"set() {taken}"
