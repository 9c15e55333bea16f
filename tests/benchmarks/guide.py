"""Write measured figures into the guide: ``python -m tests.benchmarks.guide [STUDY …]``, all studies by default.

A page has a place for each of its studies, between ``<!-- STUDY -->`` and ``<!-- end -->``.
"""

from __future__ import annotations

import os
import platform
import re
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

REPO = Path(__file__).parents[2]
GUIDE = REPO / "benchpipe" / "guide"
PAGES = (GUIDE / "figures.md", GUIDE / "uncertainty.md", GUIDE / "compare.md", GUIDE / "growing.md")
ARGUMENTS = {
    "cycles": ("200", "--peers"), "compare_study": ("5000", "1"), "bumper_study": ("1000", "500", "150"),
    "drift_study": ("400", "200"),
}  # fmt: skip
SECTION = re.compile(r"<!-- (?P<name>\w+) -->\n.*?<!-- end -->", re.DOTALL)


def studies(text: str) -> list[str]:
    """Names of the studies that a page has a place for, in order."""
    return [found["name"] for found in SECTION.finditer(text)]


def with_study(text: str, name: str, printed: str, measured: str = "") -> str:
    """A page with what a study printed at its place, under its command and where it was measured."""
    command = " ".join(("python -m", f"tests.benchmarks.{name}", *ARGUMENTS.get(name, ())))
    body = "\n".join(filter(None, (f"`{command}`", measured))) + f"\n\n{printed.strip()}"
    return SECTION.sub(
        lambda found: f"<!-- {name} -->\n{body}\n<!-- end -->" if found["name"] == name else found[0], text
    )


def measured() -> str:
    """Day, state of the code and machine of a figure, in one line."""
    state = subprocess.run(["git", "-C", REPO, "describe", "--always", "--dirty"], capture_output=True, text=True)
    python = f"Python {platform.python_version()}, {os.cpu_count()} cores"
    return f"Measured {datetime.now(UTC):%Y-%m-%d} on {state.stdout.strip() or 'no checkout'}, {python}."


def main(names: list[str]) -> int:
    """Run studies, each in a process of its own, and keep what they print."""
    failed = 0
    for page in PAGES:
        for name in studies(page.read_text(encoding="utf-8")):
            if names and name not in names:
                continue
            print(f"== {name}", flush=True)
            command = [sys.executable, "-m", f"tests.benchmarks.{name}", *ARGUMENTS.get(name, ())]
            done = subprocess.run(command, stdout=subprocess.PIPE, check=False)
            printed = done.stdout.decode("utf-8")
            print(printed, flush=True)
            failed |= done.returncode
            text = page.read_text(encoding="utf-8")
            page.write_text(with_study(text, name, printed, measured()), encoding="utf-8")
    return failed


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
