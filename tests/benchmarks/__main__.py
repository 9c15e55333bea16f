"""``make bench``: speed, memory and interval coverage, as ratios from one run on this machine."""

from __future__ import annotations

import subprocess
import sys

STUDIES: tuple[tuple[str, ...], ...] = (
    ("tests.benchmarks.cycles", "200", "--peers"),
    ("tests.benchmarks.text_cycles",),
    ("tests.benchmarks.ingest",),
    ("tests.benchmarks.simulate",),
    ("tests.benchmarks.coverage",),
    ("tests.benchmarks.stops_coverage",),
    ("tests.benchmarks.nightly",),
)


def main() -> int:
    """Run each study in a process of its own."""
    failed = 0
    for study in STUDIES:
        print(f"== {' '.join(study)}", flush=True)
        failed |= subprocess.run([sys.executable, "-m", *study], check=False).returncode
    return failed


if __name__ == "__main__":
    sys.exit(main())
