"""Exported tables: the same values in CSV and Parquet, whole or not at all."""

from __future__ import annotations

import csv
import io
import json
import math
import re
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
from benchpipe.views.export import table_pieces
from benchpipe.views.table_files import Form, Style, form_of, write_table
from tests.ingest.taken import HEAD, Run
from tests.trace_lines import trace_rows

RUNS = ("healthy", "wearing", "creeping-lock")


def opened(lab: Path, run: str) -> tuple[RunConfig, RunStore]:
    """A sample run and its store."""
    config = load_run(lab.parent / run / "plan.toml")
    return config, RunStore(config.store, config.name)


def export(
    config: RunConfig, store: RunStore, table: str, out: Path, *, iso: bool = False, style: Style = Style()  # noqa: B008
) -> None:
    """Write a table in the format that the file's ending names."""
    pieces = table_pieces(config, store, store.manifest(), table, iso=iso)
    write_table(pieces, form_of(out, None), out, style)


@pytest.mark.parametrize("table", sorted(TABLES))
@pytest.mark.parametrize("run", RUNS)
def test_csv_and_parquet_hold_the_same(sample_lab: Path, tmp_path: Path, run: str, table: str) -> None:
    config, store = opened(sample_lab, run)
    for form in ("csv", "parquet"):
        export(config, store, table, tmp_path / f"x.{form}")
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
    if value is None:
        return text == ""
    if isinstance(value, bool):
        return text == str(value).lower()
    if isinstance(value, float):
        return float(text) == pytest.approx(value, rel=1e-6, nan_ok=True) if text else math.isnan(value)
    return re.sub(r"^'(?='*[=+\-@\t\r\n])", "", text) == str(value)


@pytest.mark.parametrize("run", RUNS)
def test_exported_samples_are_all_rows_less_rejects_and_repeats(sample_lab: Path, tmp_path: Path, run: str) -> None:
    config, store = opened(sample_lab, run)
    manifest = store.manifest()
    export(config, store, "samples", tmp_path / "x.parquet")
    rows = pq.read_table(tmp_path / "x.parquet")
    repeats = sum(place.repeats for place in manifest.placed)
    assert rows.num_rows == sum(source.samples for source in manifest.sources) - repeats
    time = rows.column("time_us").to_numpy()
    assert (time[1:] > time[:-1]).all()


def test_a_file_that_is_there_is_not_overwritten(sample_lab: Path, tmp_path: Path) -> None:
    config, store = opened(sample_lab, "healthy")
    (tmp_path / "x.csv").write_text("mine")
    with pytest.raises(ConfigError, match="exists already"):
        export(config, store, "holds", tmp_path / "x.csv")
    assert (tmp_path / "x.csv").read_text() == "mine"


def test_a_folder_that_cannot_be_written_is_told(sample_lab: Path, tmp_path: Path) -> None:
    config, store = opened(sample_lab, "healthy")
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="it cannot be written there"):
        export(config, store, "holds", tmp_path / "file" / "x.csv")


def test_an_export_that_breaks_leaves_nothing(
    sample_lab: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_: object) -> None:
        raise OSError(28, "No space left on device")

    config, store = opened(sample_lab, "healthy")
    monkeypatch.setattr("benchpipe.store.files.os.fsync", full)
    with pytest.raises(StoreError, match="No space left"):
        export(config, store, "cycles", tmp_path / "x.csv")
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


def test_an_empty_table_is_a_header(sample_lab: Path, tmp_path: Path) -> None:
    config, _ = opened(sample_lab, "healthy")
    store = RunStore(tmp_path, "none")
    export(config, store, "holds", tmp_path / "x.csv")
    text = (tmp_path / "x.csv").read_text(encoding="utf-8")
    assert next(csv.reader(io.StringIO(text))) == [column.name for column in TABLES["holds"]]
    assert isinstance(schema("holds"), pa.Schema)


