"""Every command that is printed can be pasted where it was printed, in whatever folder that is."""

from __future__ import annotations

import json
import re
import shlex
import shutil
from pathlib import Path

import pytest

from benchpipe.cli.main import COMMANDS
from benchpipe.escapes import quoted
from benchpipe.hints import Names
from benchpipe.store.configuration import FOLDER
from tests.cli.commands import called
from tests.conftest import copy_samples

WORD = r"""(?:'[^'\n]*'|"[^"\n]*"|[^\s;,'"()])+"""
COMMAND = rf"benchpipe (?:{'|'.join(COMMANDS)})\b(?: {WORD})*"
HINT = re.compile(rf"{COMMAND}(?: && {COMMAND})*")
FOUND = (0, 10, 11)  # a command that worked: the runs hold limits that fail


def hints(text: str) -> list[str]:
    """Commands in what was printed, each as a person would select it."""
    found = [one.rstrip(".:") for one in HINT.findall(text)]
    return list(dict.fromkeys(one for one in found if not one.endswith(("--help", "TABLE --out FILE.csv"))))


def pasted(hint: str, folder: Path) -> tuple[int, str]:
    """Run a printed command; its exit code and what it said."""
    for one in hint.split(" && "):
        code, out, err = called(shlex.split(one)[1:], folder)
        if code not in FOUND:
            break
    return code, f"{hint}\n{out}{err}"


def texts(value: object) -> list[str]:
    """Texts of a JSON document."""
    if isinstance(value, dict | list):
        return [text for one in (value.values() if isinstance(value, dict) else value) for text in texts(one)]
    return [value] if isinstance(value, str) else []


