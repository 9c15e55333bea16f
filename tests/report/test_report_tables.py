"""Exported tables: the same values in CSV and Parquet, whole or not at all."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from benchpipe.blocks.cyclic.tables import CycleFlag, flag_names
from benchpipe.errors import ConfigError, StoreError
from benchpipe.report.document import plain
from benchpipe.run import RunConfig, load_run
from benchpipe.store.manifest import Manifest, Step
from benchpipe.store.run_store import RunStore
from benchpipe.tables import TABLES, schema
from benchpipe.views.export import write_table
from benchpipe.views.trace import trace_rows
from tests.ingest.taken import HEAD, Run

RUNS = ("healthy", "wearing", "creeping-lock")


def opened(lab: Path, run: str) -> tuple[RunConfig, RunStore]:
    """A sample run and its store."""
    config = load_run(lab.parent / run / "plan.toml")
    return config, RunStore(config.store, config.name)


@pytest.mark.parametrize("table", sorted(TABLES))
@pytest.mark.parametrize("run", RUNS)
def test_csv_and_parquet_hold_the_same(sample_lab: Path, tmp_path: Path, run: str, table: str) -> None:
    _, store = opened(sample_lab, run)
    manifest = store.manifest()
    for form in ("csv", "parquet"):
        write_table(store, manifest, table, form, tmp_path / f"x.{form}")
    rows = pq.read_table(tmp_path / "x.parquet")
    with (tmp_path / "x.csv").open(newline="", encoding="utf-8") as file:
        header, *lines = csv.reader(file)
    assert header == rows.column_names
    assert len(lines) == rows.num_rows
    step = max(len(lines) // 500, 1)
    chosen = rows.take(pa.array(range(0, len(lines), step), pa.int64())).to_pylist()
    for line, row in zip(lines[::step], chosen, strict=True):
        for name, text in zip(header, line, strict=True):
            assert same(text, row[name], name), (name, text, row[name])


def same(text: str, value: object, name: str) -> bool:
    """Whether a cell of the CSV file means the value."""
    if name == "flags":
        return text == flag_names(int(value))  # type: ignore[call-overload]
    if value is None:
        return text == ""
    if isinstance(value, bool):
        return text == str(value).lower()
    if isinstance(value, float):
        return float(text) == pytest.approx(value, rel=1e-6, nan_ok=True) if text else math.isnan(value)
    return text == str(value)


@pytest.mark.parametrize("run", RUNS)
def test_exported_samples_are_all_rows_less_rejects_and_repeats(sample_lab: Path, tmp_path: Path, run: str) -> None:
    _, store = opened(sample_lab, run)
    manifest = store.manifest()
    write_table(store, manifest, "samples", "parquet", tmp_path / "x.parquet")
    rows = pq.read_table(tmp_path / "x.parquet")
    repeats = sum(place.repeats for place in manifest.placed)
    assert rows.num_rows == sum(source.samples for source in manifest.sources) - repeats
    time = rows.column("time_us").to_numpy()
    assert (time[1:] > time[:-1]).all()


def test_a_file_that_is_there_is_not_overwritten(sample_lab: Path, tmp_path: Path) -> None:
    _, store = opened(sample_lab, "healthy")
    (tmp_path / "x.csv").write_text("mine")
    with pytest.raises(ConfigError, match="exists already"):
        write_table(store, store.manifest(), "holds", "csv", tmp_path / "x.csv")
    assert (tmp_path / "x.csv").read_text() == "mine"


def test_a_folder_that_cannot_be_written_is_told(sample_lab: Path, tmp_path: Path) -> None:
    _, store = opened(sample_lab, "healthy")
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="it cannot be written there"):
        write_table(store, store.manifest(), "holds", "csv", tmp_path / "file" / "x.csv")


def test_an_export_that_breaks_leaves_nothing(
    sample_lab: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_: object) -> None:
        raise OSError(28, "No space left on device")

    _, store = opened(sample_lab, "healthy")
    monkeypatch.setattr("benchpipe.store.files.os.fsync", full)
    with pytest.raises(StoreError, match="No space left"):
        write_table(store, store.manifest(), "cycles", "csv", tmp_path / "x.csv")
    assert list(tmp_path.iterdir()) == []


def test_flags_in_words() -> None:
    assert flag_names(0) == ""
    assert flag_names(int(CycleFlag.GAP | CycleFlag.OFF_TARGET)) == "gap|off target"


@pytest.mark.parametrize(("run", "block", "what", "table"), [
    ("healthy", "durability", "cycle", "cycles"), ("wearing", "durability", "cycle", "cycles"),
    ("creeping-lock", "held-90", "hold", "holds"), ("healthy", "free", "sweep", "sweeps"),
])  # fmt: skip
def test_a_trace_leads_to_rows_of_the_log(sample_lab: Path, run: str, block: str, what: str, table: str) -> None:
    config, store = opened(sample_lab, run)
    lines = list(trace_rows(config, store, store.manifest(), block, what, 1))
    assert lines[0].startswith(f"{run}, block {block}, {what} 1: ")
    files = [line.split(", rows ")[0].strip() for line in lines if ", rows " in line]
    assert files
    hashes = {source.sha256 for source in store.manifest().sources}
    told = [line.split(": ")[1] for line in lines if "SHA-256" in line]
    assert set(told) <= hashes
    assert len(told) == len(files)
    assert all(Path(file).is_file() for file in files)


def test_a_trace_of_a_cycle_names_as_many_rows_as_it_has_samples(sample_lab: Path) -> None:
    config, store = opened(sample_lab, "healthy")
    lines = list(trace_rows(config, store, store.manifest(), "durability", "cycle", 100))
    samples = int(lines[0].split(": ")[1].split(" ")[0])
    first, last = (int(word.replace(",", "")) for word in lines[1].split(", rows ")[1].split(" to "))
    assert abs(last - first + 1 - samples) <= 1


def test_a_trace_of_nothing_is_told(sample_lab: Path) -> None:
    config, store = opened(sample_lab, "healthy")
    with pytest.raises(ConfigError, match="has no cycle 999999"):
        list(trace_rows(config, store, store.manifest(), "durability", "cycle", 999_999))
    with pytest.raises(ConfigError, match="the plan has no block 'durable'"):
        list(trace_rows(config, store, store.manifest(), "durable", "cycle", 1))


def test_an_empty_table_is_a_header(tmp_path: Path) -> None:
    store = RunStore(tmp_path, "none")
    write_table(store, store.manifest(), "holds", "csv", tmp_path / "x.csv")
    text = (tmp_path / "x.csv").read_text(encoding="utf-8")
    assert next(csv.reader(io.StringIO(text))) == [column.name for column in TABLES["holds"]]
    assert isinstance(schema("holds"), pa.Schema)


def test_a_table_holds_the_numbers_that_the_rig_wrote(tmp_path: Path) -> None:
    """Single precision kept as double, as verdicts, trends and loops have it, is no 23.100000381469727."""
    store = RunStore(tmp_path, "run")
    single = float(np.float32(23.1))
    columns = {
        "block": ["main"] * 3, "measure": ["peak_load"] * 3, "number": [1, 2, 3], "first": [1, 2, 3], "last": [1, 2, 3],
        "used": [1, 1, 1], "median": [single, 1 / 3, 7.0], "spread": [0.0, float(np.float32(0.3)), 0.0],
        "change": [None, None, None],
    }  # fmt: skip
    part = store.write("trends", pa.table(columns, schema=schema("trends")), "key")
    manifest = Manifest(run="run", code="", steps={"process": Step(key="", version=1, parts=(part,))})
    for form in ("csv", "parquet"):
        write_table(store, manifest, "trends", form, tmp_path / f"x.{form}")
    rows = pq.read_table(tmp_path / "x.parquet").to_pydict()
    assert (rows["median"], rows["spread"]) == ([23.1, 1 / 3, 7.0], [0.0, 0.3, 0.0])
    with (tmp_path / "x.csv").open(newline="", encoding="utf-8") as file:
        assert [line["median"] for line in csv.DictReader(file)] == ["23.1", "0.3333333333333333", "7"]
    assert plain({"a": [single, (single, None)]}) == {"a": [23.1, [23.1, None]]}


def test_exported_samples_have_no_zeros_as_those_that_are_measured(tmp_path: Path) -> None:
    idle = '[[block]]\nname = "idle"\nkind = "idle"\nfiles = ["*idle*"]'
    run = Run(tmp_path, force='zero_from = "idle"', blocks=idle)
    for place, (name, force) in enumerate([("1-idle.csv", 2.0), ("2-load.csv", 50.0)]):
        run.write(name, HEAD + "".join(f"{k / 100:.2f},{force},1\n" for k in range(100 * place, 100 * place + 100)))
    taken = run.take()
    store = RunStore(run.config.store, run.config.name)
    write_table(store, store.manifest(), "samples", "parquet", tmp_path / "x.parquet")
    rows = pq.read_table(tmp_path / "x.parquet")
    assert rows.column("force").to_pylist() == [sample[3] for sample in taken.samples]
    assert set(rows.column("force").to_pylist()) == {0.0, 48.0}
