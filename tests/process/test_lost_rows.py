"""Rows that are missing inside a cycle: each kind in a small text log, and a law: however it is cut (invented)."""

from __future__ import annotations

import itertools
import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchpipe.blocks.cyclic.tables import CycleFlag
from benchpipe.run import load_run
from benchpipe.store.run_store import RunStore
from tests.config.written import write_lab
from tests.conftest import examples
from tests.steps_done import ingest_run, process_run

RATE, CYCLES = 50, 20
HEADER = "t,T,A,C"
MARKS = ("cycle", "segment", "complete", "flags", "lost_rows", "longest_step_s", "samples", "start_us")
ODD = CycleFlag.LOST_ROWS | CycleFlag.BROKEN_OFF | CycleFlag.GAP | CycleFlag.STOOD_STILL
TIMES = np.arange(CYCLES * RATE) / RATE


def log(times: np.ndarray = TIMES, resolution: float = 1e-4) -> list[str]:
    """Rows of a log that cycles at 1 Hz, from its valley on."""
    torque = 42.5 - 37.5 * np.cos(2 * np.pi * times)
    angle = np.rint((2.1 - 1.9 * np.cos(2 * np.pi * times - 0.05)) / resolution) * resolution
    return [f"{t:.3f},{a:.4f},{b:.4f},23.0" for t, a, b in zip(times, torque, angle, strict=True)]


def cells(row: str, **changed: str) -> str:
    """A row with other cells."""
    names = HEADER.split(",")
    return ",".join(changed.get(name, cell) for name, cell in zip(names, row.split(","), strict=True))


class Lab:
    """A lab in a folder of its own."""

    def __init__(self, folder: Path, header: str = HEADER, **spoilt: Any) -> None:
        self.plan, self.header = write_lab(folder, **spoilt), header
        self.logs = folder / "logs"
        self.logs.mkdir()

    def night(self, files: dict[str, Sequence[str]]) -> dict[str, Any]:
        """State of the cyclic block after a night that finds these logs; the rows of its cycles are ``rows``."""
        for name, rows in files.items():
            (self.logs / name).write_text("\n".join([self.header, *rows]) + "\n", encoding="utf-8")
        run = load_run(self.plan)
        store = RunStore(run.store, run.name)
        manifest = process_run(run, store, ingest_run(run, store).manifest)
        found: dict[str, Any] = dict(manifest.steps["process"].state["durability"])
        rows = store.read(manifest, "cycles").to_pylist()
        found["rows"] = [row for row in rows if row["block"] == "durability"]
        found["remarks"] = {r.code: r.text for r in manifest.steps["process"].remarks if r.where == "durability"}
        return found


@pytest.fixture
def lab(tmp_path: Path) -> Lab:
    return Lab(tmp_path)


def odd(found: dict[str, Any]) -> dict[int | None, tuple[CycleFlag, int]]:
    """Flags of this module and lost rows, of the cycles that have any; incomplete ones by their start."""
    marked = {}
    for row in found["rows"]:
        flags = CycleFlag(row["flags"]) & ODD
        assert (row["lost_rows"] > 0) == bool(flags & CycleFlag.LOST_ROWS)
        if flags:
            marked[row["cycle"] or -round(row["start_us"] / 1e6)] = (flags, row["lost_rows"])
    return marked


def test_a_clean_log_has_no_marks(lab: Lab) -> None:
    found = lab.night({"a.csv": log()})
    assert odd(found) == {}
    assert len(found["rows"]) == CYCLES
    assert {round(row["longest_step_s"], 4) for row in found["rows"]} == {1 / RATE}
    assert found["lost_at_end"] == 0
    assert found["counted"] is None


# They lie in the eleventh cycle, which begins at 10.3 s.
INSIDE = range(532, 535)
LOST = {11: (CycleFlag.LOST_ROWS, 3)}


@pytest.mark.parametrize(
    "changed",
    [{"T": "nan"}, {"A": "nan"}, {"T": ""}, {"A": ""}, {"T": "over"}, {"t": ""}, {"t": "?"}, {"C": "cold"}],
    ids=str,
)
def test_spoiled_cells_are_lost_rows(lab: Lab, changed: dict[str, str]) -> None:
    rows = log()
    for k in INSIDE:
        rows[k] = cells(rows[k], **changed)
    assert odd(lab.night({"a.csv": rows})) == LOST


@pytest.mark.parametrize("line", ["rig stopped by hand", "1.0,2.0", ",,,", "10.66,1,2,3,4,5"])
def test_lines_of_another_kind_are_lost_rows(lab: Lab, line: str) -> None:
    rows = log()
    rows[INSIDE.start : INSIDE.stop] = [line] * len(INSIDE)
    assert odd(lab.night({"a.csv": rows})) == LOST


