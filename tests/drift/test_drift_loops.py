"""Loops kept on purpose, and the loop of any cycle: closed, from samples while they are there."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from benchpipe.drift.loops_kept import Reached, reached_after, wanted_loops
from benchpipe.errors import ConfigError
from benchpipe.pipeline import work
from benchpipe.report.loop_text import loop_lines
from benchpipe.run import RunConfig, load_run
from benchpipe.store.manifest import Manifest
from benchpipe.views.loop import loop_of
from tests.cli.commands import called
from tests.drift.drawn import CYCLES, DAY, cycles_of
from tests.drift.test_drift_step import CYCLES as LOGGED
from tests.drift.test_drift_step import made, tables

LIMITS = """name = "own"
basis = "invented"
[[limit]]
name = "travel"
block = "main"
measure = "motion_range"
statistic = "max"
operator = "<="
value = "10.4 mm"
source = "invented"
"""


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> tuple[RunConfig, Manifest]:
    """A run of fourteen days with a step, a baseline and a limit that the step breaks."""
    folder = tmp_path_factory.mktemp("loops")
    made(folder, LOGGED)
    (folder / "limits.toml").write_text(LIMITS, encoding="utf-8")
    plan = folder / "plan.toml"
    text = plan.read_text("utf-8").replace("limits = []", 'limits = ["limits.toml"]') + "baseline = [2000, 3000]\n"
    plan.write_text(text, encoding="utf-8")
    run = load_run(plan, folder / "store")
    return run, work(run).manifest


def reasons(run: RunConfig, manifest: Manifest) -> dict[str, list[int]]:
    rows = tables(run, manifest)["kept_loops"]
    found: dict[str, list[int]] = {}
    for cycle, why in sorted(set(zip(rows.column("cycle").to_pylist(), rows.column("why").to_pylist(), strict=True))):
        for one in why.split("; "):
            found.setdefault(one, []).append(cycle)
    return found


def test_what_shows_the_course_of_a_run_is_kept(seen: tuple[RunConfig, Manifest]) -> None:
    run, manifest = seen
    found = reasons(run, manifest)
    assert found["first"] == [1]
    assert (found["first of the baseline"], found["last of the baseline"]) == ([2000], [3000])
    rows = run.open_store().read(manifest, "cycles").to_pandas()  # one cycle short of the plan: whole days count
    day = rows["start_us"] // 86_400_000_000
    assert found["last"] == [rows["cycle"][rows["complete"] & (day < day.max())].max()]
    event = next(r for r in tables(run, manifest)["events"].to_pylist() if r["alarm"])
    assert found["before event 1"] == [event["cycle_low"] - 1]
    assert found["after event 1"] == [event["cycle_high"] + 1]


def test_the_worst_of_each_measure_and_the_first_beyond_a_limit_are_those_of_the_cycles(
    seen: tuple[RunConfig, Manifest],
) -> None:
    run, manifest = seen
    found = reasons(run, manifest)
    rows = run.open_store().read(manifest, "cycles").to_pandas()
    rows = rows[rows["complete"] & rows["motion_range"].notna()]
    for measure in ("motion_range", "energy_j", "secant_stiffness"):
        for word, at in (("smallest", rows[measure].idxmin()), ("largest", rows[measure].idxmax())):
            assert found[f"{word} {measure}"] == [rows["cycle"][at]]
    assert found["first beyond 'travel'"] == [rows["cycle"][rows["motion_range"] > 10.4].min()]


def test_kept_loops_are_those_of_the_samples(seen: tuple[RunConfig, Manifest]) -> None:
    run, manifest = seen
    store = run.open_store()
    kept = tables(run, manifest)["kept_loops"]
    for cycle in np.unique(kept.column("cycle").to_numpy())[:5].tolist():
        own = kept.filter(pa.compute.equal(kept.column("cycle"), cycle)).select(["time_us", "load", "motion"])
        points = loop_of(run, store, manifest, "main", cycle).points  # one row more where it had to be closed
        assert points.slice(0, own.num_rows).to_pydict() == own.to_pydict()
        assert 0 <= points.num_rows - own.num_rows <= 1


def test_any_cycle_on_request_is_closed_and_has_the_area_of_the_table(seen: tuple[RunConfig, Manifest]) -> None:
    run, manifest = seen
    store = run.open_store()
    for cycle in (2, 777, 6543):
        found = loop_of(run, store, manifest, "main", cycle)
        rows = store.read(manifest, "cycles").filter(
            pa.compute.equal(store.read(manifest, "cycles").column("cycle"), cycle)
        )
        start, period = rows.column("start_us")[0].as_py(), rows.column("period_s")[0].as_py()
        times = found.points.column("time_us").to_pylist()
        assert start <= times[0] <= start + 10_000_000
        assert times[-1] >= start + round(1e6 * period)
        # energy_j in J of N and mm; ten samples a cycle, so the ends that are interpolated there move it
        assert abs(found.area) / 1000 == pytest.approx(rows.column("energy_j")[0].as_py(), rel=0.1)


def test_a_drawing_is_80_columns_wide_and_shows_each_corner(seen: tuple[RunConfig, Manifest]) -> None:
    run, manifest = seen
    found = loop_of(run, run.open_store(), manifest, "main", 6543)
    for plain in (False, True):
        lines = list(loop_lines(found, plain=plain))
        assert max(map(len, lines)) <= 80
        assert not plain or "".join(lines).isascii()
        sign = "*" if plain else "●"
        grid = [line[11:].ljust(69) for line in lines[1:20]]
        assert 5 <= sum(row.count(sign) for row in grid) <= found.points.num_rows
        assert sign in grid[1] + grid[0]  # the peak is at the top, and to the right
        assert max(row.rfind(sign) for row in grid) > 60
        assert any(row.strip() for row in grid[-3:])


def test_the_command_draws_writes_and_prints(seen: tuple[RunConfig, Manifest], tmp_path: Path) -> None:
    run, _ = seen
    words = ["loop", str(run.plan_path), "main", "6543"]
    code, out, _ = called(words, run.folder)
    assert code == 0
    assert out.startswith("main, cycle 6,543: load [N] over motion [mm]\n")
    document = json.loads(called([*words, "--json"], run.folder)[1])
    assert (document["cycle"], document["from_samples"]) == (6543, True)
    assert document["units"] == {"load": "N", "motion": "mm"}
    csv = called([*words, "--format", "csv", "--units"], run.folder)[1].splitlines()
    assert csv[0] == '"time_us [us]","load [N]","motion [mm]"'
    assert len(csv) - 1 == len(document["points"]["load"]) >= 10
    assert called([*words, "--out", str(tmp_path / "a.parquet")], run.folder)[0] == 0
    import pyarrow.parquet as pq

    points = pq.read_table(tmp_path / "a.parquet").to_pydict()
    assert points["load"] == pytest.approx(document["points"]["load"])


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["main", "99999"], "has no complete cycle 99,999"),
        (["other", "1"], "'other' is no cyclic block of the plan"),
        (["main", "0"], "greater than or equal to 1"),
        (["main", "5", "--json", "--format", "csv"], "leave out --out and --format"),
    ],
)
def test_what_is_not_there_is_named(seen: tuple[RunConfig, Manifest], words: list[str], why: str) -> None:
    code, _, error = called(["loop", str(seen[0].plan_path), *words], seen[0].folder)
    assert (code, why in error) == (2, True), error


def test_a_plan_without_a_cyclic_block_says_so(seen: tuple[RunConfig, Manifest]) -> None:
    run, manifest = seen
    without = replace(run, plan=run.plan.model_copy(update={"block": ()}))
    with pytest.raises(ConfigError, match="'main' is no cyclic block of the plan") as raised:
        loop_of(without, run.open_store(), manifest, "main", 1)
    assert raised.value.expected == "a cyclic block; the plan has none"


def test_once_samples_are_dropped_kept_loops_remain_and_others_are_named(seen: tuple[RunConfig, Manifest]) -> None:
    run, manifest = seen
    store = run.open_store()
    sources = tuple(
        s.model_copy(update={"parts": tuple(p.model_copy(update={"dropped": True}) for p in s.parts)})
        for s in manifest.sources
    )
    gone = manifest.model_copy(update={"sources": sources})
    assert gone.closed
    kept = reasons(run, manifest)["after event 1"][0]
    found = loop_of(run, store, gone, "main", kept)
    assert not found.from_samples
    assert found.points.to_pydict() == loop_of(run, store, manifest, "main", kept).points.to_pydict()
    assert loop_of(run, store, gone, "main", 5000).points.num_rows >= 10  # one of those spaced evenly
    with pytest.raises(ConfigError, match=r"the loop of cycle 6,543 was not kept.*\n.*such as"):
        loop_of(run, store, gone, "main", 6543)


def test_how_the_cycles_came_does_not_matter() -> None:
    cycles = cycles_of(seed=5)
    for value, places in ((60.0, (5, 7000)), (40.0, (9, 9000))):  # equal values: the first one counts
        cycles.values["energy_j"][list(places)] = value
    cycles.values["motion_mean"][:] = np.nan
    bounds = [("a", "energy_j", None, 50.4, None), ("b", "energy_j", None, 50.4, (5000, 6000)),
              ("c", "no", 1.0, None, None)]  # fmt: skip
    once = reached_after(Reached(), cycles, bounds)
    some = Reached()
    for a, b in ((0, 10), (10, 3 * DAY), (3 * DAY, 3 * DAY), (3 * DAY, CYCLES)):
        some = reached_after(some, cycles.rows(a, b), bounds)
    assert some == once == Reached.model_validate_json(once.model_dump_json())
    y = cycles.values["energy_j"]
    assert ("energy_j", 1 + int(np.argmin(y)), float(y.min()), 1 + int(np.argmax(y)), float(y.max())) in once.extremes
    assert dict(once.beyond)["a"] == 1 + int(np.argmax(y > 50.4))
    assert 5000 <= dict(once.beyond).get("b", 5000) <= 6000
    assert "motion_mean" not in {name for name, *_ in once.extremes}


def test_reasons_of_one_cycle_are_joined_and_cycles_that_are_not_there_are_left_out() -> None:
    reached = Reached(first=1, last=90, extremes=(("backlash", 1, 0.1, 90, 0.2),))
    row = {"event": 1, "alarm": True, "cycle_low": 40, "cycle_high": 95}
    assert wanted_loops(reached, (20, 900), [row, row | {"event": 0, "cycle_low": 5}]) == {
        1: "first; smallest backlash", 20: "first of the baseline", 39: "before event 1", 90: "largest backlash; last",
    }  # fmt: skip
