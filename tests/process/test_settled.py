"""In which part a cycle is: no other part is read."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchpipe.blocks.cyclic.final_cycles import SettledCycles, settled_cycles
from benchpipe.store.manifest import Part
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
