"""Cycles that a change of the mode cuts: incomplete, and missing nothing unless the log is silent there (invented)."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchpipe.blocks.cyclic.mode_changes import Between, with_changes
from benchpipe.blocks.cyclic.tables import CycleFlag
from benchpipe.samples.signals import Signals
from benchpipe.samples.stream import SampleBatch
from tests.process.test_lost_rows import MARKS, RATE, Lab, log

CUT_OFF = CycleFlag.OPEN | CycleFlag.BROKEN_OFF
RIG = ('[load]', '[[channel]]\nname = "mode"\ncolumn = "M"\nunit = "1"\n\n[load]')
PLAN = ('frequency = "1 Hz"', 'frequency = "1 Hz"\nmode = 1')


class ModeLab(Lab):
    """A lab whose cyclic block asks for mode 1."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder, "t,T,A,C,M", rig=RIG, plan=PLAN)
        text = (folder / "rig.toml").read_text(encoding="utf-8")
        text = text.replace('name = "small rig"', 'name = "r"\nmode = "mode"')
        (folder / "rig.toml").write_text(text, encoding="utf-8")


@pytest.fixture
def lab(tmp_path: Path) -> ModeLab:
    return ModeLab(tmp_path)


def rows_with(*other: range) -> list[str]:
    """20 cycles whose rows in some ranges are of mode 0."""
    return [f"{row},{0 if any(k in some for some in other) else 1}" for k, row in enumerate(log())]


def incomplete(found: dict[str, Any]) -> list[dict[str, Any]]:
    return [row for row in found["rows"] if not row["complete"]]


@pytest.mark.parametrize("last", [602, 620, 655, 810])
def test_a_change_of_the_mode_cuts_a_cycle_that_misses_nothing(lab: ModeLab, last: int) -> None:
    """However short the other mode was: the cycle does not go on across it."""
    found = lab.night({"a.csv": rows_with(range(600, last))})
    cut = incomplete(found)
    assert {row["flags"] for row in cut} - {int(CycleFlag.OPEN)} == set()
    assert max(row["longest_step_s"] for row in found["rows"]) == pytest.approx(1 / RATE)
    assert all(row["lost_rows"] == 0 for row in found["rows"])
    assert {row["samples"] for row in found["rows"] if row["complete"]} == {RATE}


@pytest.mark.parametrize(("gone", "broken"), [(range(570, 600), 2), (range(810, 870), 2), (range(601, 809), 0)])
def test_rows_missing_at_a_change_break_cycles_off(lab: ModeLab, gone: range, broken: int) -> None:
    """Before the change, after it (the cycles on both sides say so), and in the other mode alone, of no concern."""
    rows = rows_with(range(600, 810))
    found = lab.night({"a.csv": [row for k, row in enumerate(rows) if k not in gone]})
    assert sum(row["flags"] & int(CycleFlag.BROKEN_OFF) > 0 for row in incomplete(found)) == broken


@pytest.mark.parametrize("gone", [range(598, 600), range(810, 812)])
def test_a_few_rows_missing_at_a_change_are_seen(lab: ModeLab, gone: range) -> None:
    rows = rows_with(range(600, 810))
    found = lab.night({"a.csv": [row for k, row in enumerate(rows) if k not in gone]})
    assert max(row["longest_step_s"] for row in incomplete(found)) == pytest.approx(3 / RATE)


def test_rejected_rows_at_a_change_are_lost_rows(lab: ModeLab) -> None:
    rows = rows_with(range(600, 810))
    rows[598:600] = ["?", "?"]
    assert max(row["lost_rows"] for row in incomplete(lab.night({"a.csv": rows}))) == 2


def test_a_gap_where_the_block_ends_is_seen_and_one_before_it_begins(lab: ModeLab) -> None:
    """The other mode goes on to the end of the log, and begins it."""
    rows = rows_with(range(210), range(800, 1000))
    sound = lab.night({"a.csv": rows})
    assert {row["flags"] for row in incomplete(sound)} == {int(CycleFlag.OPEN)}
    for gone in (range(210, 275), range(760, 800)):
        shutil.rmtree(lab.plan.parent)
        spoilt = ModeLab(_made(lab.plan.parent))
        found = spoilt.night({"a.csv": [row for k, row in enumerate(rows) if k not in gone]})
        assert [row["flags"] for row in incomplete(found)].count(int(CUT_OFF)) == 1


