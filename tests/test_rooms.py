"""The shape of the house: who imports whom, what stays out of which room, what may be committed."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

from benchpipe.blocks.registry import OURS

REPO = Path(__file__).resolve().parent.parent
PACKAGE = REPO / "benchpipe"
ROOMS = (
    "escapes", "mirrors", "errors", "hints", "units", "columns", "tables", "kernels", "stream", "config", "store",
    "ledger", "readers", "inspect", "samples",
    "blocks", "plan", "places", "lab_fit", "run", "steps", "ingest", "process", "survey", "drift", "check", "signing",
    "pipeline", "health", "retention", "verify", "compare", "bumper", "views", "report", "night", "notify", "simulate",
    "arrays", "api", "cli", "__main__",
)  # fmt: skip
DECLARED = "tables"  # tables of a kind or of drift are declared in its folder, and belong to the room of all tables
DOORS = ("api", "arrays")  # what the package itself gives, imported when it is asked for
KEPT_IN = {  # a library, and the only places that may import it
    "rich": ("report/terminal.py", "cli/"),
    "typer": ("cli/",),
    "click": ("cli/",),
    "dask": ("night/",),
    "distributed": ("night/",),
    "cryptography": ("ledger/",),
    "typst": ("report/record/",),
    "pyhanko": ("ledger/",),
    "obstore": ("store/",),
}
NAMES_A_KIND = {  # the only files outside blocks/ that compare a block's kind with a name: none is to be added
    "bumper/loops.py", "check/of_run.py", "plan.py", "simulate/scenario.py",
}  # fmt: skip
NUMBER_LIBRARIES = {"numpy", "scipy", "numba", "llvmlite"}
MOST_LINES = 400
TOP_LEVEL = {
    "README.md", "DEVELOPERS.md", "LICENSE", "Makefile", "pyproject.toml",
    "benchpipe", "configs", "sample_runs", "tests",
}  # fmt: skip
# In pieces, so that this file does not hold what it looks for.
REGISTRY_HOSTS = [
    host.replace(" ", ".")
    for host in (
        "pypi org", "pypi python org", "pythonhosted org", "npmjs org", "npmjs com", "yarnpkg com",
        "deb debian org", "crates io", "anaconda org", "proxy golang org",
    )
]  # fmt: skip
MACHINE_PATH = re.compile(r"(?<![\w.\-])/(?:" + "|".join(("wo" + "rk", "ro" + "ot", "ho" + "me")) + r")/\w")


# --- the checker --------------------------------------------------------------------------------------------


def parsed(path: Path) -> ast.Module:
    """Syntax tree of a module."""
    return ast.parse(path.read_text(encoding="utf-8"))


def imported(path: Path, root: Path, tree: ast.Module | None = None) -> Iterator[tuple[int, str]]:
    """Line and dotted name of every import in a module of the package at ``root``, functions' own too."""
    package = path.relative_to(root.parent).parent.parts
    for node in ast.walk(tree or parsed(path)):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            above = package[: len(package) - node.level + 1] if node.level else ()
            start = ".".join((*above, *filter(None, [node.module])))
            yield from ((node.lineno, f"{start}.{alias.name}") for alias in node.names)
        elif isinstance(node, ast.Call) and node.args and isinstance(node.args[0], ast.Constant):
            called = ast.unparse(node.func).rpartition(".")[2]
            if called in ("import_module", "__import__"):
                yield node.lineno, str(node.args[0].value)


def room_of(name: str) -> str:
    """Room of a dotted name below the package: what a kind or drift declares of its tables is in the room of tables."""
    parts = name.split(".")
    of_kind = parts[0] == "blocks" and parts[2:3] == ["tables"]
    return DECLARED if of_kind or parts[:2] == ["drift", "tables"] else parts[0]


def kind_fault(file: str, other: str) -> str | None:
    """Say why a file under ``blocks/`` may not import a module of a kind; None if it may."""
    folders, parts = file.split("/"), other.split(".")
    if folders[0] != "blocks" or parts[0] != "blocks" or len(parts) < 3 or not (PACKAGE / "blocks" / parts[1]).is_dir():
        return None
    if len(folders) == 2:
        return None if folders[1] == "registry.py" else f"what kinds share imports the kind {parts[1]}"
    return None if folders[1] == parts[1] else f"the kind {folders[1]} imports the kind {parts[1]}"


