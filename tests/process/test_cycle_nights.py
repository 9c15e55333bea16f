"""Night after night on one log of load cycling: what was read once is not read again, and nothing depends on it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from benchpipe.blocks.cyclic import measure
from benchpipe.process.order import block_span
from benchpipe.store import run_store
from benchpipe.store.manifest import Manifest, Part
from benchpipe.store.run_store import RunStore
from tests.ingest.taken import HEAD, Run
from tests.steps_done import ingest_run, process_run

COUNTER = '[[channel]]\nname = "count"\ncolumn = "n"\nunit = "1"'
NIGHTS = (11_130, 15_000, 21_777, 30_000)  # rows that are logged by then, one every 10 ms


def log(*, pause_s: float = 0.0, stuck: int | None = None) -> list[str]:
    """Rows of 300 cycles at 1 Hz with noise and a counter; a pause after half of them, one in which force sticks."""
    rng, n = np.random.default_rng(5), NIGHTS[-1]
    time = np.arange(n) * 0.01
    force = 42.5 - 41.0 * np.cos(2 * np.pi * time) + 0.05 * rng.standard_normal(n)
    stroke = 4.0 - 3.0 * np.cos(2 * np.pi * time - 0.2) + 0.005 * rng.standard_normal(n)
    if stuck is not None:
        force[100 * stuck + 50 : 100 * stuck + 75] = force[100 * stuck + 50]
    shown = time + pause_s * (time >= 150)
    return [
        f"{t:.2f},{f:.4f},{x:.5f},{int(at)}\n"
        for t, f, x, at in zip(shown, force, stroke, np.floor(time + 0.6), strict=True)
    ]


def run_in(folder: Path, frequency: str = "1 Hz") -> tuple[Run, RunStore]:
    """A run with a counter."""
    run = Run(folder, force=COUNTER)
    for name, old, new in (
        ("rig.toml", 'name = "rig"', 'name = "rig"\ncounter = "count"'),
        ("plan.toml", 'frequency = "1 Hz"', f'frequency = "{frequency}"'),
    ):
        path = folder / name
        path.write_text(path.read_text("utf-8").replace(old, new, 1), "utf-8")
    return run, RunStore(run.config.store, "run")


def night(run: Run, store: RunStore, rows: list[str]) -> Manifest:
    """Ingest and process a log so far."""
    run.write("a.csv", HEAD.replace("\n", ",n\n") + "".join(rows))
    return process_run(run.config, store, ingest_run(run.config, store).manifest)


def cycles_of(store: RunStore, manifest: Manifest) -> list[pa.Table]:
    """The cycles and trends of the run."""
    return [store.read(manifest, name).combine_chunks() for name in ("cycles", "trends")]


class Reads:
    """Which columns are read of which part of cycles."""

    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        self.seen: list[tuple[str, frozenset[str]]] = []
        read = run_store.read_part

        def read_part(folder: Path, part: Part, columns: list[str] | None = None) -> pa.Table:
            if part.table == "cycles":
                self.seen.append((part.path, frozenset(columns or ["all"])))
            return read(folder, part, columns)

        patch.setattr(run_store, "read_part", read_part)

    def again(self, old: set[str]) -> set[frozenset[str]]:
        """Columns of parts of the nights before; trends go on from the last bin with cycles, flags and values."""
        read = [columns for path, columns in self.seen if path in old]
        self.seen.clear()
        return {columns for columns in read if "complete" in columns or "start_us" in columns or "all" in columns}


def reads_of(tmp_path: Path, patch: pytest.MonkeyPatch, rows: list[str], frequency: str = "1 Hz") -> list[set[Any]]:
    """What each night but the first reads again of cycles for remarks."""
    run, store = run_in(tmp_path, frequency)
    reads, found, old = Reads(patch), [], set[str]()
    for rows_so_far in NIGHTS:
        manifest = night(run, store, rows[:rows_so_far])
        found.append(reads.again(old))
        old = set(manifest.steps["process"].state["main"]["settled"])  # type: ignore[index, call-overload]
    assert len(old) == len(NIGHTS)
    return found[1:]


def test_a_healthy_run_reads_no_cycles_of_the_nights_before(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert reads_of(tmp_path, monkeypatch, log()) == [set()] * 3


def test_nor_does_one_that_was_stopped_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert reads_of(tmp_path, monkeypatch, log(pause_s=600.0)) == [set()] * 3


def test_a_remark_that_says_a_median_reads_that_column(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert reads_of(tmp_path, monkeypatch, log(), "0.6 Hz") == [{frozenset({"complete", "period_s"})}] * 3


def test_a_stuck_cycle_is_looked_for_in_its_own_part(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run, store = run_in(tmp_path)
    rows = log(stuck=120)
    for rows_so_far in NIGHTS[:-1]:
        manifest = night(run, store, rows[:rows_so_far])
    settled = manifest.steps["process"].state["main"]["settled"]  # type: ignore[index, call-overload]
    reads = Reads(monkeypatch)
    manifest = night(run, store, rows)
    assert {path for path, columns in reads.seen if path in settled and "load_repeats" in columns} == {settled[1]}
    (remark,) = (r for r in manifest.steps["process"].remarks if r.code == "stuck-in-part")
    assert (remark.count, "the first at cycle 121:" in remark.text) == (1, True)


@pytest.mark.parametrize("pause_s", [0.0, 600.0])
@pytest.mark.parametrize("stuck", [None, 120])
def test_nights_give_the_tables_remarks_and_state_of_one_pass(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, pause_s: float, stuck: int | None
) -> None:
    monkeypatch.setattr(measure, "ROWS_AT_ONCE", 130)
    rows = log(pause_s=pause_s, stuck=stuck)
    (run, store), (other, one_pass) = run_in(tmp_path / "a"), run_in(tmp_path / "b")
    for rows_so_far in NIGHTS:
        found = night(run, store, rows[:rows_so_far])
    asked = night(other, one_pass, rows)
    assert cycles_of(store, found) == cycles_of(one_pass, asked)
    assert found.steps["process"].remarks == asked.steps["process"].remarks
    states = [one.steps["process"].state["main"] for one in (found, asked)]
    cut = ("settled", "ends", "longest", "parts", "loops", "inputs")  # name the nights
    kept, whole = ({k: v for k, v in state.items() if k not in cut} for state in states)  # type: ignore[attr-defined]
    assert kept == whole
    assert kept["sums"]["counter"]["used"] > 290
    block = run.config.plan.block[0]
    assert block_span(store, block, found.steps["process"].parts) == tuple(kept["sums"]["span"])
