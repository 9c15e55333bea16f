"""A log of more than 4 GB: read whole, in flat memory (soak)."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from benchpipe.ingest.run import ingest_run
from benchpipe.store.run_store import RunStore
from tests.ingest.taken import Run

MOST_MB = 700
SAY = """
import sys
from pathlib import Path
from tests.ingest.test_big_log import take
print(take(Path(sys.argv[1])), Path('/proc/self/status').read_text().split('VmHWM:')[1].split()[0])
"""


def take(folder: Path) -> int:
    """Ingest a run without a clock, and give the count of its samples."""
    run = Run(folder, time='kind = "sample"').config
    return ingest_run(run, RunStore(run.store, run.name)).manifest.account().samples


@pytest.mark.soak
@pytest.mark.skipif(sys.platform != "linux", reason="reads the peak of memory from /proc")
def test_four_gigabytes_in_one_file(tmp_path: Path) -> None:
    run = Run(tmp_path, time='kind = "sample"')
    block = b"".join(b"%d.%02d,%d.%03d\n" % (k % 1200, k % 100, k % 30, k % 1000) for k in range(1 << 20))
    times = (1 << 32) // len(block) + 1
    with (run.folder / "logs" / "a.csv").open("wb") as file:
        file.write(b"F,x\n")
        for _ in range(times):
            file.write(block)
    out = subprocess.run([sys.executable, "-c", SAY, str(tmp_path)], check=True, capture_output=True, text=True)
    samples, peak_kb = map(int, out.stdout.split())
    assert samples == times << 20
    assert peak_kb < MOST_MB * 1024
