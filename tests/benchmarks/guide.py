"""Write what was simulated into the guide: ``python -m tests.benchmarks.guide [STUDY …]``, all studies by default."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

GUIDE = Path(__file__).parents[2] / "benchpipe" / "guide" / "uncertainty.md"
SECTION = re.compile(r"<!-- (?P<name>\w+) -->\n.*?<!-- end -->", re.DOTALL)


def studies(text: str) -> list[str]:
    """Names of the studies that the guide has a place for, in order."""
    return [found["name"] for found in SECTION.finditer(text)]


def with_study(text: str, name: str, printed: str) -> str:
    """The guide with what a study printed at its place."""
    rows = [line for line in printed.splitlines() if line.strip()]
    body = f"`python -m tests.benchmarks.{name}`\n\n" + "\n".join(rows)
    return SECTION.sub(
        lambda found: f"<!-- {name} -->\n{body}\n<!-- end -->" if found["name"] == name else found[0], text
    )


def main(names: list[str]) -> int:
    """Run studies, each in a process of its own, and keep what they print."""
    failed = 0
    for name in names or studies(GUIDE.read_text(encoding="utf-8")):
        print(f"== {name}", flush=True)
        done = subprocess.run([sys.executable, "-m", f"tests.benchmarks.{name}"], stdout=subprocess.PIPE, check=False)
        failed |= done.returncode
        text = GUIDE.read_text(encoding="utf-8")
        GUIDE.write_text(with_study(text, name, done.stdout.decode("utf-8")), encoding="utf-8")
    return failed


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
