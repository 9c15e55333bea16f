"""The shell completes commands, runs and tables, and nothing heavy is imported for it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
import typer
from typer.main import get_command

from benchpipe.cli.completion import TABLES, complete_runs, complete_tables
from benchpipe.cli.main import COMMANDS, application
from benchpipe.tables import ROWS
from benchpipe.tables import TABLES as KNOWN
from tests.cli.commands import environment


def completed(folder: Path, *words: str) -> list[str]:
    """What the shell is offered for the last word."""
    env = environment(_BENCHPIPE_COMPLETE="complete_bash", COMP_WORDS=" ".join(words), COMP_CWORD=str(len(words) - 1))
    program = (
        "import sys\nsys.argv = ['benchpipe']\nfrom benchpipe.cli.main import run\n"
        "try:\n    run()\nfinally:\n    heavy = {'numpy', 'pyarrow', 'benchpipe.config', 'rich'} & set(sys.modules)\n"
        "    if heavy: sys.stderr.write(f'imports {heavy}')\n"
    )
    done = subprocess.run([sys.executable, "-c", program], cwd=folder, env=env, capture_output=True, text=True,
                          check=False, timeout=60)  # fmt: skip
    assert done.stderr == ""
    return done.stdout.split()


def test_the_tables_are_those_of_the_program() -> None:
    assert tuple(KNOWN) == TABLES
    assert tuple(ROWS) == TABLES


def test_commands_runs_and_tables_are_completed(sample_lab: Path) -> None:
    lab = sample_lab.parent
    assert completed(lab, "benchpipe", "night") == ["nightly"]
    assert completed(lab, "benchpipe", "show", "w") == ["wearing"]
    assert completed(lab, "benchpipe", "export", "wearing", "cy") == ["cycles"]
    assert completed(lab, "benchpipe", "archive", "hea") == ["healthy"]
    assert set(completed(lab / "wearing", "benchpipe", "trace", "")) >= {"healthy", "wearing", "creeping-lock"}
    assert completed(lab, "benchpipe", "guide", "re") == ["records", "recovery"]


def test_runs_are_those_of_the_lab_that_is_named(sample_lab: Path, tmp_path: Path) -> None:
    for lab in (sample_lab, sample_lab.parent):
        assert completed(tmp_path, "benchpipe", "show", "--lab", str(lab), "w") == ["wearing"]
        assert completed(tmp_path, "benchpipe", "compare", "--lab", str(lab), "--init", "w") == ["wearing"]
    assert completed(sample_lab.parent, "benchpipe", "show", "--lab", str(tmp_path / "gone.toml"), "w") == []
    assert completed(tmp_path, "benchpipe", "show", "w") == []


def test_a_lab_that_cannot_be_read_completes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)

    def runs() -> list[str]:
        return complete_runs(typer.Context(get_command(application(COMMANDS))), "")

    assert runs() == []
    (tmp_path / "lab.toml").write_text('plans = ["gone.toml", "bad.toml", 7, "odd.toml"]')
    (tmp_path / "bad.toml").write_text("name = ")
    (tmp_path / "odd.toml").write_text('name = "\\u001b[2J"')
    assert runs() == []
    (tmp_path / "lab.toml").write_text("plans = [")
    assert runs() == []
    assert complete_tables("creep") == ["creep_points"]
