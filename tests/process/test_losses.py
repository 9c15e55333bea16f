"""Laws: what is missing in a stretch is what a slow look at all its samples finds, however the samples are cut."""

from __future__ import annotations

import shutil
import tempfile
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchpipe.blocks.block import BlockTask
from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.losses import with_losses
from benchpipe.config.rig import AxisConfig, ChannelConfig, RigConfig, TimeConfig
from benchpipe.samples.inputs import SampleInput
from benchpipe.samples.lost import Losses, dropped_samples, in_order, merged, no_losses, together
from benchpipe.store.parts import new_part
from benchpipe.store.run_store import RunStore

RIG = RigConfig(
    name="r",
    time=TimeConfig(column="t", sample_rate="100 Hz"),
    channel=(ChannelConfig(name="load", column="f", unit="N*m"), ChannelConfig(name="motion", column="x", unit="deg")),
    load=AxisConfig(channel="load"),
    motion=AxisConfig(channel="motion"),
)
BLOCK = CyclicBlock.model_validate({"name": "b", "kind": "cyclic", "frequency": 1.0})
GAP_US = 50_000
SCHEMA = pa.schema([(n, t, False) for n, t in (("time_us", "i8"), ("row", "i8"), ("load", "f4"), ("motion", "f4"))])


def written(store: RunStore, time_us: np.ndarray, load: np.ndarray, places: list[int]) -> list[SampleInput]:
    """The samples in so many parts."""
    inputs = []
    bounds = [0, *places, len(time_us)]
    for number, (a, b) in enumerate(pairwise(bounds)):
        if b > a:
            columns = (time_us[a:b], np.arange(a, b), load[a:b], np.zeros(b - a, np.float32))
            with new_part(store.folder, "samples", SCHEMA) as writer:
                writer.write(pa.Table.from_arrays([pa.array(c) for c in columns], schema=SCHEMA))
                part = writer.finish("0" * 64)
            inputs.append(SampleInput(f"{number}.csv", part, 0, None, int(time_us[a]), int(time_us[b - 1])))
    return inputs


def by_hand(time_us: list[int], good: list[bool], start: int, end: int) -> tuple[int, float | None]:
    """Lost samples beside and inside a stretch, and the longest step inside."""
    kept = [t for t, g in zip(time_us, good, strict=True) if g]
    inside = [t for t in kept if start <= t <= end]
    before = max([t for t in kept if t < start], default=-(10**18))
    after = min([t for t in kept if t > end], default=10**18)
    first = max(before, start - GAP_US - 1)
    lost = sum(first < t < after for t, g in zip(time_us, good, strict=True) if not g)
    steps = [b - a for a, b in pairwise(inside)]
    return lost, max(steps) / 1e6 if steps else None


@settings(max_examples=60)
@given(st.integers(0, 2**32 - 1), st.integers(2, 60), st.data())
def test_the_columns_are_those_of_a_slow_look(seed: int, n: int, data: st.DataObject) -> None:
    rng = np.random.default_rng(seed)
    time_us = np.cumsum(rng.choice([10_000, 10_001, 40_000, 90_000, 700_000], n, p=[0.5, 0.3, 0.1, 0.05, 0.05]))
    load = rng.uniform(0, 1, n).astype(np.float32)
    load[rng.uniform(size=n) < data.draw(st.sampled_from([0.0, 0.2, 0.7]))] = np.nan
    ends = np.sort(rng.integers(0, int(time_us[-1]) + 50_000, 6))
    length = data.draw(st.sampled_from(["period_s", "duration_s"]))
    rows = [{"start_us": int(a), length: (b - a) / 1e6} for a, b in zip(ends[::2], ends[1::2], strict=True)]
    found = []
    for places in ([], sorted(data.draw(st.lists(st.integers(0, n), max_size=4)))):
        folder = Path(tempfile.mkdtemp())
        try:
            store = RunStore(folder, "r")
            task = BlockTask(RIG, store, BLOCK, written(store, time_us, load, places), "k", None, {})
            got = with_losses(task, rows)
        finally:
            shutil.rmtree(folder)
        found.append([(r["lost_rows"], None if np.isnan(r["longest_step_s"]) else r["longest_step_s"]) for r in got])
    good = np.isfinite(load).tolist()
    expected = [by_hand(time_us.tolist(), good, int(a), int(b)) for a, b in zip(ends[::2], ends[1::2], strict=True)]
    assert found[0] == [(lost, pytest.approx(step) if step is not None else None) for lost, step in expected]
    assert found[1] == found[0]


@given(
    st.lists(st.tuples(st.integers(0, 50), st.integers(1, 9))), st.lists(st.integers(-1, 51), min_size=2, max_size=2)
)
def test_losses_between_two_times(some: list[tuple[int, int]], ends: list[int]) -> None:
    """After the first time, up to and with the second; joined in any order."""
    after, until = sorted(ends)
    pieces = [Losses(np.array([us]), np.array([rows])) for us, rows in some]
    whole = merged(pieces)
    wanted = sum(rows for us, rows in some if after < us <= until)
    assert whole.between(np.array([after]), np.array([until])).tolist() == [wanted]
    assert int(whole.after(after).rows.sum()) == sum(rows for us, rows in some if us > after)
    assert len(in_order([])) == len(no_losses()) == 0


def test_samples_between_two_good_ones_are_lost_at_one_place() -> None:
    time_us, good = np.arange(9) * 10, np.array([0, 0, 1, 0, 0, 0, 1, 1, 0], bool)
    lost = np.array([1, 1, 0, 1, 0, 1, 0, 0, 1], bool)
    found = together(dropped_samples(time_us, lost), time_us[good])
    assert (found.time_us.tolist(), found.rows.tolist()) == ([10, 50, 80], [2, 2, 1])