def test_a_missing_temperature_is_no_lost_row(lab: Lab) -> None:
    rows = log()
    rows[530] = cells(rows[530], C="nan")
    assert odd(lab.night({"a.csv": rows})) == {}


def test_headers_blank_lines_and_rows_taken_before_are_no_lost_rows(lab: Lab) -> None:
    rows = log()
    rows[530:530] = [HEADER, "", "   ", *rows[525:530], ""]
    assert odd(lab.night({"a.csv": rows})) == {}


def test_blank_lines_beside_rows_of_empty_cells(lab: Lab) -> None:
    rows = log()
    rows[530:530] = ["", ",,,", "", ",,,", ",,,"]
    assert odd(lab.night({"a.csv": rows})) == LOST


def test_a_clock_that_went_back_loses_its_rows_at_one_place(lab: Lab) -> None:
    rows = log()
    late = [cells(row, T="85.0", t=f"{float(row.split(',')[0]) - 0.06:.3f}") for row in rows[533:536]]
    rows[533:536] = late
    found = odd(lab.night({"a.csv": rows}))
    assert found == LOST


def test_deleted_rows_show_as_a_gap_or_a_longer_step(lab: Lab) -> None:
    rows = log()
    found = lab.night({"a.csv": [*rows[:530], *rows[537:]]})
    assert odd(found) == {11: (CycleFlag.GAP, 0)}
    thinned = lab.night({"b.csv": log(CYCLES + 0.02 + TIMES)[:530] + log(CYCLES + 0.02 + TIMES)[533:]})
    assert odd(thinned) == {11: (CycleFlag.GAP, 0)}
    assert sorted({round(row["longest_step_s"], 3) for row in thinned["rows"]}) == [0.02, 0.04, 0.08, 0.16]


def test_where_the_clock_breaks_off_both_sides_say_so(lab: Lab) -> None:
    rows = log()
    found = lab.night({"a.csv": [*rows[:530], *rows[570:]]})
    assert odd(found) == {-10: (CycleFlag.BROKEN_OFF, 0), -11: (CycleFlag.BROKEN_OFF, 0)}
    broken = [row for row in found["rows"] if row["flags"] & CycleFlag.BROKEN_OFF]
    assert [row["samples"] for row in broken] == [14, 46]
    assert [row["segment"] for row in broken] == [1, 2]
    assert all(row["flags"] & CycleFlag.OPEN for row in broken)
    assert found["remarks"]["broken-off"].startswith("2 cycle(s) broken off: samples are missing where")


def test_a_log_that_begins_in_mid_cycle_has_its_first_samples_in_a_cycle(lab: Lab) -> None:
    rows = log()
    rows[30] = cells(rows[30], T="99.0")
    found = lab.night({"a.csv": rows[25:]})
    first = found["rows"][0]
    assert (first["complete"], first["start_us"], first["peak_load"]) == (False, 500_000, 99.0)
    assert odd(found) == {}


def test_a_restart_after_a_stop_in_mid_range_is_in_a_cycle(lab: Lab) -> None:
    """The rig stops at 42 N m for ten seconds and goes on upwards, beyond its target."""
    rows = log()
    stood = [f"{10.75 + k / RATE:.3f},42.5000,2.1000,23.0" for k in range(10 * RATE)]
    after = log(np.arange(20.75, 30.0, 1 / RATE))
    up = [cells(row, T=f"{42.5 + 5.0 * k:.1f}", t=f"{20.75 + k / RATE:.3f}") for k, row in enumerate(after[:12])]
    found = lab.night({"a.csv": [*rows[:537], *stood, *up, *after[12:]]})
    assert max(row["peak_load"] for row in found["rows"]) == 97.5
    assert odd(found) == {}


def test_rows_lost_between_cycles_are_those_of_the_next_one(lab: Lab) -> None:
    """The first peak of the log is lost, and with it the first boundary."""
    rows = log()
    for k in range(14, 37):
        rows[k] = cells(rows[k], T="nan")
    assert odd(lab.night({"a.csv": rows})) == {1: (CycleFlag.LOST_ROWS, 23)}


def test_rows_lost_after_the_last_cycle_are_in_the_state(lab: Lab) -> None:
    rest = [f"{20 + k / RATE:.3f},5.0,0.2,23.0" for k in range(20 * RATE)]
    rest[-50] = "x"
    found = lab.night({"a.csv": [*log(), *rest]})
    assert odd(found) == {}
    assert found["lost_at_end"] == 1


