"""``make bench``: speed, memory and interval coverage, written into the guide."""

from __future__ import annotations

import sys

from tests.benchmarks.guide import main

if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
