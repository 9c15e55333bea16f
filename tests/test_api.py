"""The Python door: a run of the store, read only; arrays through the kernels; and what may be imported."""

from __future__ import annotations

import doctest
import re
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pytest

import benchpipe
from benchpipe.errors import BenchpipeError, ConfigError

GUIDE = Path(benchpipe.__file__).parent / "guide" / "python.md"


@pytest.fixture(scope="module")
def wearing(sample_lab: Path) -> benchpipe.Run:
    """The sample run that wears, as a night left it."""
    return benchpipe.open_run(sample_lab, "wearing")


def test_what_import_gives_is_pinned() -> None:
    assert dir(benchpipe) == [
        "BenchpipeError", "Cycles", "Run", "__version__", "find_cycles", "fit_creep", "measure_loops", "open_run",
    ]  # fmt: skip
    with pytest.raises(AttributeError, match="no attribute 'open_runs'"):
        _ = benchpipe.open_runs
    assert (Path(benchpipe.__file__).parent / "py.typed").is_file()


def test_import_loads_nothing_heavy() -> None:
    program = "import benchpipe, sys; print(sorted({'numpy', 'pyarrow', 'numba', 'polars'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_guide_is_true(sample_lab: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(sample_lab.parent.parent)
    found = doctest.testfile(str(GUIDE), module_relative=False, optionflags=doctest.FAIL_FAST)
    assert found.attempted > 15
    assert found.failed == 0


def test_table_gives_chosen_columns_of_chosen_rows(wearing: benchpipe.Run) -> None:
    rows = wearing.table("cycles", ["energy_j"], block="durability", between=(3, 5))
    assert rows.column_names == ["energy_j"]
    whole = wearing.table("cycles").to_pylist()
    assert rows.column("energy_j").to_pylist() == [r["energy_j"] for r in whole if r["cycle"] in (3, 4, 5)]
    assert hasattr(rows, "__arrow_c_stream__")
    assert rows.schema.field("energy_j").metadata[b"unit"] == b"J"


def test_a_table_is_what_other_libraries_take(wearing: benchpipe.Run) -> None:
    """Polars and pandas as they are; what else takes an Arrow stream gets it by its interface alone, as DuckDB does."""
    import pandas as pd
    import polars as pl

    rows = wearing.table("cycles", ["cycle", "energy_j", "flags"])
    energy = rows.column("energy_j").to_pylist()
    assert pl.DataFrame(rows)["energy_j"].to_list() == energy
    assert pl.DataFrame(rows)["flags"].to_list() == rows.column("flags").to_pylist()
    frame = pd.DataFrame.from_arrow(rows) if hasattr(pd.DataFrame, "from_arrow") else rows.to_pandas()
    assert np.array_equal(frame["energy_j"].to_numpy(), np.array(energy, float), equal_nan=True)

    class Stream:
        def __arrow_c_stream__(self, schema: object = None) -> object:
            return rows.__arrow_c_stream__(schema)

    read = pa.RecordBatchReader.from_stream(Stream()).read_all()
    assert read.equals(rows, check_metadata=True)


def test_flags_are_names_and_times_timestamps_where_asked(wearing: benchpipe.Run) -> None:
    rows = wearing.table("cycles", ["start_us", "flags"], iso=True)
    assert rows.column_names == ["start", "flags"]
    assert rows.schema.field("start").type == pa.timestamp("us")
    assert rows.schema.field("flags").type == pa.string()
    assert wearing.table("cycles", ["start_us"]).schema.field("start_us").metadata[b"unit"] == b"us"


