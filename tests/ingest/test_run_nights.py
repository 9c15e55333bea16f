"""A log cut into nights anywhere gives what one reading of it gives, rows that were written again included."""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from benchpipe.errors import InputError
from benchpipe.pipeline import work
from benchpipe.store.run_store import RunStore
from tests.conftest import examples
from tests.ingest.driven import equal
from tests.ingest.taken import HEAD, Run, Taken, rows

FOLDERS = [HealthCheck.function_scoped_fixture]


def again(first: int, last: int, other: int, times: int = 1) -> str:
    """Rows written again after a resume; of ``other`` of them the content is another."""
    lines = rows(first, last).splitlines(keepends=True)
    odd = [f"{k / 100:.2f},-1,{k}\n" for k in range(first, first + other)]
    return "".join([*odd, *lines[other:]] * times)


CLOCKS = {
    "elapsed": 'column = "t"',
    "dated": 'column = "t"\nkind = "datetime"\nformat = "%Y-%m-%d %H:%M:%S.%f"',
    "time of day": 'column = "t"\nkind = "datetime"\nformat = "%H:%M:%S.%f"',
}
START = datetime(2026, 10, 25, 2, 59, 59)


def clocked(clock: str, first: int, count: int, other: bool) -> str:
    """Rows at 100 Hz by one of the clocks; the content follows from the time, or is another."""
    lines = []
    for k in range(first, first + count):
        when = START + timedelta(milliseconds=10 * k)
        stamp = f"{k / 100:.2f}" if clock == "elapsed" else f"{when:%Y-%m-%d %H:%M:%S.%f}"[:-3]
        stamp = stamp[11:] if clock == "time of day" else stamp
        lines.append(f"{stamp},{k * 3 % 997 + 1000 * other},{k * 7 % 991}\n")
    return "".join(lines)


def told(taken: Taken) -> tuple[object, ...]:
    """All that a reading says, but for the parts it stands in."""
    return (
        [(s[0], *map(str, s[2:])) for s in taken.samples],
        [(r["row"] + k, r["reason"]) for r in taken.rejects for k in range(r["rows"])],  # a night may part a stretch
        taken.manifest.account(), taken.codes, taken.texts,
    )  # fmt: skip


@settings(max_examples=examples(60), suppress_health_check=FOLDERS)
@example(60, 120, 3, 1, "", [len(HEAD) + len(rows(0, 100)) + 22])  # three other rows: the night takes it for a restart
@given(
    st.integers(0, 99), st.integers(80, 130), st.integers(0, 12), st.integers(1, 2), st.sampled_from(["", "x\n", HEAD]),
    st.lists(st.integers(len(HEAD) + 12, 2600), min_size=1, max_size=2),
)  # fmt: skip
def test_a_log_with_rows_written_again_cut_at_any_byte_is_that_log(
    tmp_path_factory: pytest.TempPathFactory, first: int, last: int, other: int, times: int, between: str,
    cuts: list[int],
) -> None:  # fmt: skip
    last = max(last, first + other + 1)
    text = HEAD + rows(0, 100) + between + again(first, last, other, times) + between + rows(last, 150)
    folder = tmp_path_factory.mktemp("nights")
    once, nights = Run(folder / "once"), Run(folder / "nights")
    once.write("a.csv", text)
    whole = once.take()
    for cut in sorted(cuts):
        nights.write("a.csv", text[:cut])
        nights.take()
    nights.write("a.csv", text)
    assert told(nights.take()) == told(whole)


@settings(max_examples=examples(40), suppress_health_check=FOLDERS)
@given(st.lists(st.integers(10, 1200), max_size=4), st.sampled_from([0, 1, 2]))
def test_any_nights_give_the_same_tables(tmp_path_factory: pytest.TempPathFactory, cuts: list[int], fault: int) -> None:
    text = (
        HEAD
        + [
            rows(0, 80) + "bad line\n" + rows(80, 100),
            rows(0, 60) + HEAD + rows(40, 100) + "x\n" * 3,
            rows(0, 60) + rows(0, 50, step=0.02) + "1.5,OVER,3\n",
        ][fault]
    )
    folder = tmp_path_factory.mktemp("nights")
    once = Run(folder / "once", force='missing = ["OVER"]\nstuck_after = 3')
    once.write("a.csv", text)
    whole = once.take()
    run = Run(folder / "nights", force='missing = ["OVER"]\nstuck_after = 3')
    for cut in [*sorted(cuts), len(text)]:
        run.write("a.csv", text[:cut])
        try:
            last = run.take()
        except InputError:  # nothing but a piece of the header yet
            assert cut < len(HEAD) + 20
    same = [(a[0], a[2], str(a[3]), a[4]) for a in whole.samples]
    assert [(a[0], a[2], str(a[3]), a[4]) for a in last.samples] == same
    assert [(r["row"], r["reason"]) for r in last.rejects] == [(r["row"], r["reason"]) for r in whole.rejects]
    assert last.manifest.account() == whole.manifest.account()