def test_a_half_written_last_line_is_no_row_yet_and_lost_where_others_follow(lab: Lab) -> None:
    rows = log()
    (lab.logs / "a.csv").write_text("\n".join([HEADER, *rows[:530]]) + "\n10.6", encoding="utf-8")
    assert odd(lab.night({})) == {}
    assert odd(lab.night({"b.csv": rows[531:]})) == {11: (CycleFlag.LOST_ROWS, 1)}


def test_a_log_of_rejected_rows_only_stands_between_its_neighbours(lab: Lab) -> None:
    rows = log()
    lab.night({"a1.csv": rows[:530], "a3.csv": rows[533:]})
    assert odd(lab.night({"a2.csv": ["?"] * 3})) == LOST


def test_a_log_that_grows_by_rejected_rows_only_after_others_came(lab: Lab) -> None:
    rows = log()
    assert odd(lab.night({"a1.csv": rows[:530], "a2.csv": rows[533:]})) == {}
    assert odd(lab.night({"a1.csv": [*rows[:530], *["?"] * 3]})) == LOST
    more = log(CYCLES + TIMES[:100])
    more[4] = "?"
    assert odd(lab.night({"a2.csv": [*rows[533:], *more]})) == LOST | {19 + 1: (CycleFlag.LOST_ROWS, 1)}


def test_rows_lost_in_a_rest_before_the_night_are_those_of_the_next_cycle(lab: Lab) -> None:
    rest = [f"{20 + k / RATE:.3f},5.0,0.2,23.0" for k in range(20 * RATE)]
    rest[-50], rest[-40] = cells(rest[-50], T="nan"), "x"
    for k in range(3):
        assert odd(lab.night({f"a{k}.csv": [*log(), *rest[:-30]] if not k else rest[10 * k - 40 : 10 * k - 30]})) == {}
    assert lab.night({})["lost_at_end"] == 2
    again = [f"{float(row.split(',')[0]) + 40:.3f},{row.partition(',')[2]}" for row in log()]
    assert odd(lab.night({"a9.csv": again})) == {20: (CycleFlag.LOST_ROWS, 2)}


def test_rows_of_a_repeated_log_are_lost_once(lab: Lab) -> None:
    rows = log()
    rows[532:535] = ["?"] * 3
    assert odd(lab.night({"a1.csv": rows[:600], "a2.csv": rows[500:]})) == LOST
    assert odd(lab.night({"a1 copy.csv": rows[:600]})) == LOST


@pytest.mark.parametrize(("at", "lost"), [(700, 0), (500, 1), (699, 0), (797, 0), (799, 1), (800, 1), (799.5, 1)])
def test_rows_lost_in_another_mode_are_not_the_blocks(tmp_path: Path, at: float, lost: int) -> None:
    """Samples 600 to 799 are of another mode; a row that is lost beside one of the block's may be the block's."""
    rig = ('[load]', '[[channel]]\nname = "mode"\ncolumn = "M"\nunit = "1"\n\n[load]')
    lab = Lab(tmp_path, "t,T,A,C,M", rig=rig, plan=('frequency = "1 Hz"', 'frequency = "1 Hz"\nmode = 1'))
    text = (tmp_path / "rig.toml").read_text(encoding="utf-8")
    text = text.replace('name = "small rig"', 'name = "r"\nmode = "mode"')
    (tmp_path / "rig.toml").write_text(text, encoding="utf-8")
    rows = [f"{row},{0 if 600 <= k < 800 else 1}" for k, row in enumerate(log())]
    if at == 799.5:
        rows[799:801] = ["?", "?"]
        lost = 2
    else:
        rows[int(at)] = "?"
    whole = lab.night({"a.csv": rows})
    assert max(row["lost_rows"] for row in whole["rows"]) == lost


def flickering(step: str, **angle: Any) -> list[str]:
    """From the eleventh cycle on the angle flickers between neighbouring digits."""
    rng = np.random.default_rng(1)
    rows = log(**angle)
    for k in range(10 * RATE, len(rows)):
        rows[k] = cells(rows[k], A=f"{2.1 + float(step) * rng.integers(0, 3):.4f}")
    return rows


@pytest.mark.parametrize("given_", [None, "0.01 deg", "0.001 deg"])
def test_a_channel_that_flickers_in_its_last_digit_stood_still(tmp_path: Path, given_: str | None) -> None:
    """Told from the resolution in the rig file where it has one, else from the first samples."""
    key = f'\nresolution = "{given_}"' if given_ else ""
    lab = Lab(tmp_path, rig=('column = "A"\nunit = "deg"', f'column = "A"\nunit = "deg"{key}'))
    still = set(odd(lab.night({"a.csv": flickering("0.01", resolution=0.01)})))
    assert still == (set() if given_ == "0.001 deg" else set(range(11, 20)))


