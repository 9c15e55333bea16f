"""One name, one meaning: a reader who has met a class knows it wherever its name is written again."""

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


STILL_SHARED = {"drift/bins.py": "State"}
"""Aliases that share a class's name still; the list only gets shorter."""


def aliases(root: Path) -> dict[str, list[str]]:
    """Names of classes that an alias, a constant or a type variable has too, with the modules of those."""
    trees = {path.relative_to(root).as_posix(): ast.parse(path.read_text("utf-8")) for path in root.rglob("*.py")}
    classes = {node.name for tree in trees.values() for node in ast.walk(tree) if isinstance(node, ast.ClassDef)}
    found: dict[str, list[str]] = defaultdict(list)
    for module, tree in sorted(trees.items()):
        for name in named_at_top(tree.body):
            if name in classes and STILL_SHARED.get(module) != name:
                found[name].append(module)
    return dict(found)


def named_at_top(body: list[ast.stmt]) -> Iterator[str]:
    """Names that a module assigns: aliases, TypeVars and constants, also under `if TYPE_CHECKING` or a version."""
    for node in body:
        if isinstance(node, ast.Assign):
            yield from (target.id for target in node.targets if isinstance(target, ast.Name))
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            yield node.target.id
        elif type(node).__name__ == "TypeAlias":  # `type X = ...`, from Python 3.12
            yield node.name.id  # type: ignore[attr-defined]
        elif isinstance(node, ast.If):
            yield from named_at_top([*node.body, *node.orelse])


def test_no_alias_has_the_name_of_a_class() -> None:
    assert aliases(PACKAGE) == {}


@pytest.mark.parametrize(
    "line",
    ["Part = dict[str, int]", "Part: TypeAlias = int", 'Part = TypeVar("Part")', "if TYPE_CHECKING:\n    Part = int"],
)
def test_an_alias_with_the_name_of_a_class_is_found(tmp_path: Path, line: str) -> None:
    (tmp_path / "a.py").write_text("class Part:\n    pass\n", encoding="utf-8")
    (tmp_path / "b.py").write_text(f"{line}\n", encoding="utf-8")
    assert aliases(tmp_path) == {"Part": ["b.py"]}


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
