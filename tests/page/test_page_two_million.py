"""The page of two million cycles: size, time, memory, and how quick it is in a browser (make soak)."""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.cli.commands import environment
from tests.conftest import copy_samples
from tests.page.browser import chromium, opened
from tests.page.many_cycles import with_cycles

CYCLES = 2_000_000
MOST_MB, MOST_S, MOST_RSS_MB = 6.0, 8.0, 700.0
MOST_PAINT_MS, MOST_ZOOM_MS = 300.0, 60.0
# The peak of the process itself: that of a child counts the test's own memory too.
WATCHED = """import sys; from benchpipe.cli.main import call
code = call(sys.argv[1:]); print(*(line for line in open("/proc/self/status") if line.startswith("VmHWM")))
sys.exit(code)
"""
ZOOM = """async ([a, b]) => { const view = document.querySelector('.trends').view, start = performance.now();
view.from = a; view.to = b; view.draw(true); return performance.now() - start; }"""
PAINT = "performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? -1"


@pytest.mark.soak
def test_two_million_cycles(tmp_path: Path) -> None:
    lab = copy_samples(tmp_path)
    from benchpipe.cli.runs import work_night

    work_night(lab, new_store=True)
    with_cycles(lab, CYCLES)
    (lab.parent / ".benchpipe-stores.json").unlink(missing_ok=True)
    out = tmp_path / "page.html"
    command = [sys.executable, "-c", WATCHED, "page", "wearing", "--lab", str(lab), "--out", str(out)]
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    began = time.monotonic()
    said = subprocess.run(command, check=True, env=environment(), capture_output=True, text=True).stdout
    took = time.monotonic() - began
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    found: dict[str, object] = {
        "MB": round(out.stat().st_size / 1e6, 2), "s": round(took, 2),
        "CPU s": round(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, 2),
        "MB of memory, at most": round(int(said.split()[-2]) / 1e3),
    }  # fmt: skip
    with chromium() as browser, opened(out, browser) as seen:
        seen.until("document.documentElement.classList.contains('live')")
        found["first paint ms"] = seen.page.evaluate(PAINT)
        seen.see_all()
        spans = ([100_000, 1_900_000], [900_000, 1_100_000], [1_499_000, 1_501_000], [0, CYCLES])
        found["zoom ms, all charts"] = [round(seen.page.evaluate(ZOOM, span), 1) for span in spans]
        assert (seen.asked, seen.said) == ([], [])
    print(json.dumps(found))
    assert float(str(found["MB"])) < MOST_MB
    assert float(str(found["CPU s"])) < MOST_S
    assert float(str(found["MB of memory, at most"])) < MOST_RSS_MB
    zooms = found["zoom ms, all charts"]
    assert isinstance(zooms, list)
    assert sorted(zooms)[len(zooms) // 2] < MOST_ZOOM_MS * 6  # six charts
