"""Tables: what the store writes is what is declared, and what is declared is explained."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from benchpipe.blocks.cyclic.tables import FLAG_MEANING, CycleFlag, flag_names
from benchpipe.check.measures import our_measures
from benchpipe.columns import unit_text
from benchpipe.ingest.calibrate import samples_schema
from benchpipe.run import load_run
from benchpipe.samples.signals import signal_units
from benchpipe.store.run_store import RunStore
from benchpipe.tables import TABLES, Column, columns, schema
from benchpipe.units import UNITS

RUNS = ("healthy", "wearing", "creeping-lock")
COLUMNS = [(table, column) for table, listed in TABLES.items() for column in listed]
ENDINGS = {"_s": "s", "_us": "us", "_j": "J", "_c": "degC", "_deg": "deg", "_per_h": "motion/h"}


@pytest.mark.parametrize("run", RUNS)
def test_every_part_of_the_store_has_its_declared_columns(sample_lab: Path, run: str) -> None:
    config = load_run(sample_lab.parent / run / "plan.toml")
    store = RunStore(config.store, config.name)
    for part in store.manifest().parts():
        found = pq.read_schema(store.folder / part.path)
        units = {} if part.table in ("verdicts", "trends") else signal_units(config.rig)
        asked = samples_schema(config.rig) if part.table == "samples" else schema(part.table, units)
        assert [(f.name, f.type, f.nullable) for f in found] == [(f.name, f.type, f.nullable) for f in asked]
        told = {f.name: f.metadata for f in asked if f.metadata}
        assert {name: found.field(name).metadata for name in told} == told


@pytest.mark.parametrize("run", RUNS)
def test_a_column_without_nulls_has_none_and_no_column_has_nan(sample_lab: Path, run: str) -> None:
    config = load_run(sample_lab.parent / run / "plan.toml")
    store = RunStore(config.store, config.name)
    manifest = store.manifest()
    for name in {part.table for part in manifest.parts()} - {"samples"}:
        rows = store.read(manifest, name)
        assert rows.num_rows
        for column in TABLES[name]:
            values = rows.column(column.name)
            assert column.null or values.null_count == 0, (name, column.name)
            if pa.types.is_floating(values.type):
                assert np.isfinite(values.drop_null().to_numpy()).all(), (name, column.name)


def test_samples_have_their_own_columns_and_one_for_each_channel(sample_lab: Path) -> None:
    rig = load_run(sample_lab.parent / "healthy" / "plan.toml").rig
    made = samples_schema(rig)
    assert made.names == [*schema("samples").names, *(c.name for c in rig.channel)]
    assert {field.type for field in made if field.name in {c.name for c in rig.channel}} == {pa.float32()}
    assert made.field("torque").metadata[b"unit"] == b"N*m"


def test_the_sample_runs_fill_every_table_but_rejects(sample_lab: Path) -> None:
    found = set()
    for run in RUNS:
        config = load_run(sample_lab.parent / run / "plan.toml")
        found |= {part.table for part in RunStore(config.store, config.name).manifest().parts()}
    # Remarks stand in the manifest; origins come when samples go.
    others = {"rejects", "early_rows", "remarks", "origins", "relaxations", "relaxation_points"}
    long = {"drift_trends", "drift_bins", "events", "phases", "forecasts", "kept_loops"}  # of tests that last for days
    rolled = {"rolls", "roll_points"}  # of the sample rolls
    assert set(TABLES) - found <= others | long | rolled


@pytest.mark.parametrize(("table", "column"), COLUMNS, ids=lambda value: getattr(value, "name", value))
def test_every_column_is_explained(table: str, column: Column) -> None:
    assert column.meaning
    assert not column.meaning.endswith(".")
    if column.dtype.startswith("float") and not column.unit.startswith("of the"):
        for piece in column.unit.split("/"):
            assert piece in UNITS or piece in ("load", "motion"), column.unit
    ending = next((e for e in sorted(ENDINGS, key=len, reverse=True) if column.name.endswith(e)), None)
    if ending is not None:
        assert column.unit == ENDINGS[ending], f"{table}.{column.name}"


@pytest.mark.parametrize("table", sorted(TABLES))
def test_names_differ_and_the_schema_is_the_list(table: str) -> None:
    names = [column.name for column in TABLES[table]]
    assert len(set(names)) == len(names)
    assert schema(table).names == names
    assert list(columns(table)) == names


def test_load_and_motion_stand_for_the_units_of_the_run() -> None:
    units = {"load": "N", "motion": "mm"}
    assert unit_text("load/motion", units) == "N/mm"
    assert unit_text("motion/h", units) == "mm/h"
    assert unit_text("J", units) == "J"
    field = schema("cycles", units).field("secant_stiffness")
    assert field.metadata[b"unit"] == b"N/mm"


def test_every_flag_has_a_meaning_and_a_bit_in_the_documentation() -> None:
    assert set(FLAG_MEANING) == set(CycleFlag)
    text = columns("cycles")["flags"].meaning
    for flag in CycleFlag:
        assert f" {int(flag)}" in text
        assert flag_names(int(flag)) == (flag.name or "").lower().replace("_", " ")
    assert flag_names(int(CycleFlag.OPEN | CycleFlag.GAP)) == "open|gap"


@pytest.mark.parametrize("name", sorted(our_measures()))
def test_a_measure_stands_in_its_table_in_its_unit(name: str) -> None:
    measure = our_measures()[name]
    if measure.kind == "run":
        return
    known = columns(measure.table)
    for column in (*measure.columns, *filter(None, [measure.u_column])):
        assert column in known
        if name not in ("cycles_done", "off_target", "lock_changes"):
            assert known[column].unit == measure.unit
