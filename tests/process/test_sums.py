"""Running sums over drawn cycles: cutting changes nothing, and they say what all rows at once say."""

from __future__ import annotations

import json
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.blocks.cyclic import bins, counter_sums
from benchpipe.blocks.cyclic.counting import CountResult
from benchpipe.blocks.cyclic.remarks import counted_cycles, cycle_remarks, held_remarks
from benchpipe.blocks.cyclic.repeats import held_cycles, longest_runs, may_hold, usual_repeats
from benchpipe.blocks.cyclic.running import CycleSums
from benchpipe.blocks.cyclic.state import Digits, UsualRepeats
from benchpipe.blocks.cyclic.sums import REMARK_COLUMNS, sums_then, with_rate
from benchpipe.blocks.state import SampleNoise
from benchpipe.columns import floats
from benchpipe.store.manifest import Remark
from benchpipe.store.state import fit
from tests.process.drawn_cycles import drawn_cycles
from tests.process.test_remarks import BLOCK, RIG
from tests.process.whole_table import whole_count, whole_remarks

SEEDS = st.integers(0, 2**32 - 1)
CUTS = st.lists(st.integers(0, 400), max_size=6)
NOISES = st.sampled_from([
    (SampleNoise(0.02, 0.001, 10_000), Digits(0.0001, 0.00001, True)),
    (SampleNoise(0.02, 0.3, 10_000), Digits(0.0001, 0.1, True)),
    (SampleNoise(None, None, 0), None),
])  # fmt: skip
Noise = tuple[SampleNoise, Digits | None]
Asked = tuple[pa.Table, Noise, list[int], tuple[int, float] | None]


@dataclass(frozen=True)
class Said:
    """What a night says of the cycles so far."""

    sums: CycleSums
    counted: CountResult | None
    usual: dict[str, UsualRepeats]
    remarks: list[Remark]


def said(
    cycles: pa.Table, cuts: list[int], noise: Noise, restarts_us: list[int], end: tuple[int, float] | None
) -> Said:
    """Each part a night of its own, whose state is kept as JSON; held cycles looked for where they may be."""
    sums, parts = CycleSums(), []
    places = [0, *sorted(min(cut, cycles.num_rows) for cut in cuts), cycles.num_rows]
    for first, last in pairwise(places):
        part = cycles.slice(first, last - first)
        parts.append((sums.complete, part))
        sums = with_rate(sums_then(sums, BLOCK, RIG, part), BLOCK, RIG, cycles.slice(0, last).select)
        kept = fit(CycleSums, json.loads(json.dumps(sums.stored, allow_nan=False)))
        assert kept == sums
    counted = counted_cycles(BLOCK, RIG, sums, restarts_us, end, cycles.select)
    usual = usual_repeats(sums, RIG, *noise, cycles.select)
    held = held_remarks(BLOCK, [one for one in parts if may_hold(longest_runs(one[1]), usual)], usual)
    return Said(sums, counted, usual, [*cycle_remarks(BLOCK, RIG, sums, counted, cycles.select), *held])


@st.composite
def asked(draw: st.DrawFn) -> Asked:
    """Cycles, noise, restarts of the log's clock, and time and counter of the last sample."""
    cycles = drawn_cycles(draw(SEEDS)).select(REMARK_COLUMNS)
    start, count = cycles.column("start_us").to_pylist(), cycles.column("counter").to_pylist()
    restarts = sorted(draw(st.lists(st.sampled_from(start), max_size=2))) if start else []
    last = (start[-1] + 500_000, (count[-1] or 0.0) + draw(st.integers(-3, 30))) if start else None
    return cycles, draw(NOISES), restarts, draw(st.sampled_from([None, last]))


