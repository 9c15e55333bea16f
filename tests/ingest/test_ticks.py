"""A clock coarser than the sampling: no row is lost, none is new, and no cut changes a time."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchpipe.blocks.cyclic.tables import CycleFlag
from benchpipe.config.rig import TimeConfig
from benchpipe.ingest.clock import LATE, Clock
from benchpipe.ingest.rows import Rows, joined
from benchpipe.ingest.ticks import HEAD as FIRST_ROWS
from benchpipe.ingest.ticks import THIN, Ticks, most_rows, offsets_us
from benchpipe.pipeline import work
from benchpipe.store.run_store import RunStore
from tests.ingest.taken import HEAD, Run

TICK = 100_000
FOUND = {"column": "t", "sample_rate": "50 Hz"}
DECLARED = {**FOUND, "resolution": "0.1 s"}
FINE = {"column": "t", "sample_rate": "100 Hz"}
SHORTER = {"column": "t", "sample_rate": "100 Hz", "resolution": "0.01 s"}


def rows(stamps: Any, content: Any = None) -> Rows:
    """Rows whose content tells them apart, unless given."""
    stamps = np.asarray(stamps, np.int64)
    value = np.arange(stamps.size) if content is None else np.asarray(content)
    return Rows(np.arange(1, stamps.size + 1), stamps, {"force": value.astype(np.float32)})


def placed(given_rows: Rows, time: dict[str, Any], cuts: list[int] | None = None) -> dict[str, Any]:
    """A log in any pieces, by its ticks and its clock."""
    config = TimeConfig.model_validate(time)
    ticks, clock = Ticks(config), Clock(config)
    edges = sorted({0, len(given_rows), *(min(c, len(given_rows)) for c in cuts or [])})
    done = [clock.place(ticks.spread(given_rows.part(slice(a, b)))) for a, b in itertools.pairwise(edges)]
    held = ticks.finish()
    done += [clock.place(held)] if held is not None else []
    done.append(clock.finish())
    pieces = [r for p in done for r in p.rows]
    taken = joined(pieces) if pieces else given_rows.part(slice(0, 0))
    early = [int(row) for p in done for rows in p.early for row in rows.row]
    rejects = [(r.row + k, r.reason) for p in done for r in p.rejects for k in range(r.rows)]
    return {
        "row": taken.row.tolist(), "time": taken.time_us.tolist(), "repeats": sum(p.repeats for p in done),
        "rejects": sorted([*rejects, *((row, LATE) for row in early)]), "early": early,
        "kept": ticks.kept, "stamps": ticks.stamps,
    }  # fmt: skip


def sampled(count: int, rate: float = 50.0, tick_us: int = TICK, jitter: float = 0.0) -> Any:
    """Stamps of rows at a rate, as a clock shows them that counts in ticks."""
    draw = np.random.default_rng(3)
    true = (np.arange(count) + 0.15 + jitter * draw.uniform(0, 1, count)) / rate * 1e6
    return true, (true // tick_us).astype(np.int64) * tick_us


@pytest.mark.parametrize("time", [FOUND, DECLARED])
@pytest.mark.parametrize("jitter", [0.0, 0.8])
def test_every_row_is_kept_in_order_and_within_the_step_of_the_clock(time: dict[str, Any], jitter: float) -> None:
    true, stamps = sampled(6000, jitter=jitter)
    found = placed(rows(stamps), time)
    assert (found["row"], found["rejects"], found["repeats"]) == (list(range(1, 6001)), [], 0)
    assert (np.diff(found["time"]) > 0).all()
    assert np.abs(np.array(found["time"]) - true).max() < TICK
    assert found["kept"] == 6000 - np.unique(stamps).size
    if not jitter:
        assert set(np.diff(found["time"])) == {20_000}


@pytest.mark.parametrize(("rate", "tick_us"), [(100, TICK), (50, 1_000_000), (10, 1_000_000), (1000, 1_000_000)])
@pytest.mark.parametrize("pause", [0, 40])
def test_a_step_of_the_clock_longer_than_a_gap_is_found(rate: int, tick_us: int, pause: int) -> None:
    true, stamps = sampled(9000, rate, tick_us)
    stamps[3000:] += pause * tick_us
    found = placed(rows(stamps), {"column": "t", "sample_rate": f"{rate} Hz"}, [7, 5000])
    assert (found["row"], found["rejects"]) == (list(range(1, 9001)), [])
    assert np.abs(np.array(found["time"])[:3000] - true[:3000]).max() < tick_us
    assert found["kept"] == 9000 - np.unique(stamps).size


@pytest.mark.parametrize(
    ("rate", "tick_us", "most"),
    [
        (50, 100_000, 6),
        (128, 10_000, 2),
        (100, 10_000, 2),
        (99, 10_000, 1),
        (1e3, 1e6, 1001),
        (1e6, 86_400_000_000, 131_073),
    ],
)
def test_a_stamp_has_rate_times_step_plus_one_rows(rate: float, tick_us: int, most: int) -> None:
    offsets = offsets_us(rate, int(tick_us))
    assert (most_rows(rate, int(tick_us)), offsets.size) == (most, most)
    assert offsets[0] == 0
    assert offsets[-1] < tick_us
    assert (np.diff(offsets) > 0).all()


def test_more_rows_than_a_stamp_may_have_are_rejects() -> None:
    stamps = np.repeat(np.arange(2000) * TICK, 5)
    many = np.insert(stamps, 9000, [stamps[9000]] * 4)
    early = np.insert(stamps, 100, [stamps[100]] * 4)
    for time in (FOUND, DECLARED):
        for given_rows, at in ((many, 9007), (early, 107)):
            found = placed(rows(given_rows), time)
            assert [line for line, _ in found["rejects"]] == [at, at + 1, at + 2]
            assert len(found["row"]) == 10_001


def test_a_log_with_too_many_rows_a_stamp_for_its_rate_is_read_as_one_with_a_fine_clock() -> None:
    found = placed(rows(np.repeat(np.arange(1000) * TICK, 8)), FOUND)
    assert (len(found["row"]), len(found["rejects"])) == (1000, 7000)


@pytest.mark.parametrize("back", [1, 3, 50, 300])
@pytest.mark.parametrize("late", [1, 2, 3])
def test_rows_that_go_back_stay_rejects_and_the_stamp_goes_on_after_them(back: int, late: int) -> None:
    _, stamps = sampled(5000)
    odd = np.insert(stamps, 4002, [stamps[4002] - back * TICK] * late)
    content = np.insert(np.arange(5000), 4002, [-1] * late)
    for time in (FOUND, DECLARED):
        found = placed(rows(odd, content), time)
        assert found["rejects"] == [(4003 + k, LATE) for k in range(late)]
        assert found["time"] == placed(rows(stamps), time)["time"]


def test_rows_again_after_a_resume_are_repeats_wherever_it_stopped() -> None:
    _, stamps = sampled(1000)
    for stop in range(500, 507):
        again = [*range(stop), *range(400, 1000)]
        found = placed(rows(stamps[again], again), DECLARED)
        assert (len(found["row"]), found["repeats"], found["rejects"]) == (1000, stop - 400, [])


def test_single_rows_written_twice_and_glitches_are_no_coarse_clock() -> None:
    ticks = np.repeat(np.arange(400) * 20_000, 2)
    found = placed(rows(ticks, np.repeat(np.arange(400), 2)), {"column": "t", "sample_rate": "100 Hz"})
    assert (len(found["row"]), found["repeats"]) == (400, 400)
    other = placed(rows(np.repeat(np.arange(400) * 10_000, 2)), FINE)  # two logs in one, at the declared rate each
    assert (len(other["row"]), len(other["rejects"])) == (400, 400)
    fine = placed(rows(np.insert(np.arange(400), 200, 200) * 10_000), FINE)
    assert (len(fine["row"]), len(fine["rejects"])) == (400, 1)


def test_rows_spaced_by_strain_are_kept_where_a_stamp_has_two() -> None:
    draw = np.random.default_rng(5)
    stamps = np.repeat(np.arange(3000), 1 + (draw.uniform(0, 1, 3000) < 0.4)) * 10_000
    for time in (FINE, SHORTER):
        found = placed(rows(stamps), time)
        assert (len(found["row"]), found["rejects"]) == (stamps.size, [])


def test_a_still_start_is_no_reason_to_drop_rows() -> None:
    _, stamps = sampled(800)
    found = placed(rows(stamps, np.maximum(np.arange(800) - 400, 0)), FOUND)
    assert (len(found["row"]), found["repeats"]) == (800, 0)


STAMPS = st.lists(st.tuples(st.integers(1, 6), st.sampled_from([1, 1, 1, 2, 9])), min_size=1, max_size=40)
ODD = st.lists(st.tuples(st.integers(0, 200), st.sampled_from([-1, -2, -40, 0, 0, 0])), max_size=3)


@given(
    STAMPS,
    ODD,
    st.lists(st.integers(0, 250), max_size=6),
    st.sampled_from([FOUND, DECLARED, FINE, SHORTER]),
    st.booleans(),
)
def test_any_cutting_gives_the_same(
    stamps: list[tuple[int, int]], odd: list[tuple[int, int]], cuts: list[int], time: dict[str, Any], still: bool
) -> None:
    at = list(itertools.accumulate(step for _, step in stamps))
    times = [t * TICK for t, (count, _) in zip(at, stamps, strict=True) for _ in range(count)]
    for place, back in odd:
        times.insert(place, times[min(place, len(times) - 1)] + back * TICK)
    given_rows = rows(times, np.zeros(len(times)) if still else None)
    whole = placed(given_rows, time)
    assert placed(given_rows, time, cuts) == whole == placed(given_rows, time, list(range(len(times))))
    assert len(whole["row"]) + len(whole["rejects"]) + whole["repeats"] == len(times)
    assert (np.diff(whole["time"]) > 0).all()


def text(stamps: list[int]) -> list[str]:
    return [f"{us / 1e6:.2f},{k * 3 % 997},{k * 7 % 991}\n" for k, us in enumerate(stamps)]


def run_of(folder: Path, time: dict[str, Any]) -> Run:
    run = Run(folder, time="\n".join(f'{key} = "{value}"' for key, value in time.items() if key != "sample_rate"))
    rig = folder / "rig.toml"
    rig.write_text(rig.read_text().replace('"100 Hz"', f'"{time["sample_rate"]}"'))
    return run


@settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(STAMPS, st.lists(st.integers(1, 150), min_size=1, max_size=5, unique=True), st.sampled_from([FOUND, DECLARED]))
def test_cut_into_files_and_grown_by_night_the_stored_rows_are_the_same(
    tmp_path_factory: pytest.TempPathFactory, stamps: list[tuple[int, int]], cuts: list[int], time: dict[str, Any]
) -> None:
    folder = tmp_path_factory.mktemp("ticks")
    at = list(itertools.accumulate(step for _, step in stamps))
    lines = text([t * TICK for t, (count, _) in zip(at, stamps, strict=True) for _ in range(count)])
    edges = sorted({0, len(lines), *(min(c, len(lines)) for c in cuts)})
    one, many, grown = (run_of(folder / name, time) for name in ("one", "many", "grown"))
    one.write("a.csv", HEAD + "".join(lines))
    for number, (a, b) in enumerate(itertools.pairwise(edges)):
        many.write(f"a{number}.csv", HEAD + "".join(lines[a:b]))
        grown.write("a.csv", HEAD + "".join(lines[:b]))
        nightly = grown.take()
    whole, parts = one.take(), many.take()
    short = min(b - a for a, b in itertools.pairwise(edges)) < 20
    if time is FOUND and (short or 6 in (count for count, _ in stamps)):
        assert parts.manifest.account().rows == len(lines)  # a piece may be too short to show the step of its clock
    else:
        assert len(whole.samples) == len(lines)
        assert [(s[0], *s[3:]) for s in parts.samples] == [(s[0], *s[3:]) for s in whole.samples]
    assert nightly.samples == whole.samples


def thinned(count: int, gone: int, at: int) -> list[int]:
    """Stamps at 50 Hz to 0.1 s, of one of which rows are gone."""
    stamps: list[int] = sampled(count)[1].tolist()
    first = 5 * at
    return stamps[:first] + stamps[first + gone :]


@pytest.mark.parametrize(("gone", "seen"), [(1, 0), (2, 0), (3, 1), (4, 1)])
@pytest.mark.parametrize("time", [FOUND, DECLARED])
def test_a_stamp_that_lacks_most_rows_is_marked(tmp_path: Path, time: dict[str, Any], gone: int, seen: int) -> None:
    whole, grown = run_of(tmp_path / "whole", time), run_of(tmp_path / "grown", time)
    lines = text(thinned(1000, gone, 100))
    whole.write("a.csv", HEAD + "".join(lines))
    for night in (499, 501, 505, len(lines)):
        grown.write("a.csv", HEAD + "".join(lines[:night]))
        taken = grown.take()
    assert (taken.samples, taken.rejects, taken.codes) == (whole.take().samples, whole.take().rejects, taken.codes)
    assert len(taken.samples) == 1000 - gone
    where = [(one["row"], one["rows"], one["reason"]) for one in taken.rejects]
    assert where == [(507 - gone, 0, THIN)] * seen
    assert ("thin-stamps" in taken.codes) == bool(seen)


@pytest.mark.parametrize("gone", [2, 4])
def test_a_stamp_that_lacks_rows_at_the_border_of_a_file_is_marked_once(tmp_path: Path, gone: int) -> None:
    """Samples around it, by own rows of the files; the stamp before may be split too."""
    lines = text(thinned(1000, gone, 100))
    whole = run_of(tmp_path / "whole", DECLARED)
    whole.write("a.csv", HEAD + "".join(lines))
    for cuts in ([k] for k in range(494, 508)), ([500, 501], [499, 501], [498, 499], [501, 502], [497, 500, 503]):
        for cut in cuts:
            run = run_of(tmp_path / "-".join(map(str, cut)), DECLARED)
            for k, (a, b) in enumerate(itertools.pairwise([0, *cut, len(lines)])):
                run.write(f"a{k}.csv", HEAD + "".join(lines[a:b]))
            taken, marked = run.take(), 500 + 5 - gone
            starts = dict(zip((f"logs/a{k}.csv" for k in range(4)), [0, *cut], strict=False))
            found = [starts[one["file"]] + one["row"] - 2 for one in taken.rejects if one["reason"] == THIN]
            assert found == ([marked] if gone == 4 else []), cut
            assert taken.codes.get("thin-stamps", 0) == (gone == 4)
            assert [s[0] for s in taken.samples] == [s[0] for s in whole.take().samples]
            assert run.take().manifest == taken.manifest


def test_a_slower_rate_is_no_loss(tmp_path: Path) -> None:
    run = run_of(tmp_path, DECLARED)
    stamps = [k // 2 * TICK for k in range(400)]
    run.write("a.csv", HEAD + "".join(text(stamps)))
    assert run.take().rejects == []


def test_a_cycle_that_lacks_rows_of_a_stamp_is_flagged(tmp_path: Path) -> None:
    turn = np.arange(1000) * np.pi / 25
    wave = [
        f"{us / 1e6:.1f},{40 + 38 * np.sin(at):.3f},{np.sin(at - 0.2):.4f}\n"
        for us, at in zip(sampled(1000)[1].tolist(), turn, strict=True)
    ]
    for name, gone, flags in (("whole", 0, 0), ("thin", 4, int(CycleFlag.LOST_ROWS))):
        run = run_of(tmp_path / name, DECLARED)
        run.write("a.csv", HEAD + "".join(wave[:520] + wave[520 + gone :]))
        outcome = work(run.config)
        cycles = RunStore(run.config.store, run.config.name).read(outcome.manifest, "cycles")
        complete = cycles.filter(cycles.column("complete"))
        odd = [flag for flag in complete.column("flags").to_pylist() if flag]
        assert (complete.num_rows > 15, odd) == (True, [flags] if flags else []), name


def test_where_no_step_is_found_a_remark_names_the_key(tmp_path: Path) -> None:
    run = run_of(tmp_path, FOUND)
    run.write("a.csv", HEAD + "".join(text(np.repeat(np.arange(200) * TICK, 20).tolist())))
    taken = run.take()
    assert taken.codes["late"] == 3800
    assert "[time] resolution" in taken.texts
    assert "sample_rate" in taken.texts


def test_the_log_says_so(tmp_path: Path) -> None:
    run = run_of(tmp_path, FOUND)
    run.write("a.csv", HEAD + "".join(text(sampled(1000)[1].tolist())))
    taken = run.take()
    assert (len(taken.samples), taken.codes) == (1000, {"coarse-clock": 800})
    assert "counts in steps of 0.1 s" in taken.texts
    assert FIRST_ROWS > 1000  # decided at the end of the log: a longer one is read whole
    assert taken.manifest.sources[0].state is None