@pytest.fixture(scope="module")
def elsewhere(sample_lab: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder that holds a lab's folder, and is none: its name has a space in it."""
    folder = tmp_path_factory.mktemp("else where")
    shutil.copytree(sample_lab.parents[1], folder / "my lab")
    return folder


@pytest.mark.parametrize("below", [False, True])
@pytest.mark.parametrize(
    "words",
    [
        ["nightly", "LAB", "--details"], ["nightly", "LAB", "--brief"], ["nightly", "LAB", "--json"],
        ["show", "wearing", "--lab", "LAB"], ["show", "PLAN"], ["check", "PLAN"], ["export", "wearing", "--lab", "LAB"],
    ],
)  # fmt: skip
def test_hints_of_screens_run_where_they_are_printed(elsewhere: Path, words: list[str], below: bool) -> None:
    lab = elsewhere / "my lab" / "sample_runs"
    folder = lab if below else elsewhere
    named = {"LAB": str(lab / "lab.toml"), "PLAN": str((lab / "wearing" / "plan.toml").relative_to(elsewhere))}
    if below:
        named["PLAN"] = "wearing/plan.toml"
    code, out, err = called([named.get(word, word) for word in words], folder)
    assert code in FOUND, err
    if words[0] == "nightly" and "--json" in words:
        out = "\n".join(texts(json.loads(out)))
    found = hints(out)
    assert found or words[0] == "export"
    for hint in found:
        code, said = pasted(hint, folder)
        assert code in FOUND, said


@pytest.mark.parametrize(
    ("words", "before"),
    [
        (["export", "RUN", "cycles", "--store", "new"], "ingest"),
        (["check", "RUN", "--store", "new2"], "ingest"),
        (["explain", "RUN", "main", "x", "--store", "new4"], "ingest"),
    ],
)
def test_hints_of_errors_run_where_they_are_printed(elsewhere: Path, words: list[str], before: str) -> None:
    plan = "my lab/sample_runs/creeping-lock/plan.toml"
    code, _, err = called([plan if word == "RUN" else word for word in words], elsewhere)
    assert code == 2
    found = hints(err)
    assert found, err
    assert found[0].startswith(f"benchpipe {before} ")
    code, said = pasted(found[0], elsewhere)
    assert code in FOUND, said


def test_hints_of_a_run_in_an_archive(elsewhere: Path, tmp_path: Path) -> None:
    copy = tmp_path / "a b"
    shutil.copytree(elsewhere / "my lab", copy)
    lab = str(copy / "sample_runs" / "lab.toml")
    assert called(["archive", "wearing", "--to", "ar chive", "--lab", lab], tmp_path)[0] == 0
    code, _, err = called(["process", "wearing", "--lab", lab], tmp_path)
    assert code == 12
    found = hints(err)
    assert [one.split()[1] for one in found] == ["show", "restore"]
    for hint in found:
        code, said = pasted(hint, tmp_path)
        assert code in FOUND, said


def test_hints_of_a_verification(elsewhere: Path, tmp_path: Path) -> None:
    copy = tmp_path / "a b"
    shutil.copytree(elsewhere / "my lab", copy)
    lab = copy / "sample_runs" / "lab.toml"
    pages = copy / "sample_runs" / "pages"
    assert called(["page", "wearing", "--out", str(pages / "wearing.html"), "--lab", str(lab)], tmp_path)[0] == 0
    (pages / "wearing.html").write_text("<p>", encoding="utf-8")
    for words, named in (
        (["verify", "wearing", "--lab", str(lab)], lab),
        (["verify", "--lab", str(lab), "--json"], lab.relative_to(tmp_path)),
    ):
        code, out, err = called(words, tmp_path)
        assert code == 13, err
        assert not re.search(r"\bRUN\b|\bLAB\b", out)
        assert f"benchpipe page wearing --lab '{named}' or the next night" in out


def test_a_damaged_settings_file_is_looked_at_in_its_run(elsewhere: Path, tmp_path: Path) -> None:
    copy = tmp_path / "a b"
    shutil.copytree(elsewhere / "my lab", copy)
    lab = str(copy / "sample_runs" / "lab.toml")
    for path in (copy / "sample_runs" / "store" / "wearing" / FOLDER).iterdir():
        path.write_bytes(b"")
    _, out, err = called(["archive", "wearing", "--to", "kept", "--lab", lab], tmp_path)
    assert f"benchpipe verify wearing --lab '{lab}'; that of now" in out + err
    assert called(["verify", "wearing", "--lab", lab], tmp_path)[0] == 13


def test_hints_of_a_lab_that_was_not_worked_on(tmp_path: Path) -> None:
    lab = copy_samples(tmp_path / "x y")
    plan = str(lab.parent / "healthy" / "plan.toml")
    code, _, err = called(["show", plan], tmp_path)
    assert code in (0, 2, 11), err
    (lab.parent / "healthy" / "plan.toml").unlink()
    _, out, _ = called(["doctor", str(lab)], tmp_path)
    (hint,) = [one for one in hints(out) if " inspect " in one]
    code, said = pasted(hint, tmp_path)
    assert code in FOUND, said


def test_a_plan_without_a_lab_is_sent_to_no_night() -> None:
    names = Names("plan.toml", None)
    told = names.filled("work on it: benchpipe nightly LAB")
    assert told == "work on it: " + " && ".join(f"benchpipe {one} plan.toml" for one in ("ingest", "process", "check"))
    assert Names("x", "").filled("benchpipe nightly LAB; benchpipe trace RUN main") == (
        "benchpipe nightly; benchpipe trace x main"
    )
    assert Names("x", "'a b'").filled("benchpipe restore y --lab LAB") == "benchpipe restore y --lab 'a b'"
    assert Names("x", "").filled("benchpipe restore y --lab LAB") == "benchpipe restore y"


def test_no_hint_is_written_with_a_name_that_nobody_fills_in() -> None:
    """In the code a command that takes a run is written with RUN, and a night with LAB or a path."""
    package = Path(__file__).parents[2] / "benchpipe"
    of_a_run = (
        "trace|export|show|ingest|process|check|sign|drop|archive|restore|explain|verify|changes|record|page|loop"
    )
    needs = re.compile(rf"benchpipe (?:{of_a_run})\b((?: \S+)?)")
    wrong = []
    for path in sorted(package.rglob("*.py")):
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
            for found in needs.findall(line):
                word = found.strip()
                known = (
                    "RUN", "{plan}", "--lab", "{run}", "{names_given", "{quoted(", "{view.called", "{view.run}",
                    "--help", "sample_runs/", "{folder.name}", "{self.run}", "'",
                )  # fmt: skip
                if "Example:" not in line and '"document"' not in line and not word.startswith(known):
                    wrong.append(f"{path.relative_to(package)}:{number}: {line.strip()}")
    assert wrong == []


def test_a_word_of_a_command_is_one_word() -> None:
    assert shlex.split(quoted("a b")) == ["a b"]
    assert quoted("a\nb\x1b'\\") == r"$'a\x0ab\x1b\x27\x5c'"


def test_a_lab_is_named_by_its_folder_too(elsewhere: Path) -> None:
    lab = elsewhere / "my lab" / "sample_runs"
    code, out, err = called(["show", "wearing", "--lab", str(lab)], elsewhere)
    assert code in FOUND, err
    for hint in hints(out):
        assert pasted(hint, elsewhere)[0] in FOUND
    (elsewhere / "none").mkdir()
    code, _, err = called(["show", "wearing", "--lab", "none"], elsewhere)
    assert code == 2
    assert "the folder holds no lab.toml" in err
