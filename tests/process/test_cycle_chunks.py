"""Laws: cutting does not matter, to the last bit (invented signals)."""

from __future__ import annotations

import pickle
from dataclasses import fields, replace
from functools import reduce
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchpipe.blocks.cutting import Cut, anchor_of, beginning, resumed
from benchpipe.blocks.cyclic.chunks import CycleChunk, chunk_of, joined, known, open_rows
from benchpipe.blocks.cyclic.cycles import NEVER, CycleRows, CycleSettings, joined_rows
from benchpipe.kernels.filters import gaussian_weights
from benchpipe.kernels.loops import FIELD
from benchpipe.samples.range_ends import NO_ENDS
from benchpipe.samples.signals import Signals


def cycle_settings(**changes: object) -> CycleSettings:
    """Settings with round numbers: a load of 0 to 100 at 1 Hz."""
    cut = Cut(by_load=True, low=32.0, high=68.0, by_record=False, break_us=500_000, longest_us=3_000_000)
    given_ = CycleSettings(
        block="b", cut=cut, gap_s=0.2, band=(0.2, 0.8), weights=gaussian_weights(None, 100.0), least_samples=5,
        targets=None, target_tolerance=0.0, load_ends=NO_ENDS, motion_ends=NO_ENDS,
        energy_factor=1e-3,
    )  # fmt: skip
    return replace(given_, **changes)  # type: ignore[arg-type]


