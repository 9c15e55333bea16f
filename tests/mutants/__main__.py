"""Mutation testing: change the code in one place at a time, and see whether a test notices (``make mutants``).

A mutant that no test kills is a *survivor*: a place where the code could be wrong without any test going red. Those
that cannot be killed are in ``known.toml`` with the reason; any other survivor fails the target. Only bodies of plain
Python functions are changed: no compiled kernels, properties or rows of a table. Each part is tested by the tests of
its own room, so that a figure which only a screen would notice is a survivor too.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Sequence
from fnmatch import fnmatch
from importlib.util import find_spec
from pathlib import Path
from typing import Any

REPO = Path(__file__).resolve().parents[2]
KNOWN = REPO / "tests" / "mutants" / "known.toml"
NOT_COPIED = shutil.ignore_patterns(".git", ".venv", ".*_cache", ".hypothesis", "__pycache__", "node_modules")
KILLED = {"killed", "timeout", "segfault", "caught by type check", "check was interrupted by user"}
LEAST_KILLED = 0.9


def parts_of(
    wanted: list[str], parts: list[dict[str, Any]], not_changed: Sequence[str] = ()
) -> list[tuple[list[str], dict[str, Any]]]:
    """Return the modules to change, part by part; a module belongs to the first part it fits."""
    files = sorted(str(path.relative_to(REPO)) for path in (REPO / "benchpipe").rglob("*.py"))
    unknown = [one for one in wanted if not any(fnmatch(file, one) for file in files)]
    if unknown:
        raise SystemExit(f"mutants: no module {', '.join(unknown)}: give paths such as benchpipe/check/rules.py")
    found: list[tuple[list[str], dict[str, Any]]] = [([], part) for part in parts]
    for file in files:
        at = next((k for k, part in enumerate(parts) if any(fnmatch(file, one) for one in part["modules"])), None)
        if file in not_changed or (wanted and not any(fnmatch(file, one) for one in wanted)):
            continue
        if at is not None:
            found[at][0].append(file)
        elif wanted:
            raise SystemExit(f"mutants: no part in {KNOWN.relative_to(REPO)} says which tests {file} has")
    return [part for part in found if part[0]]


def run_part(modules: list[str], part: dict[str, Any], share: int, folder: Path) -> list[dict[str, Any]]:
    """Change the modules of one part in a copy of the checkout, and return what became of each mutant."""
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(REPO, folder, ignore=NOT_COPIED)
    shutil.rmtree(folder / "sample_runs" / "store", ignore_errors=True)
    config = folder / "pyproject.toml"
    keys = {"only_mutate": modules, "pytest_add_cli_args_test_selection": part["tests"]}
    asked = "\n".join(["[tool.mutmut]", *(f"{key} = {json.dumps(names)}" for key, names in keys.items())])
    config.write_text(config.read_text("utf-8").replace("[tool.mutmut]", asked, 1), "utf-8")
    results = folder / "results.json"
    command = [sys.executable, str(folder / "tests" / "mutants" / "sampled.py"), str(share), str(results)]
    command += ["imported"] if part.get("imported") else []
    own = {"XDG_CACHE_HOME": str(folder.with_suffix(".kernels")), "OPENBLAS_NUM_THREADS": "1", **os.environ, "CI": "1"}
    done = subprocess.run(command, cwd=folder, env=own)
    if done.returncode or not results.exists():
        raise SystemExit(f"mutants: the tool failed on {', '.join(modules)}: see above, and {folder}")
    found: list[dict[str, Any]] = json.loads(results.read_text("utf-8"))
    return found


def change_of(diff: str) -> tuple[str, str]:
    """Return the code before and after, in one line each."""
    lines = diff.splitlines()[3:]
    return tuple(" ".join(" ".join(one[1:] for one in lines if one[:1] == sign).split()) for sign in "-+")  # type: ignore[return-value]


def shown(module: str, mutants: list[dict[str, Any]], known: list[dict[str, str]]) -> tuple[int, int]:
    """Print the row of a module and its survivors; return how many of them there are, and how many are new."""
    alive = [one for one in mutants if one["status"] not in KILLED]
    reasons = {(one["before"], one["after"]): one["reason"] for one in known if one["module"] == module}
    new = [one for one in alive if change_of(one["diff"]) not in reasons]
    print(row(module, len(mutants), len(alive), len(new)))
    for one in alive:
        before, after = change_of(one["diff"])
        reason = reasons.get((before, after), f"NEW ({one['status']})")
        print(f"  {module}:{one['line']}: {reason}\n    - {before}\n    + {after}")
    return len(alive), len(new)


def row(name: str, mutants: int, alive: int, new: int) -> str:
    """Return a row of the table."""
    return f"{name:44} {mutants:5} mutants {1 - alive / mutants:6.1%} killed, {alive} survived, {new} of them new"


def main() -> None:
    """Change the modules named, or all of ``known.toml``, and print what survived."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__)
    parser.add_argument("modules", nargs="*", help="paths or patterns; without any, all that known.toml names")
    parser.add_argument("--share", type=int, default=100, help="percent of the mutants to test (the same each time)")
    given = parser.parse_args()
    listed = tomllib.loads(KNOWN.read_text("utf-8"))
    if find_spec("mutmut") is None:
        raise SystemExit("mutants: the tool is not installed here: run `make mutants`, which brings it")
    results: dict[str, list[dict[str, Any]]] = {}
    for modules, part in parts_of(given.modules, listed["part"], listed["not_changed"]):
        for one in run_part(modules, part, given.share, REPO / ".venv" / "mutated"):
            results.setdefault(one["module"], []).append(one)
    print()
    survived = [shown(module, mutants, listed.get("known", [])) for module, mutants in sorted(results.items())]
    total, alive, new = sum(map(len, results.values())), sum(k for k, _ in survived), sum(k for _, k in survived)
    if not total:
        raise SystemExit("mutants: nothing to change in a sample as small as this: raise --share")
    print(row("all", total, alive, new))
    few = not given.modules and 1 - alive / total < LEAST_KILLED  # of a small module the known ones may be many
    sys.exit(1 if new or few else 0)


if __name__ == "__main__":
    main()