@given(asked(), CUTS, st.sampled_from([2, 200]), st.sampled_from([16, 1024]))
def test_cutting_changes_nothing(one: Asked, cuts: list[int], most: int, filled: int) -> None:
    """Whether odd places and filled bins are many or few."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(counter_sums, "MOST_NOTED", most)
        patch.setattr(bins, "MOST_BINS", filled)
        assert said(one[0], cuts, *one[1:]) == said(one[0], [], *one[1:])


@given(asked(), CUTS)
def test_they_say_what_all_rows_at_once_say(one: Asked, cuts: list[int]) -> None:
    cycles, noise, restarts, _ = one
    found = said(cycles, cuts, noise, restarts, None)
    counter = floats(cycles.column("counter"))
    if cycles.num_rows > 1 and (counter[np.isfinite(counter)] % 1 == 0).all():
        assert found.counted == whole_count(BLOCK, RIG, cycles, restarts)
    rest = [r for r in found.remarks if r.code not in ("counter", "counter-unexplained", "stuck-in-part")]
    asked = whole_remarks(BLOCK, cycles)
    assert [(r.code, r.count) for r in rest] == [(code, count) for code, count, _ in asked]
    assert all(words in r.text for r, (*_, words) in zip(rest, asked, strict=True))
    held = held_cycles(cycles, found.usual)
    assert sum(r.count for r in found.remarks if r.code == "stuck-in-part") == held.sum()
    if held.any():
        first = int(np.cumsum(np.array(cycles.column("complete")))[held][0])
        assert f"the first at cycle {first:,}:" in found.remarks[-1].text
    usual_of_all_rows(cycles, found.usual)


def usual_of_all_rows(cycles: pa.Table, usual: dict[str, UsualRepeats]) -> None:
    """Compare what is usual with medians of the columns."""
    known = np.array(cycles.column("complete")) & (np.array(cycles.column("flags")) & 96 == 0)
    assert {*usual} == ({"load", "motion"} if known.any() else set())
    for name, one in usual.items():
        low, high = ("valley_load", "peak_load") if name == "load" else ("motion_min", "motion_max")
        repeats, samples, bottom, top = (
            floats(cycles.column(column))[known] for column in (f"{name}_repeats", "samples", low, high)
        )
        repeats = np.nan_to_num(repeats)
        middle, upper = np.quantile(repeats, (0.5, 0.9), method="lower")
        assert one.middle == np.median(repeats)
        assert one.usual == upper + 5 + 6 * (max(upper - middle, 1) if upper else 0)
        assert one.samples == pytest.approx(np.median(samples), rel=1e-3)
        assert one.range == pytest.approx(np.median(top - bottom), rel=1e-3)
        at_end = [float(np.mean(values[repeats > (one.chance or np.inf)] == level)) if level is not None else 1.0
                  for level, values in zip(one.clipped, (bottom, top), strict=True)]  # fmt: skip
        assert min(at_end) >= 0.5


def test_a_counter_whose_rate_shows_later_is_looked_at_from_the_beginning() -> None:
    """The first part has no plain step: its rate is taken as one tick a cycle, and then is half of that."""
    n, types = np.arange(60), drawn_cycles(1).schema
    ticks = np.where(n > 20, n // 2, np.where(n > 10, 1, 0))
    columns = {name: np.zeros(60) for name in types.names} | {
        "start_us": n * 1_000_000, "complete": n >= 0, "segment": 1 + (n > 0) + (n > 9), "counter": ticks,
        "samples": np.full(60, 50),
    }  # fmt: skip
    rows = pa.table({name: pa.array(values.astype(types.field(name).type.to_pandas_dtype()))
                     for name, values in columns.items()})  # fmt: skip
    read: list[list[str]] = []

    def all_rows(names: list[str]) -> pa.Table:
        read.append(names)
        return rows.select(names)

    first = sums_then(CycleSums(), BLOCK, RIG, rows.slice(0, 8))
    both = sums_then(first, BLOCK, RIG, rows.slice(8))
    whole = sums_then(CycleSums(), BLOCK, RIG, rows)
    assert first.counter is not None
    assert both.counter is not None
    assert (first.counter.rate, both.counter.noted) == (1.0, None)
    assert with_rate(whole, BLOCK, RIG, all_rows) is whole
    assert with_rate(both, BLOCK, RIG, all_rows) == whole
    assert len(read) == 1
