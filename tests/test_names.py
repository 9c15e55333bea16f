"""One name, one class: a reader who has met a class knows it wherever its name stands again."""

from __future__ import annotations

import ast
from collections import defaultdict
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "benchpipe"


def doubles(root: Path) -> dict[str, list[str]]:
    """Names that two classes share, private ones and those inside others too, with their modules."""
    found: dict[str, list[str]] = defaultdict(list)
    for path in sorted(root.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef):
                found[node.name].append(path.relative_to(root).as_posix())
    return {name: modules for name, modules in found.items() if len(modules) > 1}


def test_no_two_classes_share_a_name() -> None:
    assert doubles(PACKAGE) == {}


@pytest.mark.parametrize("name", ["Part", "_Work"])
def test_a_name_of_two_classes_is_found(tmp_path: Path, name: str) -> None:
    for module in ("a.py", "b.py"):
        (tmp_path / module).write_text(f"class {name}:\n    pass\n", encoding="utf-8")
    assert doubles(tmp_path) == {name: ["a.py", "b.py"]}
