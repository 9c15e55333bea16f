"""Laws of the room: nights do not matter, looks happen at day borders, events are told once and name their place."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchpipe.columns import schema_of
from benchpipe.drift import tables
from benchpipe.drift.night import DriftResult, drift_night
from benchpipe.drift.watched import CycleColumns, DriftBlock, LogEntry
from tests.drift.drawn import CYCLES, DAY, PERIOD_S, block_of, cycles_of

STEP_AT = 7 * DAY + 300


@pytest.fixture(scope="module")
def stepped() -> CycleColumns:
    return cycles_of(step_at=STEP_AT, moved=("secant_stiffness", "energy_j"))


@pytest.fixture(scope="module")
def at_once(stepped: CycleColumns) -> DriftResult:
    return drift_night(block_of(), stepped, complete=True)


def by_nights(block: DriftBlock, cycles: CycleColumns, cuts: list[int], **more: Any) -> DriftResult:
    """Process up to each cut, the state kept as JSON text, only the cycles that are still wanted read."""
    n = cycles.cycle.size
    result, text, first = None, None, 0
    for cut in [*sorted(cuts), n]:
        state = json.loads(text) if text else None
        result = drift_night(block, cycles.rows(first, cut), state, complete=cut == n, **more)
        text, first = json.dumps(result.state), int(np.searchsorted(cycles.start_us, result.wanted_from_us))
    assert result is not None
    return result


def same(one: DriftResult, other: DriftResult) -> bool:
    trends = all(
        np.array_equal(one.trends[k], other.trends[k], equal_nan=one.trends[k].dtype.kind == "f") for k in one.trends
    )
    tables_same = (one.events, one.phases, one.forecasts) == (other.events, other.phases, other.forecasts)
    return trends and tables_same and json.dumps(one.state) == json.dumps(other.state)


@settings(max_examples=4, deadline=None)
@given(cuts=st.lists(st.integers(1, CYCLES - 1), min_size=1, max_size=12))
def test_nights_do_not_matter(stepped: CycleColumns, at_once: DriftResult, cuts: list[int]) -> None:
    assert same(by_nights(block_of(), stepped, cuts), at_once)


def test_a_step_is_found_where_it_is(at_once: DriftResult) -> None:
    found = [row for row in at_once.events if row["found"] == "online"]
    assert {row["measure"] for row in found} == {"secant_stiffness", "energy_j"}
    assert len({row["event"] for row in found}) == 1
    assert sum(row["alarm"] for row in found) == 1
    for row in found:
        assert row["kind"] == "step"
        assert row["together"] == "energy_j,secant_stiffness"
        assert row["cycle_low"] <= STEP_AT <= row["cycle_high"]
        assert abs(row["cycle"] - STEP_AT) * PERIOD_S < 1.5 * 3600
        assert row["size"] == pytest.approx(-0.03, abs=0.002)
        assert row["score"] > row["threshold"]


def test_an_event_is_found_at_the_next_day_border_and_told_once(stepped: CycleColumns) -> None:
    block, state, alarms, first = block_of(), None, [], 0
    for night in range(6, 12):
        cut = night * DAY
        result = drift_night(block, stepped.rows(first, cut), state)
        state, first = result.state, int(np.searchsorted(stepped.start_us, result.wanted_from_us))
        alarms.append([(row["event"], row["seen_until_us"]) for row in result.events if row["alarm"]])
        again = drift_night(block, stepped.rows(first, cut), state)  # a night repeated by hand changes nothing
        assert json.dumps(again.state) == json.dumps(state)
    last = [alarm for alarm in alarms if alarm]
    assert last
    assert all(alarm == last[0] for alarm in last)
    fault_us = stepped.start_us[STEP_AT - 1]
    assert 0 < last[0][0][1] - fault_us < 2 * 86_400_000_000


def test_a_run_without_an_event_has_none_and_a_warm_day_is_no_wear() -> None:
    result = drift_night(block_of(), cycles_of(), complete=True)
    assert result.events == []
    change = next(r for r in result.phases if (r["measure"], r["phase"]) == ("secant_stiffness", "since baseline"))
    assert change["low"] < 0 < change["high"] or abs(change["change"]) < 0.001
    assert change["coefficient_per_k"] == pytest.approx(-0.005, abs=0.0005)
    assert not result.forecasts[0]["expected"]
    assert result.forecasts[0]["remark"] == "no crossing expected before the planned end"


def test_a_planned_step_re_bases_without_an_alarm(stepped: CycleColumns) -> None:
    at = int(stepped.start_us[STEP_AT - 1])
    note = LogEntry("retightened", at, "screw", expected=True)
    result = drift_night(block_of(), stepped, entries=[note], complete=True)
    assert not any(row["alarm"] for row in result.events)
    row = next(row for row in result.events if row["measure"] == "secant_stiffness")
    assert (row["kind"], row["found"]) == ("retightened", "log")
    assert row["size"] == pytest.approx(-0.03, abs=0.003)


def test_a_shifted_zero_is_a_remark_for_what_moves_with_it_and_no_excuse_for_the_rest() -> None:
    moved = cycles_of(step_at=STEP_AT, moved=("motion_mean", "energy_j"))
    entries = [LogEntry("zero_shift", int(moved.start_us[STEP_AT - 1]))]
    result = drift_night(block_of(), moved, entries=entries, complete=True)
    online = {row["measure"]: row for row in result.events if row["found"] == "online"}
    assert set(online) == {"energy_j"}
    assert online["energy_j"]["near"] == "zero_shift"
    assert "motion_mean" in {row["measure"] for row in result.events if row["kind"] == "zero_shift"}


def test_rows_fit_the_tables(at_once: DriftResult) -> None:
    import pyarrow as pa

    for rows, columns in (
        (at_once.events, tables.EVENTS), (at_once.phases, tables.PHASES), (at_once.forecasts, tables.FORECASTS),
    ):  # fmt: skip
        assert rows
        assert set(rows[0]) == {c.name for c in columns}
        made = pa.Table.from_pylist(rows, schema=schema_of(columns))
        made.validate(full=True)
    assert list(at_once.trends) == [c.name for c in tables.TRENDS]
    assert {v.size for v in at_once.trends.values()} == {at_once.trends["first"].size}


def test_the_rows_used_are_the_cycles(at_once: DriftResult) -> None:
    t = at_once.trends
    for kind in ("time", "cycles"):
        used = t["used"][(t["bins"] == kind) & (t["measure"] == "energy_j")]
        assert used.sum() == CYCLES or kind == "cycles"
