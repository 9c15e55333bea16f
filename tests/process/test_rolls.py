"""Rolls from a log to tables: known rockers are found again, whatever the batches, and bad input gives no number."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from benchpipe.blocks.roll.passes import passes_of
from benchpipe.blocks.roll.plan import RollBlock
from benchpipe.blocks.roll.reading import RollSamples
from benchpipe.blocks.roll.stretches import RollStretch, StretchFinder
from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.store.run_store import RunStore

RIG = """
name = "r"
[log]
format = "parquet"
[time]
column = "t"
unit = "s"
sample_rate = "100 Hz"
[[channel]]
name = "force"
column = "f"
unit = "N"
[[channel]]
name = "cop"
column = "cop"
unit = "UNIT"
[[channel]]
name = "tilt"
column = "tilt"
unit = "deg"
[[channel]]
name = "ax"
column = "ax"
unit = "UNIT"
[[channel]]
name = "ay"
column = "ay"
unit = "UNIT"
[[channel]]
name = "travel"
column = "travel"
unit = "mm"
[[channel]]
name = "other"
column = "other"
unit = "N"
[[channel]]
name = "plate"
column = "plate"
unit = "1"
[load]
channel = "force"
[motion]
channel = "cop"
"""
BLOCK = """
[[block]]
name = "rolled"
kind = "roll"
axes = "ankle-foot"
cop = "cop"
force = "force"
tilt = "tilt"
ankle = [["ax", "ay"]]
planned_passes = 3
"""
TILT = 'window = "tilt"\ntilt_between = ["-12 deg", "16 deg"]\n'
STANCE = 'window = "opposite-contact"\n'
Log = dict[str, np.ndarray]


def rolling(radii: tuple[float, ...] = (0.30, 0.32, 0.31), *, back: bool = True, force: float = 800.0) -> Log:
    """Passes of a wheel: loaded at the heel, rolled to the toe (and back), unloaded. The unloaded plate shows junk."""
    rng = np.random.default_rng(3)
    pieces: dict[str, list[np.ndarray]] = {name: [] for name in ("f", "cop", "tilt", "ax", "ay")}
    for radius in radii:
        there = np.linspace(-15.0, 20.0, 300)
        away = there[::-1] if back else np.full(1, 20.0)
        tilt = np.concatenate([np.full(100, -15.0), there, away, np.full(100, away[-1])])
        ramp = np.linspace(0.0, force, 50)
        pull = np.concatenate([np.zeros(50), ramp, np.full(tilt.size - 200, force), ramp[::-1], np.zeros(50)])
        angle = np.radians(tilt)
        arm = radius - 0.08
        cop = 1e3 * radius * angle + 0.3 * rng.standard_normal(tilt.size)
        pieces["f"].append(pull)
        pieces["cop"].append(np.where(pull < 40.0, 900.0 * rng.standard_normal(tilt.size), cop))
        pieces["tilt"].append(tilt + 0.003 * rng.standard_normal(tilt.size))
        pieces["ax"].append(1e3 * (radius * angle - arm * np.sin(angle)) + 0.1 * rng.standard_normal(tilt.size))
        pieces["ay"].append(1e3 * (radius - arm * np.cos(angle)) + 0.1 * rng.standard_normal(tilt.size))
    log = {name: np.concatenate(parts) for name, parts in pieces.items()}
    n = log["f"].size
    return {"t": np.arange(n) / 100.0, **log, "travel": np.zeros(n), "other": np.zeros(n), "plate": np.ones(n)}


def rolls(
    folder: Path, log: Log | list[Log], block: str = TILT, *, unit: str = "mm"
) -> tuple[list[dict[str, Any]], list[str]]:
    """Rows of the table, and remarks of the block."""
    folder.mkdir(exist_ok=True)
    logs = log if isinstance(log, list) else [log]
    for k, one in enumerate(logs):
        pq.write_table(pa.table(one), folder / f"log{k}.parquet")
    (folder / "rig.toml").write_text(RIG.replace("UNIT", unit))
    head = 'name = "r"\nspecimen = "s"\nrig = "rig.toml"\nlogs = ["log*.parquet"]\n'
    (folder / "plan.toml").write_text(head + BLOCK + block)
    run = load_run(folder / "plan.toml", folder / "store")
    outcome = work(run, until="process")
    rows = RunStore(run.store, run.name, run.tables).read(outcome.manifest, "rolls").to_pylist()
    return rows, [r.text for r in outcome.manifest.steps["process"].remarks if r.where == "rolled"]


def curvatures(rows: list[dict[str, Any]]) -> list[float]:
    return [row["curvature_per_m"] for row in rows]


def test_each_way_of_each_pass_gives_its_rocker(tmp_path: Path) -> None:
    rows, remarks = rolls(tmp_path, rolling())
    assert [row["direction"] for row in rows] == ["forward", "back"] * 3
    true = [1 / radius for radius in (0.30, 0.32, 0.31) for _ in range(2)]
    for row, one in zip(rows, true, strict=True):
        assert abs(row["curvature_per_m"] - one) < 4 * row["curvature_per_m_u"]
        assert abs(row["slope_mm"] - 1e3 / one) < 4 * row["slope_mm_u"] + 0.1
        assert row["stiffness"] > 0
        assert row["lost_rows"] == 0
        assert (row["tilt_low_deg"], row["tilt_high_deg"]) == pytest.approx((-12.0, 16.0), abs=0.2)
    assert remarks == []


@pytest.mark.parametrize("sizes", [(7,), (1, 400, 13), (100000,)])
def test_stretches_are_the_same_however_samples_are_cut(sizes: tuple[int, ...]) -> None:
    log = rolling()
    values = np.full((9, log["f"].size), 0.0)
    values[0] = log["f"]
    whole = RollSamples(np.rint(1e6 * log["t"]).astype(np.int64), values)

    def found(pieces: list[RollSamples]) -> list[tuple[int, int, bool, bool, float, float]]:
        finder = StretchFinder(20.0, 50_000, 60_000_000)
        stretches = [one for piece in pieces for one in finder.feed(piece)] + finder.rest()
        return [
            (int(s.samples.time_us[0]), len(s.samples), s.begun, s.ended, s.contact_us, s.lift_us) for s in stretches
        ]

    pieces, at, k = [], 0, 0
    while at < len(whole):
        size = sizes[k % len(sizes)]
        pieces.append(whole.part(at, min(at + size, len(whole))))
        at, k = at + size, k + 1
    assert found(pieces) == found([whole])
    assert [one[2:4] for one in found([whole])] == [(True, True)] * 3


@pytest.mark.parametrize("size", [10, 100000])
def test_a_foot_that_stays_loaded_is_no_roll_and_is_not_kept_in_memory(size: int) -> None:
    values = np.zeros((9, 5000))
    values[0, 100:4000], values[0, 4500:4700] = 800.0, 800.0
    whole = RollSamples(np.arange(5000) * 10_000, values)
    finder = StretchFinder(20.0, 50_000, 10_000_000)
    found = []
    for at in range(0, 5000, size):
        found += finder.feed(whole.part(at, min(at + size, 5000)))
        assert finder._held is None or len(finder._held) <= max(size, 1000) + 10
    found += finder.rest()
    assert finder.too_long == 1
    assert [len(one.samples) for one in found] == [200]


def test_a_log_that_grows_gives_the_same_as_one_read_at_once(tmp_path: Path) -> None:
    log = rolling()
    cut = 730  # in the middle of a pass
    halves = [{name: values[part] for name, values in log.items()} for part in (slice(None, cut), slice(cut, None))]
    at_once, _ = rolls(tmp_path / "a", log)
    rolls(tmp_path / "b", halves[:1])
    later, _ = rolls(tmp_path / "b", halves)
    assert later == at_once


def test_a_pass_cut_off_by_the_end_of_the_log_gives_no_number(tmp_path: Path) -> None:
    log = {name: values[:520] for name, values in rolling(back=False).items()}
    short = {name: np.concatenate([values[:250]]) for name, values in rolling().items()}
    rows, remarks = rolls(tmp_path / "a", short)
    assert curvatures(rows) == [None]
    assert "cut off: the tilt covers" in rows[0]["remark"]
    assert remarks == [f"no figure of pass 1: {rows[0]['remark']}"]
    rows, _ = rolls(tmp_path / "b", {name: values[:330] for name, values in log.items()}, STANCE)
    assert curvatures(rows) == [None]
    assert "cut off: the log begins, ends or has a gap" in rows[0]["remark"]


def test_a_gap_in_a_pass_is_no_pass(tmp_path: Path) -> None:
    log = rolling()
    keep = np.ones(log["t"].size, bool)
    keep[200:230] = False
    rows, _ = rolls(tmp_path, {name: values[keep] for name, values in log.items()})
    assert rows[0]["curvature_per_m"] is None
    assert all(row["curvature_per_m"] for row in rows[2:])


def test_millimetres_for_metres_and_metres_for_millimetres_are_no_number(tmp_path: Path) -> None:
    rows, _ = rolls(tmp_path / "a", rolling(), unit="m")
    assert set(curvatures(rows)) == {None}
    assert "verify the units" in rows[0]["remark"]
    log = rolling()
    for name in ("cop", "ax", "ay"):
        log[name] = log[name] * 1e-3
    rows, _ = rolls(tmp_path / "b", log)
    assert set(curvatures(rows)) == {None}
    assert "verify the units" in rows[0]["remark"]


def test_a_reversed_tilt_and_one_far_off_are_no_number(tmp_path: Path) -> None:
    log = rolling()
    log["tilt"] = -log["tilt"]
    rows, _ = rolls(tmp_path / "a", log)
    assert set(curvatures(rows)) == {None}
    assert "reversed" in rows[0]["remark"]
    log = rolling()
    log["tilt"] = 1e3 * np.radians(log["tilt"] - 2.5)  # mrad for deg, about upright
    rows, _ = rolls(tmp_path / "c", log, 'window = "force"\n')
    assert set(curvatures(rows)) == {None}
    assert "far from upright" in rows[0]["remark"]
    log = rolling()
    log["tilt"] = log["tilt"] + 90.0
    rows, _ = rolls(tmp_path / "b", log, 'window = "force"\n')
    assert set(curvatures(rows)) == {None}
    assert "far from upright" in rows[0]["remark"]


def test_a_tilt_outside_its_window_is_no_pass_and_is_reported(tmp_path: Path) -> None:
    log = rolling()
    log["tilt"] = log["tilt"] + 60.0
    rows, remarks = rolls(tmp_path, log)
    assert set(curvatures(rows)) == {None}
    assert "no sample in the window" in remarks[0]


def test_two_feet_on_the_plate_are_no_number(tmp_path: Path) -> None:
    log = rolling()
    log["cop"][300:340] += 250.0
    rows, _ = rolls(tmp_path, log)
    assert rows[0]["curvature_per_m"] is None
    assert "two feet on the plate" in rows[0]["remark"]
    assert rows[2]["curvature_per_m"] is not None


def test_the_other_foots_plate_ends_the_window(tmp_path: Path) -> None:
    log = rolling(back=False)
    log["other"] = np.where(log["tilt"] > 10.0, 500.0, 0.0)
    rows, _ = rolls(tmp_path, log, STANCE + 'opposite_force = "other"\n')
    assert max(row["tilt_high_deg"] for row in rows) < 10.5
    assert all(row["curvature_per_m"] == pytest.approx(3.2, rel=0.1) for row in rows)


def test_a_force_gate_above_the_load_is_reported(tmp_path: Path) -> None:
    rows, remarks = rolls(tmp_path, rolling(), TILT + 'contact_force = "2 kN"\n')
    assert rows == []
    assert remarks == ["no pass: the force never reaches contact_force, 2000 N; its largest value is 800 N"]


def test_junk_of_the_unloaded_plate_never_enters(tmp_path: Path) -> None:
    rows, _ = rolls(tmp_path, rolling(), 'window = "force"\nforce_from = "50 %"\n')
    assert [row["remark"] for row in rows] == [None] * 6
    assert all(row["rms_mm"] < 0.5 for row in rows)
    low, _ = rolls(tmp_path / "low", rolling(), 'window = "force"\nforce_from = "0 %"\ncontact_force = "0.5 N"\n')
    assert any("two feet on the plate, or hardly any load" in (row["remark"] or "") for row in low)


def test_a_value_that_is_missing_counts_as_lost(tmp_path: Path) -> None:
    log = rolling()
    log["tilt"][250] = np.nan
    rows, _ = rolls(tmp_path, log)
    assert rows[0]["lost_rows"] == 1
    assert rows[0]["curvature_per_m"] is not None


def test_a_plate_that_moves_is_taken_off_the_rolling_slope(tmp_path: Path) -> None:
    log = rolling()
    log["travel"] = 40.0 * np.sin(log["t"])
    moving = {**log, "cop": log["cop"] + log["travel"], "ax": log["ax"] + log["travel"]}
    for name, cop, key in (("lab", moving["cop"], "false"), ("plate", log["cop"], "true")):
        rows, _ = rolls(
            tmp_path / name, {**moving, "cop": cop}, TILT + f'plate_travel = "travel"\ncop_on_plate = {key}\n'
        )
        assert [row["slope_mm"] for row in rows[::2]] == pytest.approx([300.0, 320.0, 310.0], rel=0.01)
        assert curvatures(rows[::2]) == pytest.approx([1 / 0.30, 1 / 0.32, 1 / 0.31], rel=0.03)


def test_plates_that_differ_are_reported(tmp_path: Path) -> None:
    from benchpipe.blocks.roll.view import roll_view

    log = rolling((0.30, 0.301, 0.302, 0.36, 0.361, 0.362))
    log["plate"] = np.where(log["t"] < log["t"][-1] / 2, 1.0, 2.0)
    rolls(tmp_path, log, TILT + 'plate = "plate"\n')
    run = load_run(tmp_path / "plan.toml", tmp_path / "store")
    outcome = work(run, until="process")
    store = run.open_store()
    view = roll_view(run.plan.block[0], {"motion": "mm"}, outcome.manifest, store)  # type: ignore[arg-type]
    assert "2 plates differ by more than their passes" in view.said
    curvature = view.figures[0]
    assert curvature.name == "AF curvature"
    assert curvature.value == pytest.approx(0.5 * (1 / 0.301 + 1 / 0.361), rel=0.01)
    assert curvature.expanded_u is not None
    assert curvature.expanded_u < 0.1  # the step between plates is no scatter


def test_a_stretch_without_a_value_of_a_channel_is_reported() -> None:
    block = RollBlock(
        name="r", kind="roll", axes="foot", cop="a", force="b", tilt="c", ankle_at=(0.0, 80.0), window="force"
    )
    values = np.full((9, 50), np.nan)
    values[0] = 500.0
    stretch = RollStretch(RollSamples(np.arange(50) * 10_000, values), True, True, 0.0, 490_000.0)
    assert [one.why for one in passes_of(stretch, block)] == ["a channel of the block has no value in it"]


SAMPLES = Path(__file__).parents[2] / "sample_runs" / "rocker"


@pytest.fixture(scope="module")
def sample_rolls(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("rolls") / "rocker"
    shutil.copytree(SAMPLES, folder, ignore=shutil.ignore_patterns("store", "pages"))
    return folder


@pytest.mark.parametrize(("name", "shape"), [("flat-when-locked", "flat enough"), ("curved-when-locked", "too curved")])
def test_both_sample_runs_tell_free_from_locked(sample_rolls: Path, name: str, shape: str) -> None:
    import json

    from benchpipe.blocks.roll.view import roll_view

    run = load_run(sample_rolls / name / "plan.toml")
    outcome = work(run)
    store = run.open_store()
    truth = json.loads((sample_rolls / name / "truth" / "truth.json").read_text())
    true = {block["name"]: block["roll"] for block in truth["blocks"] if "roll" in block}
    rows = store.read(outcome.manifest, "rolls").to_pylist()
    for block, roll in true.items():
        own = [row for row in rows if row["block"] == block and row["direction"] == "forward"]
        assert len(own) == roll["passes"]
        for row, curvature in zip(own, roll["curvatures_per_m"], strict=True):
            assert abs(row["curvature_per_m"] - curvature) < 4 * row["curvature_per_m_u"] + 1e-4
            assert row["slope_mm"] == pytest.approx(1e3 / curvature, rel=0.02)
    view = roll_view(run.plan.block[1], {"motion": "mm"}, outcome.manifest, store)  # type: ignore[arg-type]
    assert "flatter than rolled-free" in view.said
    assert f"shape: {shape} to stand on" in view.said
    ratio = next(f for f in view.figures if f.name == "curvature over rolled-free")
    expected = true["rolled-locked"]["mean_curvature_per_m"] / true["rolled-free"]["mean_curvature_per_m"]
    assert ratio.value is not None
    assert ratio.expanded_u is not None
    assert abs(ratio.value - expected) < ratio.expanded_u < 0.1
    verdicts = {row["limit"]: row["verdict"] for row in store.read(outcome.manifest, "verdicts").to_pylist()}
    assert verdicts == dict.fromkeys(verdicts, "pass" if name == "flat-when-locked" else "fail")
    assert len(verdicts) == 2