def test_table_of_every_name_can_be_read(wearing: benchpipe.Run) -> None:
    for name in wearing.tables:
        assert isinstance(wearing.table(name), pa.Table)
        if name != "samples":
            first = wearing.table(name).column_names[0]
            assert wearing.table(name, [first]).column_names == [first]
    assert wearing.table("samples", ["file", "row"]).column_names == ["file", "row"]


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda run: run.table("cycle"), "no table 'cycle'"),
        (lambda run: run.table("cycles", ["energy"]), "'cycles' has no column 'energy'"),
        (lambda run: run.table("samples", ["lod"]), "'samples' has no column 'lod'"),
        (lambda run: run.table("cycles", block="durable"), "no block 'durable'"),
        (lambda run: run.table("remarks", between=(1, 2)), "nothing in the table 'remarks' has a number"),
        (lambda run: run.samples(), "say of which block"),
        (lambda run: run.samples(cycles=3), "nothing is numbered by 'cycles'"),
        (lambda run: run.samples(cycle=10**6), "has no cycle 1000000"),
        (lambda run: run.samples("durability", cycle=1, proof=1), "give one of cycle, proof"),
        (lambda run: run.trace("durability"), "say of what"),
        (lambda run: run.table("landmarks", block="durability"), "rows of the table 'landmarks' are of no block"),
        (lambda run: run.table("cycles", "peak_load"), "columns is a text: 'peak_load'"),
        (lambda run: run.table("cycles", [3]), "'cycles' has no column '3'"),
        (lambda run: run.table("cycles", block=3), "no block '3'"),
        (lambda run: run.table("cycles", between=("1", "4")), "between is no number of a row"),
        (lambda run: run.table("cycles", between=(1, None)), "between is no number of a row"),
        (lambda run: run.table("cycles", between=(1,)), "between is no range"),
        (lambda run: run.table("cycles", between=5), "between is no range"),
        (lambda run: run.samples(cycle="12"), "cycle is no number of a row"),
        (lambda run: run.samples(cycle=True), "cycle is no number of a row"),
        (lambda run: run.samples(cycle=10**20), "cycle is no number of a row"),
        (lambda run: run.loop("durability", "12"), "cycle is no number of a row"),
        (lambda run: run.trace("durability", cycle=1.5), "cycle is no number of a row"),
    ],
)  # fmt: skip
def test_wrong_questions_are_named(wearing: benchpipe.Run, call: object, said: str) -> None:
    with pytest.raises(ConfigError, match=said):
        call(wearing)  # type: ignore[operator]


def test_samples_and_remarks_of_a_block_are_its_own(sample_lab: Path) -> None:
    """Samples: those of its logs and its mode, as figures are made from; remarks: those on it and on parts of it."""
    run = benchpipe.open_run(sample_lab, "creeping-lock")
    whole = run.table("samples", ["time_us", "locked"])
    for block, mode in (("free", 0), ("held-30", 1)):
        of_block = run.table("samples", ["time_us"], block=block)
        wanted = whole.filter(pc.equal(whole.column("locked"), mode))
        assert 0 < of_block.num_rows < whole.num_rows
        assert of_block.column("time_us").equals(wanted.column("time_us"))
        assert run.samples(block).column("time_us").equals(of_block.column("time_us"))
    assert run.table("samples", ["row"], block="lock").num_rows == whole.num_rows
    remarks = run.table("remarks").to_pylist()
    found = 0
    for block in (b.name for b in run.config.plan.block):
        own = [row for row in remarks if row["where"] == block or row["where"].startswith(f"{block}, ")]
        assert run.table("remarks", block=block).to_pylist() == own
        found += len(own)
    assert found > 0


def test_a_refused_block_names_the_tables_that_have_blocks(wearing: benchpipe.Run) -> None:
    with pytest.raises(ConfigError) as raised:
        wearing.table("landmarks", block="durability")
    assert raised.value.expected == "one of samples, cycles, loops, proofs, trends, verdicts, budgets, remarks"
    assert raised.value.do_next == "leave out block"


def test_numbers_of_other_libraries_are_numbers(wearing: benchpipe.Run) -> None:
    assert wearing.table("cycles", between=[np.int32(3), np.uint64(5)]).num_rows == 3
    assert wearing.samples(cycle=np.int64(12)).num_rows == 50


def test_a_run_is_shown_in_a_line(wearing: benchpipe.Run) -> None:
    assert repr(wearing).startswith("<benchpipe.Run 'wearing': ")
    assert f"{len(wearing.tables)} tables, in " in repr(wearing)
    assert len(repr(wearing)) < 250


def test_errors_name_commands_that_can_be_pasted(sample_lab: Path, tmp_path: Path) -> None:
    folder = shutil.copytree(sample_lab.parent.parent, tmp_path / "my lab", ignore=shutil.ignore_patterns("logs"))
    lab = folder / "sample_runs" / "lab.toml"
    with pytest.raises(BenchpipeError) as raised:
        benchpipe.open_run(lab, "wearing", store=tmp_path / "new")
    named = f"wearing --lab '{lab}' --store {tmp_path / 'new'}"
    steps = " && ".join(f"benchpipe {step} {named}" for step in ("ingest", "process", "check"))
    assert raised.value.do_next == f"run a night first: {steps}"  # a night knows no other store
    run = benchpipe.open_run(lab, "wearing")
    for part in (lab.parent / "store" / "wearing" / "cycles").iterdir():
        part.write_bytes(b"")
    with pytest.raises(BenchpipeError) as raised:
        run.table("cycles")
    assert raised.value.do_next is not None
    assert f"'{lab}'" in raised.value.do_next
    assert not re.search(r"\bRUN\b|\bLAB\b", str(raised.value))