def test_a_table_holds_the_numbers_that_the_rig_wrote(sample_lab: Path, tmp_path: Path) -> None:
    """Single precision kept as double, as verdicts, trends and loops have it, is no 23.100000381469727."""
    config, _ = opened(sample_lab, "healthy")
    store = RunStore(tmp_path, "run")
    single = float(np.float32(23.1))
    columns = {
        "block": ["main"] * 3, "measure": ["peak_load"] * 3, "number": [1, 2, 3], "first": [1, 2, 3], "last": [1, 2, 3],
        "used": [1, 1, 1], "median": [single, 1 / 3, 7.0], "spread": [0.0, float(np.float32(0.3)), 0.0],
        "change": [None, None, None],
    }  # fmt: skip
    part = store.write("trends", pa.table(columns, schema=schema("trends")), "key")
    manifest = Manifest(run="run", code="", steps={"process": Step(key="", version=1, parts=(part,))})
    forms: tuple[Form, ...] = ("csv", "parquet")
    for form in forms:
        write_table(table_pieces(config, store, manifest, "trends"), form, tmp_path / f"x.{form}")
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
    export(run.config, store, "samples", tmp_path / "x.parquet")
    rows = pq.read_table(tmp_path / "x.parquet")
    assert rows.column("force").to_pylist() == [sample[3] for sample in taken.samples]
    assert set(rows.column("force").to_pylist()) == {0.0, 48.0}


def workbook(path: Path) -> list[list[object]]:
    """Rows of a workbook's sheet."""
    from python_calamine import CalamineWorkbook

    return CalamineWorkbook.from_path(str(path)).get_sheet_by_index(0).to_python()


@pytest.mark.parametrize("table", ["cycles", "verdicts", "remarks", "holds"])
def test_workbook_and_json_hold_the_same_as_parquet(sample_lab: Path, tmp_path: Path, table: str) -> None:
    config, store = opened(sample_lab, "wearing")
    for ending in ("parquet", "xlsx", "json"):
        export(config, store, table, tmp_path / f"x.{ending}")
    rows = pq.read_table(tmp_path / "x.parquet")
    document = json.loads((tmp_path / "x.json").read_bytes())
    assert [column["name"] for column in document["columns"]] == rows.column_names
    assert [column["unit"].encode() for column in document["columns"]] == [f.metadata[b"unit"] for f in rows.schema]
    wanted = [
        {n: None if isinstance(v, float) and not math.isfinite(v) else v for n, v in row.items()}
        for row in rows.to_pylist()
    ]
    for got, row in zip(document["rows"], wanted, strict=True):
        assert list(got) == list(row)
        assert all(alike(got[name], value) for name, value in row.items())
    header, *lines = workbook(tmp_path / "x.xlsx") or [[]]
    assert header == rows.column_names
    for line, row in zip(lines, wanted, strict=True):
        for cell, value in zip([*line, *[""] * (len(row) - len(line))], row.values(), strict=True):
            assert alike(None if cell == "" else cell, value or None if isinstance(value, str) else value)


def alike(got: object, value: object) -> bool:
    """Whether a value came out as it was, singles within their digits."""
    return got == (pytest.approx(value, rel=1e-6) if isinstance(value, float) else value)


def test_flags_are_the_same_names_in_every_format(sample_lab: Path, tmp_path: Path) -> None:
    config, store = opened(sample_lab, "wearing")
    bits = store.read(store.manifest(), "cycles").column("flags").to_pylist()
    names = [flag_names(one) for one in bits]
    assert any(names)
    for ending in ("csv", "parquet", "xlsx", "json"):
        export(config, store, "cycles", tmp_path / f"x.{ending}")
    with (tmp_path / "x.csv").open(newline="", encoding="utf-8") as file:
        assert [line["flags"] for line in csv.DictReader(file)] == names
    assert pq.read_table(tmp_path / "x.parquet").column("flags").to_pylist() == names
    assert [row["flags"] for row in json.loads((tmp_path / "x.json").read_bytes())["rows"]] == names
    header, *lines = workbook(tmp_path / "x.xlsx")
    assert [line[header.index("flags")] for line in lines] == names
    cycle = 1 + next(k for k, one in enumerate(names) if one)
    number = store.read(store.manifest(), "cycles").column("cycle").to_pylist()[cycle - 1]
    if number is not None:
        lines_of = list(trace_rows(config, store, store.manifest(), "durability", "cycle", number))
        assert f"  flags = {names[cycle - 1]}" in lines_of


