"""Charts of the kinds of which no sample run has many: what they draw, and that they answer."""

from __future__ import annotations

from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any

import pyarrow as pa
import pytest

from benchpipe.blocks.charts import BlockCharts, ChartTask
from benchpipe.blocks.figures import Figure
from benchpipe.blocks.registry import kind_of
from benchpipe.columns import schema_of
from benchpipe.tables import TABLES

UNITS = {"load": "N", "motion": "mm"}
ZERO = {"string": "", "double": 0.0, "float": 0.0, "int64": 0, "int32": 0, "bool": False, "uint16": 0}


@dataclass
class Store:
    """A store that has these rows, and no others."""

    tables: dict[str, list[dict[str, Any]]]

    def read(self, _: object, name: str, columns: list[str] | None = None) -> pa.Table:
        """Rows of a table; columns that are not given are null or nought."""
        schema = schema_of(TABLES[name])
        empty = {f.name: None if f.nullable else ZERO[str(f.type)] for f in schema}
        rows = [{**empty, "block": "b", **row} for row in self.tables.get(name, [])]
        table = pa.Table.from_pylist(rows, schema=schema)
        return table.select(columns) if columns else table


def charts(kind: str, **tables: list[dict[str, Any]]) -> BlockCharts:
    """Charts of a block of that kind."""
    block, nothing = SimpleNamespace(name="b"), SimpleNamespace()
    return kind_of(kind).charts(ChartTask(block, UNITS, nothing, nothing, Store(tables)))  # type: ignore[arg-type]


def words(parts: tuple[str | Figure, ...]) -> str:
    """An answer with plain values."""
    return "".join(f"{p.value:g} {p.unit}" if isinstance(p, Figure) else p for p in parts)


@pytest.mark.parametrize("kind", ["hold", "relaxation", "sweep", "stance", "proof", "locking", "idle"])
def test_a_block_of_which_nothing_was_measured_has_no_chart(kind: str) -> None:
    assert charts(kind) == BlockCharts()


def test_relaxations_are_drawn_on_linear_and_on_log_time() -> None:
    points = [
        {"relaxation": 1, "kind": "curve", "time_s": float(t), "load": 100.0 - t, "load_lost": float(t)}
        for t in range(9)
    ]
    held = [{"relaxation": 1, "load_lost_end": 8.0, "duration_s": 600.0, "kind": "settling", "samples": 90}]
    (chart,) = charts("relaxation", relaxations=held, relaxation_points=points).charts
    assert words(chart.answer) == "Load lost by the end: 8 N in 10 min; decaying loss."
    linear, log = chart.panels
    assert (linear.x.log, log.x.log) == (False, True)
    assert (linear.series[0].x.size, log.series[0].x.size) == (9, 8)  # time zero has no logarithm
    assert chart.points == 90


def test_several_holds_are_compared_and_many_are_not_all_drawn() -> None:
    holds = [{"hold": k, "creep_end": 0.1 * k, "kind": "both", "duration_s": 60.0} for k in range(1, 11)]
    points = [
        {"hold": k, "kind": "curve", "time_s": t, "creep": 0.01 * t, "samples": 5}
        for k in range(1, 11) for t in (1.0, 10.0, 50.0)
    ]  # fmt: skip
    found = charts("hold", holds=holds, creep_points=points).charts
    assert [c.name for c in found] == ["creep-1", *(f"creep-{k}" for k in range(6, 11)), "all-holds"]
    assert words(found[-1].answer) == "From the first hold to the last, creep at the end went from 0.1 mm to 1 mm."
    assert words(found[0].answer).startswith("Decaying and steady creep: creep of 0.1 mm after 1 min at ")
    assert found[0].answer[-1] == "; no law fits."


def test_a_fitted_law_is_drawn_as_the_table_has_it() -> None:
    points = [
        {"hold": 1, "kind": "curve", "time_s": t, "creep": t / 100, "law_creep": t / 100 - 0.001, "law_creep_u": 0.002,
         "samples": 20}
        for t in (10.0, 100.0, 1000.0)
    ]  # fmt: skip
    hold = {"hold": 1, "creep_end": 0.05, "kind": "settling", "law": "log time", "duration_s": 1000.0}
    (chart,) = charts("hold", holds=[hold], creep_points=points).charts
    law = chart.panels[0].series[1]
    assert law.name == "law: log time"
    assert law.y.tolist() == pytest.approx([0.099, 0.999, 9.999])
    assert (law.high - law.low).tolist() == pytest.approx([0.008] * 3)
    assert chart.panels[2].series[0].y.tolist() == pytest.approx([0.001] * 3)


def test_several_proofs_windows_and_lock_changes_are_drawn() -> None:
    proofs = [{"proof": k, "outcome": "held", "held_load": 10.0 * k, "permanent_set": 0.1} for k in (1, 2)]
    (chart,) = charts("proof", proofs=proofs).charts
    assert [p.y.label for p in chart.panels] == ["held load", "permanent set"]
    stances = [{"stance": k, "drift": 0.01, "motion_range": 0.2, "duration_s": 8.0} for k in (1, 2)]
    (chart,) = charts("stance", stances=stances).charts
    assert len(chart.panels) == 2
    changes = [
        {"lock_change": k, "to": "locked", "outcome": "held", "slip": 0.1 * k, "lock_failed": k - 1} for k in (1, 2)
    ]
    (chart,) = charts("locking", lock_changes=changes).charts
    assert words(chart.answer) == "1 of 2 lock changes failed; largest slip 0.2 mm."