def test_samples_of_a_cycle_are_its_rows(wearing: benchpipe.Run) -> None:
    some = wearing.samples(cycle=12)
    row = wearing.table("cycles", between=(12, 12)).to_pylist()[0]
    assert some.num_rows == row["samples"]
    assert np.isclose(max(some.column("load").to_pylist()), row["peak_load"])
    assert wearing.loop("durability", 12).column("load").equals(some.column("load"))
    rows = wearing.trace("durability", cycle=12)[0]
    assert rows.last - rows.first + 1 == row["samples"]
    assert wearing.samples("durability").num_rows > some.num_rows


def test_a_run_without_a_night_says_so(sample_lab: Path, tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="nothing of run 'wearing' is in the store yet"):
        benchpipe.open_run(sample_lab, "wearing", store=tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_arrays_give_the_figures_of_the_store(wearing: benchpipe.Run) -> None:
    """The same kernels: figures of complete cycles agree with the cycles table's."""
    known = wearing.table("cycles", ["cycle", "peak_load", "loading_stiffness"], between=(1, 200))
    some = wearing.samples("durability").slice(0, 20_000)
    time_s = some.column("time_us").to_numpy() / 1e6
    load, motion = (some.column(name).to_numpy() for name in ("load", "motion"))
    block = wearing.config.plan.block[0]
    bottom, top = (target.value for target in block.targets)
    cycles = benchpipe.find_cycles(
        time_s - time_s[0], load, low=bottom + 0.32 * (top - bottom), high=bottom + 0.68 * (top - bottom), gap_s=5
    )
    loops = benchpipe.measure_loops(time_s - time_s[0], load, motion, cycles, band=block.stiffness_band)
    for name in ("peak_load", "loading_stiffness"):
        ours = loops[name][cycles.closed][:200]
        assert np.allclose(ours, known.column(name).to_numpy()[: ours.size], rtol=1e-6, equal_nan=True)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"end": np.array([101, 201])}, r"not of these arrays: number 1 has the samples 100 to 200, and there are 200"),
        ({"start": np.array([-1, 100])}, "number 0 has the samples -1 to 99"),
        ({"start": np.array([100, 100]), "end": np.array([100, 200])}, "number 0 has the samples 100 to 99"),
        ({"end": np.array([100])}, "one value each of 2"),
        ({"start_part": np.zeros((2, 1))}, "one value each of 2"),
    ],
)
def test_cycles_of_other_arrays_are_refused(change: dict[str, Any], said: str) -> None:
    time_s = np.arange(200) * 0.01
    load = np.sin(2 * np.pi * time_s)
    cycles = benchpipe.Cycles(
        np.array([0, 100]), np.array([100, 200]), np.ones(2), np.zeros(2), np.ones(2, bool), np.ones(2, np.int64)
    )
    assert benchpipe.measure_loops(time_s, load, load, cycles)["peak_load"] == pytest.approx([1.0, 1.0])
    with pytest.raises(ValueError, match=said):
        benchpipe.measure_loops(time_s, load, load, replace(cycles, **change))
    with pytest.raises(ValueError, match="band must be two rising parts"):
        benchpipe.measure_loops(time_s, load, load, cycles, band=(0.8, 0.2))


def test_the_cycle_in_which_a_signal_ends_is_incomplete() -> None:
    t = np.arange(0, 2.6, 0.01)
    cycles = benchpipe.find_cycles(t, np.sin(2 * np.pi * t), low=-0.5, high=0.5)
    assert cycles.closed.tolist() == [False, True, False]
    assert cycles.start[0] == 0
    assert cycles.end[-1] == t.size


@pytest.mark.parametrize(
    ("time_s", "signal", "low", "said"),
    [
        ([0, 1, 1], [0, 1, 0], -1, "must rise: it does not after value 1"),
        ([0, 1], [0, 1, 0], -1, "2 values and signal 3"),
        ([0, 1], [0, np.nan], -1, "signal must be one row of finite numbers"),
        ([0, 1], [0, 1], 2, "low must be below high"),
    ],
)
def test_arrays_that_cannot_be_cut_are_refused(time_s: list[float], signal: list[float], low: float, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        benchpipe.find_cycles(time_s, signal, low=low, high=1)


@pytest.mark.parametrize("count", [None, [1.0, 1.0]])
def test_averages_of_unequal_lengths_are_refused(count: list[float] | None) -> None:
    said = r"rows of one length, a value for each average: time_s 3, motion [23], count [23]"
    with pytest.raises(ValueError, match=said):
        benchpipe.fit_creep([1.0, 2.0, 4.0], [0.1, 0.2] if count is None else [0.1, 0.2, 0.3], count)
    with pytest.raises(ValueError, match=r"time_s one"):
        benchpipe.fit_creep(1.0, 2.0)
