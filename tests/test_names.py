"""One name, one class: a reader who has met a class knows it wherever its name stands again."""

from __future__ import annotations

import ast
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchpipe.kernels import loops
from benchpipe.simulate import waves

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


def numbered(text: str) -> Iterator[str]:
    """Fields of what a kernel gives that are named by a number."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Subscript) and isinstance(node.value, ast.Name) and node.value.id in ("out", "c"):
            places = node.slice.elts if isinstance(node.slice, ast.Tuple) else [node.slice]
            if any(isinstance(one, ast.Constant) and isinstance(one.value, int) for one in places):
                yield ast.unparse(node)


def test_fields_of_loops_and_waves_have_names() -> None:
    found = {
        path.name: numbers
        for room in ("kernels", "simulate")
        for path in sorted((PACKAGE / room).glob("*.py"))
        if (numbers := list(numbered(path.read_text(encoding="utf-8"))))
    }
    assert found == {}
    assert [getattr(loops, name.upper()) for name in loops.FIELDS] == list(range(loops.N_FIELDS))
    for names in (waves.CONSTANTS, waves.TRUTH):
        assert [getattr(waves, name.upper()) for name in names] == list(range(len(names)))


def test_a_field_by_its_number_is_found() -> None:
    assert list(numbered("out[17, c] = x\nout[ENERGY, c] = c[3]\nmore[4]")) == ["out[17, c]", "c[3]"]