@st.composite
def signals(draw: st.DrawFn, *, modes: bool = True) -> Signals:
    """Cycling with noise, fading, plateaus, gaps, pauses, jitter, restarts and changes of the mode."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    n = draw(st.integers(1, 600))
    rate = draw(st.sampled_from([10.0, 25.0, 100.0]))
    steps = np.full(n, round(1e6 / rate))
    steps += rng.integers(-1000, 1001, n) * draw(st.integers(0, 1))
    for _ in range(draw(st.integers(0, 4))):  # gaps, short and long
        steps[rng.integers(0, n)] += draw(st.sampled_from([90_000, 300_000, 700_000, 3_600_000_000]))
    time_us = np.cumsum(steps)
    phase = 2 * np.pi * np.arange(n) / rate * draw(st.sampled_from([0.3, 1.0, 2.0]))
    fade = np.linspace(1.0, draw(st.sampled_from([0.1, 0.5, 1.0])), n)
    load = 50.0 + 50.0 * fade * np.sin(phase + draw(st.floats(0, 6)))
    load += draw(st.sampled_from([0.0, 1.0, 15.0])) * rng.uniform(-1, 1, n)
    if draw(st.booleans()):  # a stop at some load
        at = int(rng.integers(0, n))
        load[at : at + int(rng.integers(1, 400))] = draw(st.sampled_from([0.0, 50.0, 100.0]))
    motion = 0.1 * load + 0.5 * np.cos(phase) + 0.01 * rng.standard_normal(n)
    temperature = np.where(rng.uniform(size=n) < 0.1, np.nan, 20 + rng.standard_normal(n)).astype(np.float32)
    counter = np.arange(n, dtype=np.float32)
    changes = np.zeros(n if modes and draw(st.booleans()) else 0, np.int64)
    for _ in range(draw(st.integers(0, 4)) if changes.size else 0):
        changes[rng.integers(0, n)] = draw(st.sampled_from([10_000, 300_000, 700_000]))
    return Signals(time_us, load.astype(np.float32), motion.astype(np.float32), temperature, counter, changes).copy()


SETTINGS = st.sampled_from(
    [
        cycle_settings(),
        cycle_settings(weights=gaussian_weights(10.0, 100.0)),
        cycle_settings(cut=replace(cycle_settings().cut, by_record=True, longest_us=2**62, period_s=1.0)),
        cycle_settings(cut=Cut(False, 3.0, 7.0, False, 500_000, 3_000_000)),
    ]
)


def cuts(n: int) -> st.SearchStrategy[list[int]]:
    """Places to cut n samples."""
    return st.lists(st.integers(0, n), max_size=8).map(sorted)


def split(whole: Signals, places: list[int]) -> list[Signals]:
    """The signals in consecutive pieces (empty ones left out)."""
    bounds = [0, *places, len(whole)]
    return [whole.part(a, b) for a, b in pairwise(bounds) if b > a]


def same(a: CycleRows, b: CycleRows) -> None:
    """Equal to the last bit."""
    for field in fields(CycleRows):
        np.testing.assert_array_equal(getattr(a, field.name), getattr(b, field.name), err_msg=field.name)


def rows_of(pieces: list[Signals], how: CycleSettings) -> CycleRows:
    """All rows of a run that arrives in pieces, with the cycle in which it ends."""
    start = known(beginning(how.cut))
    run = reduce(lambda chunk, piece: joined(chunk, chunk_of(piece, how), how), pieces, start)
    return joined_rows([run.rows, open_rows(run, how)])


@settings(max_examples=400)
@given(signals(), SETTINGS, st.data())
def test_any_cut_gives_the_bits_of_one_pass(whole: Signals, how: CycleSettings, data: st.DataObject) -> None:
    places = data.draw(cuts(len(whole)))
    same(rows_of(split(whole, places), how), rows_of([whole], how))


@pytest.fixture(autouse=True)
def small_seams(monkeypatch: pytest.MonkeyPatch) -> None:
    """Seams grow in small steps, so that every way of finding their end is taken."""
    monkeypatch.setattr("benchpipe.blocks.cutting.SEAM_SAMPLES", 7)


@settings(max_examples=300)
@given(signals(), SETTINGS, st.data())
def test_joining_is_associative(whole: Signals, how: CycleSettings, data: st.DataObject) -> None:
    places = data.draw(st.lists(st.integers(0, len(whole)), min_size=2, max_size=2).map(sorted))
    pieces = split(whole, places)
    if len(pieces) < 3:
        return
    a, b, c = (chunk_of(p, how) for p in pieces)
    left, right = joined(joined(a, b, how), c, how), joined(a, joined(b, c, how), how)
    for chunk in (left, right):
        _same_chunk(chunk, chunk_of(whole, how))


def _same_chunk(a: CycleChunk, b: CycleChunk) -> None:
    same(a.rows, b.rows)
    for x, y in ((a.head, b.head), (a.standing and a.standing.held, b.standing and b.standing.held)):
        assert (x is None) == (y is None)
        if x is not None and y is not None:
            np.testing.assert_array_equal(x.time_us, y.time_us)
            np.testing.assert_array_equal(x.load, y.load)
    assert (a.standing is None) == (b.standing is None)
    if a.standing and b.standing:
        assert a.standing.scan == b.standing.scan


@settings(max_examples=200)
@given(signals(), SETTINGS, st.data())
def test_any_night_can_end_anywhere(whole: Signals, how: CycleSettings, data: st.DataObject) -> None:
    """The work is taken up from an anchor: a time and a few numbers, nothing else."""
    at = data.draw(st.integers(1, len(whole)))
    first = joined(known(beginning(how.cut)), chunk_of(whole.part(0, at), how), how)
    assert first.standing is not None
    anchor = anchor_of(first.standing, int(first.rows.closed.sum()))
    assert anchor is not None
    again = whole.part(int(np.searchsorted(whole.time_us, anchor.time_us)), len(whole))
    second = joined(known(resumed(anchor, how.cut)), chunk_of(again, how), how)
    same(joined_rows([first.rows, second.rows, open_rows(second, how)]), rows_of([whole], how))


@settings(max_examples=100)
@given(signals(), SETTINGS)
def test_a_chunk_survives_pickling_and_an_empty_neighbour(whole: Signals, how: CycleSettings) -> None:
    chunk = chunk_of(whole, how)
    _same_chunk(pickle.loads(pickle.dumps(chunk)), chunk)
    _same_chunk(joined(chunk, chunk_of(whole.part(0, 0), how), how), chunk)
    _same_chunk(joined(chunk_of(whole.part(0, 0), how), chunk, how), chunk)


def test_nothing_joins_before_a_known_past() -> None:
    how = cycle_settings()
    with pytest.raises(ValueError, match="past is known"):
        joined(known(beginning(how.cut)), known(beginning(how.cut)), how)


def by_hand(whole: Signals, cut: Cut) -> list[tuple[int, int, str]]:
    """First sample, end and kind of each row, sample by sample as the rules are written (shares no code)."""
    trigger = (whole.load if cut.by_load else whole.motion).tolist()
    time = whole.time_us.tolist()
    rows: list[tuple[int, int, str]] = []
    begun, kind, armed, stopped = -1, "", False, False
    for k, value in enumerate(trigger):
        parted = k == 0 or time[k] - time[k - 1] > cut.break_us
        if begun >= 0 and (parted or time[k] - time[begun] > cut.longest_us):
            rows.append((begun, k, kind))
            begun, stopped = -1, not parted
        if parted:
            armed = stopped = False
            if value >= cut.low:
                begun, kind = k, "lead"
        if armed and value >= cut.high:
            if begun >= 0:
                rows.append((begun, k, "lead" if kind == "lead" else "closed"))
            begun, kind, armed, stopped = k, "open", False, False
        elif begun < 0 and stopped and not armed and value >= cut.high > trigger[k - 1]:
            begun, kind = k, "lead"
        armed = armed or value < cut.low
    return [*rows, *([(begun, len(trigger), kind)] if begun >= 0 else [])]


@settings(max_examples=300)
@given(signals(modes=False), SETTINGS)
def test_every_row_is_where_the_rules_say(whole: Signals, how: CycleSettings) -> None:
    """Leads too: each sample that reaches the upper threshold is in a row, unless a stop holds it there."""
    if how.cut.by_record:
        return
    everything = rows_of([whole], how)
    rows = everything.only(~everything.between)
    expected = by_hand(whole, how.cut)
    time = np.append(whole.time_us, NEVER)
    assert rows.first_us.tolist() == [time[a] for a, _, _ in expected]
    assert rows.after_us.tolist() == [time[b] for _, b, _ in expected]
    assert rows.closed.tolist() == [kind == "closed" for *_, kind in expected]
    assert rows.samples.tolist() == [b - a for a, b, _ in expected]
    step = np.diff(whole.time_us) > how.cut.break_us
    parted = [bool((a > 0 and step[a - 1]) or (b < len(whole) and step[b - 1])) for a, b, _ in expected]
    assert rows.broken.tolist() == [one and kind != "closed" for one, (*_, kind) in zip(parted, expected, strict=True)]
    trigger = whole.load if how.cut.by_load else whole.motion
    seen = np.zeros(len(whole), bool)
    for a, b, _ in expected:
        assert not seen[a:b].any()
        seen[a:b] = True
    high = trigger >= how.cut.high
    unseen = np.flatnonzero(high & ~seen)
    assert all(k > 0 and high[k - 1] and not step[k - 1] for k in unseen.tolist())


@settings(max_examples=100)
@given(signals(modes=False))
def test_the_longest_step_and_the_extremes_of_each_row_are_those_of_its_samples(whole: Signals) -> None:
    how = cycle_settings()
    everything = rows_of([whole], how)
    rows = everything.only(~everything.between)
    for k, (a, b, kind) in enumerate(by_hand(whole, how.cut)):
        first, last = (a if kind == "lead" else a - 1), (b if kind == "closed" else b - 1)
        if b - a > 1 or kind != "lead":
            steps = np.diff(whole.time_us[first : last + 1])
            assert rows.measures[k, FIELD["longest_step_s"]] == pytest.approx(steps.max() * 1e-6, rel=1e-12)
        assert rows.measures[k, FIELD["peak_load"]] == whole.load[a:b].max()
        assert rows.measures[k, FIELD["motion_min"]] == whole.motion[a:b].min()


@settings(max_examples=300)
@given(signals(), SETTINGS)
def test_each_sample_lies_in_one_row_and_no_row_is_too_long(whole: Signals, how: CycleSettings) -> None:
    if how.cut.by_record:
        return
    rows = rows_of([whole], how)
    assert rows.samples.sum() == len(whole)
    assert rows.first_us.tolist() == [int(whole.time_us[0]), *rows.after_us[:-1].tolist()]
    assert rows.after_us[-1] == NEVER
    assert (rows.last_us - rows.first_us <= how.cut.longest_us).all()
