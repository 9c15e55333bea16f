"""A log of more than 4 GB: what stands beyond is taken as it is; read whole, in flat memory (soak)."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from pathlib import Path

import pytest

from benchpipe.ingest.reading_state import Grown, grown_from
from benchpipe.ingest.source import ingest_file
from benchpipe.store.run_store import RunStore
from tests.ingest.taken import HEAD, Run, rows
from tests.steps_done import ingest_run

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


@pytest.mark.skipif(sys.platform != "linux", reason="needs files with holes")
@pytest.mark.parametrize("time", ['column = "t"', 'kind = "sample"'])
def test_what_stands_beyond_four_gigabytes_and_rows(time: str, tmp_path: Path) -> None:
    """A log grew from 5 GiB and 5,000,000,000 rows on. The bytes before are a hole: they are not read again."""
    run = Run(tmp_path, time=time)
    text = HEAD + rows(0, 50)
    path = run.write("a.csv", text)
    before = run.take().manifest.sources[0]
    assert before.state is not None
    place, line = 5 << 30, 5_000_000_000
    reader = before.state["reader"] | {"offset": place, "line": line, "slots": line - 2}
    known = before.model_copy(update={"taken": place, "size": place, "state": before.state | {"reader": reader}})
    grown = grown_from(known)
    assert isinstance(grown, Grown)
    more = rows(50, 90) + "x,1,2\n"
    with path.open("r+b") as file:
        file.seek(place)
        file.write(more.encode() + b"0.9,1")
    config = run.config
    store = RunStore(config.store, config.name)
    after = ingest_file(path, known.file, config.rig, store, grown, hashlib.sha256())
    assert (after.samples, after.rows, after.taken) == (90 if time != 'kind = "sample"' else 91, 92, place + len(more))
    assert after.size == place + len(more) + 5
    new = store.read_parts([p for p in after.parts if p not in before.parts and p.table == "samples"], "samples")
    row, at = new.column("row").to_pylist(), new.column("time_us").to_pylist()
    if time == 'kind = "sample"':  # no clock: the row that has no time has one all the same
        assert (row, at) == (list(range(line, line + 41)), [(line - 2 + k) * 10_000 for k in range(41)])
    else:
        assert (row, at) == (list(range(line, line + 40)), [k * 10_000 for k in range(50, 90)])
    rejects = store.read_parts([p for p in after.parts if p.table == "rejects"], "rejects")
    assert rejects.column("row").to_pylist()[-1] == line + 41


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
