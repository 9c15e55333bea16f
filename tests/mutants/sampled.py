"""Run the mutation tool in the folder it is started in, on a share of the mutants, and write down what became of each.

A process of its own, which ``python -m tests.mutants`` starts: only the copies in that folder are imported.
"""

from __future__ import annotations

import ast
import json
import os
import re
import subprocess
import sys
import zlib
from pathlib import Path
from typing import Any

import mutmut.__main__ as tool
from mutmut.configuration import config
from mutmut.mutation.diff_apply import get_diff_for_mutant
from mutmut.state import state
from mutmut.stats import status_by_exit_code
from mutmut.utils.format_utils import mangled_name_from_mutant_name, orig_function_and_class_names_from_key


def chosen(name: str, share: int) -> bool:
    """Whether a mutant is in a sample of ``share`` percent: the same ones each time."""
    return zlib.crc32(name.encode()) % 100 < share


def line_of(path: Path, name: str, diff: str) -> int:
    """Line of the file at which a mutant begins to differ from it."""
    function, owner = orig_function_and_class_names_from_key(name)
    tree: Any = ast.parse(path.read_text("utf-8"))
    if owner:
        tree = next(node for node in tree.body if isinstance(node, ast.ClassDef) and node.name == owner)
    found = next(node for node in tree.body if isinstance(node, ast.FunctionDef) and node.name == function)
    first = min([found.lineno, *(one.lineno for one in found.decorator_list)])
    hunk = re.search(r"^@@ -(\d+)", diff, re.MULTILINE)
    at = int(hunk[1]) if hunk else 1
    for text in diff.splitlines()[3:]:
        if not text.startswith(" "):
            break
        at += 1
    return first + at - 1


def status_in_a_process_of_its_own(name: str) -> str:
    """Test a mutant from the imports on: what is called while modules are imported is over before the tool forks."""
    command = [sys.executable, "-m", "pytest", "-x", "-q", *config().pytest_add_cli_args]
    done = subprocess.run(
        command + config().pytest_add_cli_args_test_selection, cwd="mutants", stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL, env={**os.environ, "MUTANT_UNDER_TEST": name},
    )  # fmt: skip
    return "survived" if done.returncode == 0 else "killed"


def main(share: int, target: Path, *, imported: bool) -> None:
    """Test the mutants and write them to ``target``; ``imported``: those of imports once more."""
    every = tool.collect_source_file_mutation_data

    def some(*, mutant_names: tuple[str, ...]) -> Any:
        mutants, files = every(mutant_names=mutant_names)
        return [one for one in mutants if chosen(one[1], share)], files

    def quickest(names: tuple[str, ...]) -> set[str]:
        """One test is enough to run without a mutant: all have just passed, while their times were taken."""
        times = state().duration_by_test
        return {min(times, key=lambda test: times[test])}

    tool.collect_source_file_mutation_data = some
    tool.tests_for_mutant_names = quickest
    tool._run((), 1)
    results = []
    for data, name, _ in some(mutant_names=())[0]:
        diff = get_diff_for_mutant(name, path=data.path)
        line = line_of(Path(data.path), name, diff)
        status = status_by_exit_code[data.exit_code_by_key[name]]
        # a call while modules are imported is booked to the test that ran first
        callers = state().tests_by_mangled_function_name.get(mangled_name_from_mutant_name(name), ())
        if imported and len(callers) <= 1 and status in ("survived", "no tests"):
            print("from the imports on:", name, flush=True)
            status = status_in_a_process_of_its_own(name)
        results.append({"module": str(data.path), "line": line, "status": status, "diff": diff})
    target.write_text(json.dumps(results), "utf-8")


if __name__ == "__main__":
    main(int(sys.argv[1]), Path(sys.argv[2]), imported="imported" in sys.argv[3:])