def _made(folder: Path) -> Path:
    folder.mkdir()
    return folder


@st.composite
def drawn_rows(draw: st.DrawFn) -> list[str]:
    """Rows of 20 cycles with stretches of another or an unknown mode, gaps and rejected rows."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    rows = log()
    mode = np.ones(len(rows)).astype(int).astype(str).astype(object)
    for _ in range(draw(st.integers(0, 4))):
        at = int(rng.integers(0, len(rows)))
        mode[at : at + int(rng.choice([1, 20, 60, 200]))] = draw(st.sampled_from(["0", "2", ""]))
    made = [f"{row},{m}" for row, m in zip(rows, mode, strict=True)]
    for _ in range(draw(st.integers(0, 2))):
        made[int(rng.integers(0, len(rows)))] = "?"
    for _ in range(draw(st.integers(0, 3))):
        at = int(rng.integers(0, len(made) - 1))
        del made[at : at + int(rng.choice([1, 5, 45]))]
    return made


@settings(max_examples=12, deadline=None)
@given(drawn_rows(), st.lists(st.integers(1, 900), min_size=1, max_size=4, unique=True), st.booleans())
def test_however_the_log_is_cut_the_cycles_are_the_same(rows: list[str], at: list[int], nights: bool) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        whole = ModeLab(_made(folder / "whole")).night({"a.csv": rows})
        ends = sorted({*(k for k in at if k < len(rows)), len(rows)})
        pieces: dict[str, Sequence[str]] = {
            f"a{i}.csv": rows[a:b] for i, (a, b) in enumerate(zip([0, *ends[:-1]], ends, strict=True))
        }
        lab = ModeLab(_made(folder / "cut"))
        if nights:
            for file, part in pieces.items():
                found = lab.night({file: part})
        else:
            found = lab.night(pieces)
    assert [[row[m] for m in MARKS] for row in found["rows"]] == [[row[m] for m in MARKS] for row in whole["rows"]]


@settings(max_examples=200)
@given(st.data())
def test_the_changes_do_not_hang_on_batches(data: st.DataObject) -> None:
    """Compared with a plain walk through all rows."""
    n = data.draw(st.integers(1, 40))
    time_us = np.cumsum(data.draw(st.lists(st.integers(1, 9), min_size=n, max_size=n)))
    mode = np.array(data.draw(st.lists(st.sampled_from([1.0, 0.0, np.nan]), min_size=n, max_size=n)))
    taken = np.flatnonzero((mode == 1.0) & np.array(data.draw(st.lists(st.booleans(), min_size=n, max_size=n))))
    places = sorted(data.draw(st.lists(st.integers(0, n), max_size=4)))
    found: list[int] = []
    rows: Between | None = None
    for a, b in zip([0, *places], [*places, n], strict=True):
        here = taken[(taken >= a) & (taken < b)]
        values = np.zeros(here.size)
        signals = Signals(time_us[here], values, values, np.empty(0), np.empty(0))
        signals, ends = with_changes(SampleBatch(time_us[a:b], {"mode": mode[a:b]}, "a"), signals, "mode", 1)
        if ends is None:
            continue
        rows = ends.head if rows is None else rows.followed_by(ends.head)
        if ends.tail is not None:
            found += [rows.change_us, *signals.change_us[1:].tolist()]
            rows = ends.tail
    other = (mode != 1.0) & ~np.isnan(mode)
    expected = []
    for k, last in enumerate(taken.tolist()):
        first = taken[k - 1] if k else 0
        steps = [time_us[i + 1] - time_us[i] for i in range(first, last) if not (other[i] and other[i + 1])]
        expected.append(int(max(steps, default=0)) if other[first : last + 1].any() else 0)
    assert found == expected