# rows: so many, after a step of the clock in rows, of the same content as before at these times or of another
STEPS = st.sampled_from([1, 1, 1, 3, 40, -1, -4, -30, -90, -360_000, 360_000, -60_000, -4_320_500])
STRETCHES = st.lists(st.tuples(st.integers(1, 60), STEPS, st.booleans()), min_size=2, max_size=5)


@settings(max_examples=examples(60), suppress_health_check=FOLDERS)
@given(st.sampled_from(sorted(CLOCKS)), STRETCHES, st.lists(st.floats(0, 1), min_size=1, max_size=3))
def test_whatever_the_clock_does_nights_change_nothing(
    tmp_path_factory: pytest.TempPathFactory, clock: str, stretches: list[tuple[int, int, bool]], cuts: list[float]
) -> None:
    text, at = HEAD + clocked(clock, 5_000_000, 60, False), 5_000_060
    for count, step, other in stretches:
        at += step - 1
        text += clocked(clock, at, count, other)
        at += count
    folder = tmp_path_factory.mktemp("nights")
    once, nights = (Run(folder / name, time=CLOCKS[clock]) for name in ("once", "nights"))
    once.write("a.csv", text)
    whole = once.take()
    for cut in sorted(cuts):
        nights.write("a.csv", text[: round(len(HEAD) + 40 + cut * (len(text) - len(HEAD) - 40))])
        nights.take()
    nights.write("a.csv", text)
    assert told(nights.take()) == told(whole)


def test_a_log_of_which_no_row_can_be_taken_is_refused_however_it_grew(tmp_path: Path) -> None:
    run = Run(tmp_path)
    for count in (5, 15, 19):
        run.write("a.csv", HEAD + "x,1,2\n" * count)
        assert run.take().codes["empty"] == count
    run.write("a.csv", HEAD + "x,1,2\n" * 40)
    with pytest.raises(InputError, match="no row of the log could be taken") as told:
        run.take()
    assert "a.csv:2" in str(told.value.where)


def cycling(first: int, last: int) -> str:
    """Rows at 100 Hz of 1 Hz from 3 to 87 N, with noise that follows from the row."""
    waves = ((k, 45 - 42 * math.cos(2 * math.pi * k / 100), k * 7919 % 101 / 200) for k in range(first, last))
    return "".join(f"{k / 100:.2f},{wave + noise:.3f},{wave / 20 + noise / 9:.4f}\n" for k, wave, noise in waves)


@settings(max_examples=examples(12), suppress_health_check=FOLDERS)
@given(st.integers(200, 900), st.integers(5, 300), st.integers(0, 6), st.lists(st.floats(0, 1), min_size=1, max_size=2))
def test_cycles_are_the_same_when_nights_end_inside_rows_written_again(
    tmp_path_factory: pytest.TempPathFactory, resumed: int, back: int, other: int, cuts: list[float]
) -> None:
    first = max(resumed - back, 0)
    repeat = cycling(first, resumed).splitlines(keepends=True)
    odd = [f"{k / 100:.2f},-9,-9\n" for k in range(first, first + min(other, back // 2))]
    before = HEAD + cycling(0, resumed)
    text = before + "".join([*odd, *repeat[len(odd) :]]) + cycling(resumed, 1200)
    folder = tmp_path_factory.mktemp("cycles")
    once, nights = Run(folder / "once"), Run(folder / "nights")
    once.write("a.csv", text)
    whole = work(once.config).manifest
    inside = [len(before) + round(cut * sum(map(len, repeat))) for cut in sorted(cuts)]
    for cut in [*inside, len(text)]:
        nights.write("a.csv", text[:cut])
        manifest = work(nights.config).manifest
    assert manifest.account() == whole.account()
    made = ((nights, manifest), (once, whole))
    mine, theirs = (RunStore(run.config.store, "run").read(m, "cycles") for run, m in made)
    assert theirs.num_rows > 10
    assert equal(mine, theirs)