def test_units_stand_in_the_header_on_request(sample_lab: Path, tmp_path: Path) -> None:
    config, store = opened(sample_lab, "wearing")
    for ending in ("csv", "xlsx"):
        export(config, store, "cycles", tmp_path / f"x.{ending}", style=Style(units=True))
    with (tmp_path / "x.csv").open(newline="", encoding="utf-8") as file:
        header = next(csv.reader(file))
    assert header[:3] == ["block", "cycle", "segment"]
    assert {"peak_load [N]", "energy_j [J]", "period_s [s]", "loading_stiffness [N/mm]"} <= set(header)
    assert workbook(tmp_path / "x.xlsx")[0] == header


@pytest.mark.parametrize("table", sorted(TABLES))
def test_every_column_has_its_unit(sample_lab: Path, table: str) -> None:
    config, store = opened(sample_lab, "wearing")
    for field in next(table_pieces(config, store, store.manifest(), table)).schema:
        assert field.metadata is not None, field.name
        assert b"unit" in field.metadata, field.name
        assert not set(field.metadata[b"unit"].split(b"/")) & {b"load", b"motion"}, field.name


def test_times_are_iso_where_asked(sample_lab: Path, tmp_path: Path) -> None:
    config, store = opened(sample_lab, "wearing")
    us = store.read(store.manifest(), "cycles").column("start_us").to_pylist()
    for ending in ("csv", "parquet", "json"):
        export(config, store, "cycles", tmp_path / f"x.{ending}", iso=True)
    rows = pq.read_table(tmp_path / "x.parquet").column("start")
    assert rows.type == pa.timestamp("us")
    assert rows.cast(pa.int64()).to_pylist() == us
    texts = [value.isoformat(timespec="microseconds") for value in rows.to_pylist()]
    with (tmp_path / "x.csv").open(newline="", encoding="utf-8") as file:
        assert [line["start"] for line in csv.DictReader(file)] == texts
    assert [row["start"] for row in json.loads((tmp_path / "x.json").read_bytes())["rows"]] == texts


def test_times_that_are_no_dates_are_not_shown_as_such(sample_lab: Path, tmp_path: Path) -> None:
    config, store = opened(sample_lab, "healthy")
    assert not config.rig.time.shown_as_dates
    with pytest.raises(ConfigError, match="are no dates"):
        export(config, store, "cycles", tmp_path / "x.csv", iso=True)
    assert not (tmp_path / "x.csv").exists()


@pytest.mark.parametrize("name", ["x.txt", "x", "x.csv.gz", "x.xls", ".csv"])
def test_an_ending_that_is_not_known_is_refused(name: str) -> None:
    with pytest.raises(ConfigError, match="names no format") as caught:
        form_of(Path(name), None)
    assert ".csv, .parquet, .xlsx, .json" in str(caught.value)
    assert form_of(Path(name), "csv") == "csv"


def test_endings_and_formats_agree() -> None:
    assert form_of(Path("a/X.PARQUET"), None) == "parquet"
    assert form_of(None, None) == "csv"
    with pytest.raises(ConfigError, match=r"ends in \.xlsx, and the format asked for is csv"):
        form_of(Path("x.xlsx"), "csv")


def test_a_workbook_that_cannot_hold_the_table_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchpipe.views.table_files.MOST_ROWS", 3)
    fits, too_many = (pa.table({"a": list(range(n))}) for n in (2, 3))
    write_table(iter([fits]), "xlsx", tmp_path / "fits.xlsx")
    with pytest.raises(ConfigError, match="more rows than a workbook's sheet can hold"):
        write_table(iter([too_many]), "xlsx", tmp_path / "x.xlsx")
    with pytest.raises(ConfigError, match="a text of 40,000 letters"):
        write_table(iter([pa.table({"a": ["x" * 40_000]})]), "xlsx", tmp_path / "x.xlsx")
    assert [path.name for path in tmp_path.iterdir()] == ["fits.xlsx"]
