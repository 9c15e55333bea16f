"""Every command explains itself, its example runs, and asking for help costs no heavy import."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from benchpipe import __version__
from benchpipe.cli.main import COMMANDS as EVERY
from benchpipe.cli.main import call
from tests.cli.commands import REPO, called, environment, playground, run

COMMANDS = sorted(EVERY)
HEAVY = ("numpy", "scipy", "numba", "polars", "pyarrow", "pandas", "rich", "benchpipe.config", "benchpipe.store")
# What an example leaves with: the sample runs hold runs that fail; a log nobody described may leave questions.
LEAVES = {"nightly": (10,), "inspect": (0, 11)}
# What must have been done before an example.
AFTER = {
    "drop": [
        "sign", "sample_runs/creeping-lock/plan.toml", "--meaning", "approved", "--reason", "seen", "--deviation",
        "invented", "--key", "../keys/reviewer.p12", "--passphrase-file", "../keys/reviewer.txt",
    ],
    "restore": ["archive", "sample_runs/wearing/plan.toml", "--to", "archive"],
}  # fmt: skip
SIGNS = ("key", "sign", "drop")


@pytest.fixture(scope="module")
def folder(sample_lab: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder to run the examples in."""
    return playground(sample_lab, tmp_path_factory.mktemp("examples") / "here")


@pytest.fixture(scope="module")
def signer(folder: Path) -> None:
    """A person who may sign in the lab, with the key that the examples name."""
    from tests.ledger.signers import REVIEWER, admit_all, make_person, name_signers

    lab = folder / "sample_runs" / "lab.toml"
    key = make_person(folder.parent / "keys", REVIEWER, now=datetime.now(UTC))
    name_signers(lab, [(key, REVIEWER)])
    admit_all(lab, (key,))


def example(text: str) -> list[str]:
    """Arguments of the example in a help text, which may be wrapped."""
    found = re.search(r"Example: (.*?)\n\s*\n", text, re.DOTALL)
    assert found is not None, text
    name, *arguments = shlex.split(" ".join(found[1].split()))
    assert name == "benchpipe"
    return arguments


@pytest.mark.parametrize("command", COMMANDS)
def test_the_example_of_a_command_runs(
    folder: Path, command: str, capsys: pytest.CaptureFixture[str], request: pytest.FixtureRequest
) -> None:
    if command == "record":
        pytest.importorskip("typst")
    if command in SIGNS:
        pytest.importorskip("cryptography")
        request.getfixturevalue("signer")
    assert call([command, "--help"]) == 0
    arguments = example(capsys.readouterr().out)
    assert arguments[0] == command
    if command in AFTER:
        assert called(AFTER[command], folder)[0] == 0
    code, out, err = (run if command == "demo" else called)(arguments, folder)  # a demo looks for the runs beside it
    assert code in LEAVES.get(command, (0,)), err
    assert "Traceback" not in err
    assert "this is a bug" not in err
    assert out or (folder / arguments[-1]).exists()


def test_the_repository_stayed_as_it_was(folder: Path) -> None:
    # `demo` worked on the copy: the package stands beside it there
    assert (folder / "sample_runs" / "store" / "healthy" / "manifest.json").is_file()
    code, _, err = run(["demo"], folder)
    assert code == 0
    lab = shlex.quote(str(folder / "sample_runs" / "lab.toml"))
    assert f"benchpipe nightly {lab} would leave with exit code 10" in err
    assert str(REPO / "sample_runs") not in err


def test_help_lists_every_command_and_exit_code(capsys: pytest.CaptureFixture[str]) -> None:
    assert call(["--help"]) == 0
    text = capsys.readouterr().out
    assert re.findall(r"^  ([a-z]+)  ", text, re.MULTILINE)[: len(COMMANDS)]
    for command in COMMANDS:
        assert re.search(rf"^  {command}\s", text, re.MULTILINE)
    words = " ".join(text.split())
    for code in ("0 nothing failing", "2 usage", "10 a limit failed", "11 inconclusive", "12 input", "70 a bug",
                 "75 another job", "130 interrupted"):  # fmt: skip
        assert code in words


def test_help_imports_nothing_heavy() -> None:
    program = (
        "import sys\nfrom benchpipe.cli.main import call\n"
        f"for one in [[], *[[c] for c in {COMMANDS!r}]]:\n"
        "    assert call([*one, '--help']) == 0\n"
        f"    found = [m for m in sys.modules if m.startswith({HEAVY!r})]\n"
        "    if found: sys.exit(f'{one} imports {found}')\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=REPO, env=environment(), capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


def test_the_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert call(["--version"]) == 0
    assert capsys.readouterr().out == f"benchpipe {__version__}\n"


def test_the_installed_command_is_the_module() -> None:
    scripts = (REPO / "pyproject.toml").read_text(encoding="utf-8")
    assert 'benchpipe = "benchpipe.cli.main:run"' in scripts