def import_fault(room: str, file: str, name: str) -> str | None:
    """Say why ``file`` of ``room`` may not import the dotted ``name``; None if it may."""
    top, _, rest = name.partition(".")
    if top == "benchpipe":
        other = room_of(rest)
        if why := kind_fault(file, rest):
            return why
        if room == "" and other in ROOMS and other not in DOORS:
            return f"the package itself imports {name}"
        if room == "kernels" and other in ROOMS and other not in ("errors", "kernels"):
            return f"kernels imports {name}, not only errors and number libraries"
        if room and other in ROOMS and ROOMS.index(other) > ROOMS.index(room):
            return f"{room} imports {name}, which stands below it"
    elif top in KEPT_IN and not file.startswith(KEPT_IN[top]):
        return f"imports {top}, which is kept in {' '.join(KEPT_IN[top])}"
    elif room == "kernels" and top not in NUMBER_LIBRARIES | sys.stdlib_module_names:
        return f"kernels imports {top}, not only errors and number libraries"
    return None


def faults(root: Path) -> list[str]:
    """Every breach of the house in the package at ``root``, each as ``file:line why``."""
    found = []
    for path in sorted(root.rglob("*.py")):
        file = path.relative_to(root).as_posix()
        room = room_of(file.removesuffix(".py").replace("/", ".")).replace("__init__", "")
        if room and room not in ROOMS:
            found.append(f"{file}:1 is in no known room")
            continue
        if path.name == "utils.py":
            found.append(f"{file}:1 is a utils.py")
        if (lines := len(path.read_bytes().splitlines())) > MOST_LINES:
            found.append(f"{file}:{lines} has over {MOST_LINES} lines")
        for line, name in imported(path, root):
            if why := import_fault(room, file, name):
                found.append(f"{file}:{line} {why}")
        found += [
            f"{file}:{node.lineno} prints"
            for node in ast.walk(parsed(path))
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
            if room != "cli"
        ]
    return found


def when_run(path: Path, root: Path) -> Iterator[str]:
    """Dotted names that a module imports when it is loaded or one of its functions is called: none for types alone."""
    tree = parsed(path)
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and ast.unparse(node.test).endswith("TYPE_CHECKING"):
            node.body = []
    yield from (name for _, name in imported(path, root, tree))


def circles(root: Path) -> list[str]:
    """Modules of the package at ``root`` that import each other, imports inside functions counted; each as one line."""
    files = {".".join((root.name, *path.relative_to(root).with_suffix("").parts)): path for path in root.rglob("*.py")}
    files = {name.removesuffix(".__init__"): path for name, path in files.items()}

    def module(name: str) -> str:
        while name not in files and "." in name:
            name = name.rpartition(".")[0]
        return name

    graph = {
        name: {other for one in when_run(path, root) if (other := module(one)) in files} - {name, root.name}
        for name, path in files.items()
    }
    found: list[str] = []
    while True:
        try:
            TopologicalSorter(graph).prepare()
        except CycleError as error:
            circle = error.args[1]
            found.append(" imports ".join(reversed(circle)))
            graph[circle[1]].discard(circle[0])
        else:
            return found


def compared_kinds(path: Path) -> list[int]:
    """Lines in which a module compares something's ``kind`` with the name of a kind of block."""
    return [
        node.lineno for node in ast.walk(parsed(path)) if isinstance(node, ast.Compare)
        if any(isinstance(one, ast.Attribute) and one.attr == "kind" for one in ast.walk(node))
        if any(isinstance(one, ast.Constant) and one.value in OURS for one in ast.walk(node))
    ]  # fmt: skip