def test_a_channel_that_moves_by_a_few_digits_only_moves(lab: Lab) -> None:
    """The plan moves it by eight digits: two digits are a quarter of that, and no sign of a stuck sensor."""
    assert odd(lab.night({"a.csv": flickering("0.5", resolution=0.5)})) == {}


def missing(found: dict[str, Any]) -> tuple[list[dict[str, Any]], int]:
    """What a night says of missing rows."""
    return [{name: row[name] for name in MARKS} for row in found["rows"]], found["lost_at_end"]


def ways(rows: list[str], cut: list[int], folder: Path, **spoilt: Any) -> list[tuple[list[dict[str, Any]], int]]:
    """Missing rows of a log in one file, in several, in several night by night, and in one that grows."""
    edges = [0, *cut, len(rows)]
    files = {f"a{k}.csv": rows[a:b] for k, (a, b) in enumerate(itertools.pairwise(edges))}
    nights: dict[str, list[dict[str, Sequence[str]]]] = {
        "one": [{"a.csv": rows}],
        "files": [files],
        "nights": [{name: file} for name, file in files.items()],
        "grows": [{"a.csv": rows[:end]} for end in edges[1:]],
    }
    found = []
    for way, some in nights.items():
        (folder / way).mkdir()
        lab = Lab(folder / way, **spoilt)
        found.append(missing([lab.night(night) for night in some][-1]))
    return found


@pytest.mark.parametrize("border", range(-2, 6))
@pytest.mark.parametrize(("other", "lost"), [(False, 0), (True, 1)])
def test_rows_written_again_at_the_border_of_a_file(tmp_path: Path, border: int, other: bool, lost: int) -> None:
    """Two rows come twice. The copies may lie before the first row of their file; one that differs is a lost row."""
    rows = log()
    again = [cells(row, T="85.0") if other and not k else row for k, row in enumerate(rows[530:532])]
    rows[532:532] = again
    whole, *others = ways(rows, [530 + border], tmp_path)
    assert max(row["lost_rows"] for row in whole[0]) == lost
    assert others == [whole] * 3


def test_rows_written_again_over_three_files(tmp_path: Path) -> None:
    rows = log()
    rows[534:534] = rows[530:534]
    whole, *others = ways(rows, [531, 533, 536], tmp_path)
    assert whole[0][10]["lost_rows"] == 0
    assert others == [whole] * 3


KINDS = st.sampled_from(["nan", "", "text", "line", "blank", "header", "cells", "deleted", "gap", "late", "repeat"])


def spoiled(rows: list[str], kind: str, at: int, count: int) -> list[str]:
    """The log with some rows of one kind from a place on."""
    stretch = rows[at : at + count]
    if kind == "nan":
        new = [cells(row, A="nan") for row in stretch]
    elif kind == "":
        new = [cells(row, T="") for row in stretch]
    elif kind == "text":
        new = [cells(row, T="high") for row in stretch]
    elif kind == "late":
        new = [cells(row, T="85.0", t=f"{float(rows[at - 1].split(',')[0]) - 0.01:.3f}") for row in stretch]
    elif kind == "repeat":
        new = [*stretch, *stretch]
    elif kind == "gap":
        return [*rows[:at], *rows[at + 12 * count :]]
    else:
        new = {"line": ["?"] * count, "blank": ["", *stretch], "header": [HEADER, *stretch], "cells": [",,,"] * count,
               "deleted": []}[kind]  # fmt: skip
    return [*rows[:at], *new, *rows[at + count :]]


@st.composite
def logs(draw: st.DrawFn) -> list[str]:
    """A log that begins anywhere and is spoiled in a few places, from the last to the first."""
    rows = log(draw(st.sampled_from([0.0, 0.26, 0.5, 0.8])) + TIMES[: 8 * RATE])
    places = sorted(draw(st.sets(st.integers(1, 7), min_size=1, max_size=5)), reverse=True)
    for place in places:
        at = 50 * place + draw(st.integers(0, 30))
        rows = spoiled(rows, draw(KINDS), at, draw(st.integers(1, 4)))
    return rows


@settings(max_examples=examples(12))
@given(logs(), st.data())
def test_however_the_log_is_cut_the_same_rows_are_missing(rows: list[str], data: st.DataObject) -> None:
    """In files, and in nights: one log that grows, or one file after the other."""
    cut = sorted(data.draw(st.sets(st.integers(20, len(rows) - 20), min_size=1, max_size=3)))
    folder = Path(tempfile.mkdtemp())
    try:
        whole, *others = ways(rows, cut, folder)
    finally:
        shutil.rmtree(folder)
    assert others == [whole] * 3
