"""Every config file in the repository loads, and says in a comment what each key is when it first stands there."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from pydantic import BaseModel

from benchpipe.blocks.registry import KINDS
from benchpipe.bumper.config import BumperConfig
from benchpipe.bumper.target import TargetConfig
from benchpipe.check.validate_limits import limits_fit
from benchpipe.compare.study import StudyConfig
from benchpipe.config.lab import LabConfig
from benchpipe.config.limits import LimitsConfig
from benchpipe.config.model import ConfigModel, load_model
from benchpipe.config.rig import RigConfig
from benchpipe.plan import PlanConfig
from benchpipe.readers.registry import READERS
from benchpipe.run import load_lab, load_run
from benchpipe.simulate import ScenarioConfig

REPO = Path(__file__).resolve().parents[2]
SHIPPED = sorted(
    path
    for folder in ("configs", "sample_runs", "tests/open_data")
    for path in (REPO / folder).rglob("*.toml")
    if "store" not in path.parts
)
KEY = re.compile(r"([A-Za-z0-9_-]+)\s*=")


def kind_of(path: Path) -> type[ConfigModel]:
    """The model of a file, by what is in it."""
    keys = set(tomllib.loads(path.read_text(encoding="utf-8")))
    for kind, mark in (
        (ScenarioConfig, "seed"),
        (LabConfig, "plans"),
        (StudyConfig, "variants"),
        (RigConfig, "channel"),
        (PlanConfig, "block"),
        (LimitsConfig, "limit"),
        (TargetConfig, "target"),
        (BumperConfig, "loop"),
    ):
        if mark in keys:
            return kind
    raise AssertionError(f"{path} is none of the eight kinds of config file")


def short_lists(text: str) -> list[str]:
    """Comments right above a kind of block or a log format that list some and leave out others."""
    known = {"kind": [kind.name for kind in KINDS], "format": list(READERS)}
    listed = re.findall(r"(?m)^#\s*(.*,.*\bor\b.*)\n#?(kind|format) *= *\"([a-z0-9]+)\"", text)
    return [
        comment for comment, key, value in listed
        if value in known[key] and not set(known[key]) <= set(re.findall(r"[a-z0-9]+", comment))
    ]  # fmt: skip


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: str(path.relative_to(REPO)))
def test_a_comment_that_lists_kinds_or_formats_lists_all(path: Path) -> None:
    assert short_lists(path.read_text(encoding="utf-8")) == []


def test_a_list_that_lacks_some_is_found() -> None:
    comments = {"kind": "cyclic, hold or idle", "format": "text, parquet or matlab"}
    for (key, comment), value in zip(comments.items(), ("hold", "text"), strict=True):
        assert short_lists(f'a = 1\n# {comment}\n{key} = "{value}"\n') == [comment]


def bare_keys(text: str) -> Iterator[tuple[int, str]]:
    """Line and name of each key that no comment goes with when it first stands in its table.

    A comment goes with the key in its line, with the key below it, and with further keys
    right below that one which it names.
    """
    seen: set[tuple[str, str]] = set()
    table, comment, open_brackets = "", "", 0
    for number, line in enumerate(text.splitlines(), 1):
        stripped = line.strip()
        key = KEY.match(stripped)
        if open_brackets:
            open_brackets += line.count("[") - line.count("]")
        elif stripped.startswith("#"):
            comment = comment + " " + stripped if comment.startswith("#above") else "#above " + stripped
        elif key is None:
            table, comment = (stripped.strip("[]"), "") if stripped.startswith("[") else (table, "")
        else:
            told = comment.startswith("#above") or "#" in line or key[1] in re.findall(r"\w+", comment)
            if not told and (table, key[1]) not in seen:
                yield number, key[1]
            seen.add((table, key[1]))
            comment = comment.removeprefix("#above")
            open_brackets = line.count("[") - line.count("]")


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: str(path.relative_to(REPO)))
def test_a_shipped_file_loads(path: Path) -> None:
    load_model(kind_of(path), path)


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: str(path.relative_to(REPO)))
def test_a_shipped_file_explains_every_key(path: Path) -> None:
    assert list(bare_keys(path.read_text(encoding="utf-8"))) == []


@pytest.mark.parametrize(
    "path", [path for path in SHIPPED if kind_of(path) is PlanConfig], ids=lambda path: str(path.relative_to(REPO))
)
def test_a_shipped_plan_fits_its_rig_and_limits(path: Path) -> None:
    limits_fit(load_run(path))


@pytest.mark.parametrize(
    "path", [path for path in SHIPPED if kind_of(path) is LabConfig], ids=lambda path: str(path.relative_to(REPO))
)
def test_a_shipped_lab_names_plans_that_exist(path: Path) -> None:
    names = [load_model(PlanConfig, plan)[0].name for plan in load_lab(path)[1]]
    assert len(set(names)) == len(names)


def fields(kind: type[BaseModel]) -> set[str]:
    """Names of all keys below a model."""
    found = set(kind.model_fields)
    for field in kind.model_fields.values():
        found |= {name for inner in models_in(field.annotation) for name in fields(inner)}
    return found


def models_in(annotation: object) -> list[type[BaseModel]]:
    """Models that an annotation names."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for part in getattr(annotation, "__args__", ()) for model in models_in(part)]


def test_the_templates_show_every_key_there_is() -> None:
    shown: dict[type[ConfigModel], set[str]] = {}
    for path in sorted((REPO / "configs").rglob("*.toml")):
        text = path.read_text(encoding="utf-8")
        keys = re.findall(r"^#?\s*([a-z_]+)\s*=|^#?\s*\[+([a-z_.]+)\]+", text, re.MULTILINE)
        here = {part for found in keys for name in found for part in name.split(".")}
        shown[kind_of(path)] = shown.get(kind_of(path), set()) | here
    for kind in (LabConfig, RigConfig, PlanConfig, LimitsConfig):
        assert fields(kind) - shown[kind] == set(), kind.__name__


def test_files_were_found() -> None:
    kinds = {
        ScenarioConfig, LabConfig, StudyConfig, RigConfig, PlanConfig, LimitsConfig, TargetConfig, BumperConfig,
    }  # fmt: skip
    assert {kind_of(path) for path in SHIPPED} == kinds


@pytest.mark.parametrize("path", [p for p in SHIPPED if kind_of(p) is LimitsConfig], ids=lambda path: path.name)
def test_a_limit_has_a_source_and_says_what_is_not_verified(path: Path) -> None:
    limits, _ = load_model(LimitsConfig, path)
    for limit in limits.limit:
        assert limit.source.strip()
        if "[M]" in limit.source:
            assert not limit.verified
            assert "not verified" in limit.source


def test_the_checker_sees_a_key_without_comment() -> None:
    text = "# it\na = 1\nb = 2\n\n# c and d\nc = [\n  1,\n]\nd = 1\n[t]\na = 1 # here\n[[t]]\na = 2\ne = 3\n"
    assert list(bare_keys(text)) == [(3, "b"), (14, "e")]