def committed(repo: Path) -> list[str]:
    """Paths that git holds or would take on the next add."""
    if not (repo / ".git").exists():
        pytest.skip("not a git checkout")
    git = ["git", "-c", "safe.directory=*"]
    command = [*git, "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    listed = subprocess.run(command, cwd=repo, check=True, capture_output=True, text=True).stdout
    return [name for name in listed.split("\0") if name and (repo / name).is_file()]


def told(text: str) -> list[str]:
    """Words in a file that belong to one machine: registry hosts and absolute paths."""
    low = text.lower()
    return [host for host in REGISTRY_HOSTS if host in low] + MACHINE_PATH.findall(text)


# --- the house as it is ---------------------------------------------------------------------------------


def test_the_house_stands() -> None:
    assert faults(PACKAGE) == []


def test_no_modules_import_each_other() -> None:
    assert circles(PACKAGE) == []


def test_what_differs_by_kind_is_asked_of_the_kind() -> None:
    files = {path.relative_to(PACKAGE).as_posix(): path for path in PACKAGE.rglob("*.py")}
    found = {name for name, path in files.items() if not name.startswith("blocks/") and compared_kinds(path)}
    assert found == NAMES_A_KIND


def test_every_library_is_declared() -> None:
    project = tomllib.loads((REPO / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = [name for group in project["optional-dependencies"].values() for name in group]
    declared = {re.split(r"[^\w\-]", name)[0].replace("-", "_") for name in project["dependencies"] + extras}
    used = {name.partition(".")[0] for path in PACKAGE.rglob("*.py") for _, name in imported(path, PACKAGE)}
    assert used - sys.stdlib_module_names - {"benchpipe"} <= declared


def test_the_top_level_is_fixed() -> None:
    tops = {name.partition("/")[0] for name in committed(REPO)}
    assert {top for top in tops if not top.startswith(".")} <= TOP_LEVEL


def test_nothing_committed_names_a_registry_host_or_a_path_of_one_machine() -> None:
    texts = {name: (REPO / name).read_bytes().decode("latin-1") for name in committed(REPO)}
    assert {name: words for name, text in texts.items() if (words := told(text))} == {}


# --- the checker can fail -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("file", "text", "fault"),
    [
        ("errors.py", "import benchpipe.units", "stands below"),
        ("store/parts.py", "def f():\n    from benchpipe.process import order", ":2 store imports"),
        ("store/parts.py", "from benchpipe import cli", "stands below"),
        ("store/parts.py", "from ..report import view", "stands below"),
        ("store/parts.py", "from .. import report", "stands below"),
        ("store/parts.py", "import importlib\nimportlib.import_module('benchpipe.cli')", "stands below"),
        ("pipeline.py", "from .cli import main", "stands below"),
        ("__init__.py", "from .errors import ConfigError", "the package itself"),
        ("kernels/fits.py", "from benchpipe.units import find_unit", "number libraries"),
        ("kernels/fits.py", "import polars as pl", "number libraries"),
        ("report/view.py", "from rich.table import Table", "imports rich"),
        ("report/terminal.py", "import typer", "imports typer"),
        ("ingest/text.py", "x = 1\nprint(x)", ":2 prints"),
        ("ingest/text.py", "x = 1\n" * (MOST_LINES + 1), "has over"),
        ("ingest/utils.py", "", "is a utils.py"),
        ("blocks/hold/measure.py", "from benchpipe.blocks.cyclic.trends import bin_width", "imports the kind cyclic"),
        ("blocks/rows.py", "from benchpipe.blocks.cyclic.trends import bin_width", "share imports the kind cyclic"),
        ("blocks/hold/tables.py", "from benchpipe.config.rig import RigConfig", "stands below"),
        ("helpers/a.py", "", "no known room"),
    ],
)
def test_a_breach_is_found(tmp_path: Path, file: str, text: str, fault: str) -> None:
    path = tmp_path / "benchpipe" / file
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    found = faults(tmp_path / "benchpipe")
    assert len(found) == 1
    assert found[0].startswith(f"{file}:")
    assert fault in found[0]


def test_a_circle_is_found_inside_functions_too_and_not_where_types_are_named(tmp_path: Path) -> None:
    package = tmp_path / "benchpipe"
    texts = {
        "__init__.py": "",
        "store/__init__.py": "",
        "store/a.py": "def f():\n    from benchpipe.store.b import g",
        "store/b.py": "from benchpipe.store import c",
        "store/c.py": "from .a import f",
        "store/d.py": "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from benchpipe.store.e import E",
        "store/e.py": "from benchpipe.store.d import D",
    }
    for file, text in texts.items():
        (package / file).parent.mkdir(parents=True, exist_ok=True)
        (package / file).write_text(text, encoding="utf-8")
    (found,) = circles(package)
    assert sorted(set(found.split(" imports "))) == [f"benchpipe.store.{name}" for name in "abc"]
    a, b = found.split(" imports ")[:2]
    assert (a[-1], b[-1]) in {("a", "b"), ("b", "c"), ("c", "a")}


def test_what_is_allowed_passes(tmp_path: Path) -> None:
    allowed = {
        "__init__.py": "__version__ = '0'",
        "units.py": "from benchpipe import __version__\nfrom .errors import ConfigError",
        "kernels/fits.py": "import math, numpy\nfrom . import sums\nfrom ..errors import DataError",
        "report/terminal.py": "from rich.table import Table\nfrom benchpipe.check import verdicts",
        "cli/main.py": "import typer, rich\nfrom benchpipe import pipeline, kernels\nprint(1)",
    }
    for file, text in allowed.items():
        path = tmp_path / "benchpipe" / file
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    assert faults(tmp_path / "benchpipe") == []


def test_hosts_and_machine_paths_are_found_in_what_git_would_take(tmp_path: Path) -> None:
    subprocess.run(["git", "init", "--quiet", tmp_path], check=True)
    (tmp_path / ".gitignore").write_text("ignored\n", encoding="utf-8")
    for name in ("lock.txt", "ignored"):
        (tmp_path / name).write_text(f"-i https://{REGISTRY_HOSTS[0].upper()}/simple", encoding="utf-8")
    assert sorted(committed(tmp_path)) == [".gitignore", "lock.txt"]
    assert told((tmp_path / "lock.txt").read_text(encoding="utf-8")) == [REGISTRY_HOSTS[0]]
    assert told("see '/" + "work/data'") != []
    assert told("a site's https://example.org/" + "home/page, ../" + "work/data") == []
