"""In which part a cycle is: no other part is read."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pytest

from benchpipe.blocks.cyclic import run_cycles
from benchpipe.blocks.cyclic.final_cycles import SettledCycles, settled_cycles
from benchpipe.blocks.run_tables import RunTables
from benchpipe.store.manifest import Manifest, Part
from benchpipe.store.parts import new_part
from benchpipe.store.run_store import RunStore
from benchpipe.tables import schema


@pytest.mark.parametrize(
    ("first", "last", "read"),
    [(1, None, "ac"), (1, 10, "a"), (10, 11, "ac"), (11, 11, "c"), (26, None, ""), (1, 5, "a"), (12, 25, "c")],
)
def test_only_parts_that_hold_the_cycles_are_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, first: int, last: int | None, read: str
) -> None:
    asked: list[str] = []
    store = RunStore(tmp_path, "x")
    monkeypatch.setattr(store, "read_parts", lambda parts, *_: asked.extend(part.path for part in parts))
    parts = [Part(table="cycles", path=name, rows=1, bytes=1, sha256="") for name in "abc"]
    cycles = SettledCycles(store, parts, [10, 10, 25])  # no cycle ended in the second night
    cycles.read(["cycle"], first, last)
    assert "".join(asked).replace("b", "") == read  # b holds none: it may be read or not
    assert cycles.last == 25


def test_a_block_without_cycles(tmp_path: Path) -> None:
    none = SettledCycles(RunStore(tmp_path, "x"), [], [])
    assert none.last == 0
    assert none.read(["cycle"]).schema.equals(schema("cycles").empty_table().select(["cycle"]).schema)


def test_what_no_night_has_made_is_not_known(sample_lab: Path) -> None:
    store = RunStore(sample_lab.parent / "store", "wearing")
    assert settled_cycles("durability", store, store.manifest()) is not None
    assert settled_cycles("nowhere", store, store.manifest()) is None


def test_cycles_of_an_older_version_that_lack_a_column_are_read_with_it_empty(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store, manifest = RunStore(tmp_path, "x"), Manifest(run="x")
    columns = ["block", "cycle", "complete", "start_us", "uncrossed", "longest_step_s"]
    older = schema("cycles").empty_table().select([name for name in columns if name != "uncrossed"]).schema
    rows = [
        {"block": "main", "cycle": n, "complete": True, "start_us": 10**6 * n, "longest_step_s": 0.01}
        for n in range(1, 6)
    ]
    with new_part(store.folder, "cycles", older) as writer:
        writer.write(pa.Table.from_pylist(rows, schema=older))
        part = writer.finish("0" * 64)
    monkeypatch.setattr(run_cycles, "settled_cycles", lambda *_: SettledCycles(store, [part], [5]))
    window = run_cycles.cycle_window(RunTables(store, manifest), "main", columns[4:], 2, 5)
    assert window.table.column("cycle").to_pylist() == [2, 3, 4, 5]
    assert window.table.column("uncrossed").null_count == 4
    assert window.table.column("longest_step_s").null_count == 0
