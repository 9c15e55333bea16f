"""Rows that stand twice in a run's logs count once under any clock and cut; a machine that repeats itself does not."""

from __future__ import annotations

import itertools
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from benchpipe.ingest import copies, landmark_pairs
from benchpipe.pipeline import work
from benchpipe.store.run_store import RunStore
from tests.conftest import examples
from tests.ingest.taken import HEAD, Run
from tests.test_states import spoil_step

Values = tuple[NDArray[np.float64], NDArray[np.float64]]


def signal(count: int, seed: int | None = 1, *, noise: float = 1.0, period: float = 100.0) -> Values:
    """Load and motion at 100 Hz (invented); without a seed they have no noise."""
    k = np.arange(count)
    extra = np.zeros((2, count)) if seed is None else np.random.default_rng(seed).normal(0, noise, (2, count))
    turn = k * 2 * np.pi / period
    return 500 + 400 * np.sin(turn) + extra[0], 5 * np.cos(turn) + 0.1 * extra[1]


def drifting(count: int, seed: int, step: float) -> Values:
    """Ten rows a cycle, noise of a tenth of the coarser converter's step, the same drift in each."""
    load, motion = signal(count, None, period=10.0)
    noise = np.random.default_rng(seed).normal(0, 0.1, (2, count))
    exact = load + np.arange(count) / 1000 + noise[0], motion + noise[1] / 80
    return np.rint(exact[0] / step) * step, np.rint(exact[1] / step * 80) * step / 80


def lines(values: Values, first: int, last: int, *, at: float = 0.0, digits: tuple[int, int] = (2, 4)) -> str:
    load, motion = values
    return "".join(
        f"{at + k / 100:.2f},{round(load[k], digits[0]):.{digits[0]}f},{round(motion[k], digits[1]):.{digits[1]}f}\n"
        for k in range(first, last)
    )


def run_of(folder: Path, files: dict[str, str]) -> Run:
    run = Run(folder)
    for name, text in files.items():
        run.write(name, HEAD + text)
    return run


def content(taken: Any) -> list[tuple[float, float]]:
    return sorted((force, stroke) for *_, force, stroke in taken.samples)


A = signal(4000)
B = signal(3000, 2)
WHOLE = {"day1.csv": lines(A, 0, 4000), "day2.csv": lines(B, 0, 3000, at=50.0)}
COPIES: dict[str, dict[str, str]] = {
    "an hour later": {"x.csv": lines(A, 0, 4000, at=3600.0)},
    "17.3 s later": {"x.csv": lines(A, 0, 4000, at=17.3)},
    "a piece": {"x.csv": lines(A, 1500, 2600, at=3600.0)},
    "a piece in the same time": {"x.csv": lines(A, 1500, 2600, at=3.0)},
    "in the same file": {"day2.csv": WHOLE["day2.csv"] + lines(B, 0, 3000, at=90.0)},
    "a piece in the same file": {"day2.csv": WHOLE["day2.csv"] + lines(B, 1000, 2000, at=90.0)},
    "of the other, appended": {"day2.csv": WHOLE["day2.csv"] + lines(A, 0, 4000, at=90.0)},
    "in the same file, and in another": {
        "day2.csv": WHOLE["day2.csv"] + lines(B, 0, 3000, at=90.0),
        "x.csv": lines(B, 0, 3000, at=600.0),
    },
    "cut into two": {"x1.csv": lines(A, 0, 1900, at=3600.0), "x2.csv": lines(A, 1900, 4000, at=3600.0)},
    "cut into many": {f"x{n:02}.csv": lines(A, a, b, at=600.0) for n, (a, b) in enumerate(
        itertools.pairwise([0, 300, 350, 900, 1000, 2500, 4000]))},
    "a piece, cut into logs too short to tell": {
        f"x{n:02}.csv": lines(A, 1000 + 40 * n, 1040 + 40 * n, at=3600.0) for n in range(20)
    },
    "two in one": {"x.csv": lines(A, 0, 4000, at=3600.0) + lines(B, 0, 3000, at=3650.0)},
    "one digit less": {"x.csv": lines(A, 0, 4000, at=3600.0, digits=(1, 3))},
    "a digit less, cut off": {"x.csv": lines((A[0] - 0.05, A[1] - 0.0005), 0, 4000, at=3600.0, digits=(1, 3))},
    "a digit less in one channel": {"x.csv": lines(A, 0, 4000, at=3600.0, digits=(1, 4))},
    "a digit less, a piece, in two files": {
        "x1.csv": lines(A, 200, 1900, at=3600.0, digits=(1, 3)),
        "x2.csv": lines(A, 1900, 3900, at=3600.0, digits=(1, 3)),
    },
}  # fmt: skip


@pytest.mark.parametrize("name", COPIES)
def test_a_copy_counts_once_on_any_night(tmp_path: Path, name: str) -> None:
    alone = run_of(tmp_path / "alone", WHOLE).take()
    together = run_of(tmp_path / "together", WHOLE | COPIES[name]).take()
    assert (len(together.samples), together.codes.get("moved-copy", 0) > 0) == (len(alone.samples), True)
    assert content(together) == content(alone)
    later, before = run_of(tmp_path / "later", WHOLE), run_of(tmp_path / "before", COPIES[name])
    later.take()
    before.take()
    for run, files in ((later, COPIES[name]), (before, {n: t for n, t in WHOLE.items() if n not in COPIES[name]})):
        for file, text in files.items():
            run.write(file, HEAD + text)
        nightly = run.take()
        assert [(t, *rest) for t, *rest in nightly.samples] == [(t, *rest) for t, *rest in together.samples]
        assert run.take().manifest == nightly.manifest


HONEST: dict[str, dict[str, str]] = {
    "noise-free": {f"a{n}.csv": lines(signal(4000, None), 0, 4000, at=n * 100.0) for n in range(3)},
    "noise-free, of a long period": {
        f"a{n}.csv": lines(signal(4000, None, period=1234.5), 0, 4000, at=n * 100.0) for n in range(2)
    },
    "noise-free, ten rows a cycle": {
        f"a{n}.csv": lines(signal(4000, None, period=10.0), 0, 4000, at=n * 100.0) for n in range(2)
    },
    "noise below a digit": {
        f"a{n}.csv": lines(signal(4000, n, noise=0.1), 0, 4000, at=n * 100.0, digits=(0, 1)) for n in range(3)
    },
    "noise below a digit, ten rows a cycle, the same drift each day": {
        f"a{n}.csv": lines(drifting(30_000, n, 1.0), 0, 30_000, at=n * 400.0, digits=(2, 6)) for n in range(4)
    },
    "other digits on other days": {
        f"a{n}.csv": lines(drifting(20_000, n, (1.0, 0.01)[n // 2]), 0, 20_000, at=n * 400.0, digits=(2, 6))
        for n in range(4)
    },
    "noise of a digit": {
        f"a{n}.csv": lines(signal(8000, n, noise=1.0), 0, 8000, at=n * 100.0, digits=(0, 1)) for n in range(3)
    },
    "other noise": {f"a{n}.csv": lines(signal(4000, n), 0, 4000, at=n * 100.0) for n in range(3)},
    "still": {f"a{n}.csv": "".join(f"{n * 100 + k / 100:.2f},7.00,1.0000\n" for k in range(4000)) for n in range(3)},
    "flicker": {
        f"a{n}.csv": "".join(f"{n * 100 + k / 100:.2f},{7 + k * k % 7 % 2},1.0000\n" for k in range(4000))
        for n in range(3)
    },
    "corners": {
        f"a{n}.csv": "".join(
            f"{n * 100 + k / 100:.2f},{abs(k % 100 - 50)}.00,{min(k % 100, 30)}.0000\n" for k in range(4000))
        for n in range(3)
    },
    "too short": {"a.csv": lines(A, 0, 2000), "b.csv": lines(A, 500, 600, at=90.0)},
}  # fmt: skip


@pytest.mark.parametrize("name", HONEST)
def test_a_machine_that_repeats_itself_is_no_copy(tmp_path: Path, name: str) -> None:
    taken = run_of(tmp_path, HONEST[name]).take()
    count = sum(text.count("\n") for text in HONEST[name].values())
    assert (len(taken.samples), "moved-copy" in taken.codes) == (count, False)


@pytest.mark.parametrize("name", ["an hour later", "a piece in the same file", "cut into many"])
def test_a_copy_changes_no_cycle(tmp_path: Path, name: str) -> None:
    tables = []
    for folder, nights in (("alone", [WHOLE]), ("whole", [WHOLE | COPIES[name]]), ("nights", [WHOLE, COPIES[name]])):
        run = Run(tmp_path / folder)
        plan = run.folder / "plan.toml"
        plan.write_text(plan.read_text().replace('"5 N"', '"100 N"').replace('"80 N"', '"900 N"'))
        for files in nights:
            for file, text in files.items():
                run.write(file, HEAD + text)
            outcome = work(run.config)
        tables.append(RunStore(run.config.store, run.config.name).read(outcome.manifest, "cycles"))
    assert tables[0].num_rows > 60
    assert tables[0].equals(tables[1])
    assert tables[1].equals(tables[2])


@pytest.mark.parametrize("nights", [[10, 290, 900, 4000], [1990, 2010, 4000], [4000]])
def test_a_copy_that_grows_is_one_at_last(tmp_path: Path, nights: list[int]) -> None:
    run = run_of(tmp_path, WHOLE)
    for count in nights:
        run.write("x.csv", HEAD + lines(A, 0, count, at=3600.0))
        taken = run.take()
    assert content(taken) == content(run_of(tmp_path / "alone", WHOLE).take())


def cut(name: str, values: Values, percents: list[int], *, at: float, digits: tuple[int, int]) -> dict[str, str]:
    """Logs of all rows, cut where so many percent of them are over."""
    ends = [0, *sorted({len(values[0]) * percent // 100 for percent in percents}), len(values[0])]
    return {
        f"{name}{n}.csv": lines(values, a, b, at=at, digits=digits) for n, (a, b) in enumerate(itertools.pairwise(ends))
    }


def bring(run: Run, files: dict[str, str]) -> None:
    """Write logs; which of them is the oldest does not depend on the night."""
    for name, text in files.items():
        os.utime(run.write(name, HEAD + text), ns=(ord(name[0]) << 50, ord(name[0]) << 50))


PERCENTS = st.lists(st.integers(1, 99), max_size=2)


@settings(max_examples=examples(75), suppress_health_check=[HealthCheck.function_scoped_fixture])
@example(2000, 4, 1, "x", [], [66], [0, 0, 0, 1, 2, 2, 2], 9)  # the last log is too short to tell
@example(2000, 8, 1, "x", [], [66, 99], [0, 0, 0, 0, 1, 2, 2], 9)
@example(8000, 0, 1, "x", [], [76], [0, 0, 0, 1, 2, 2, 2], 9)
@example(8000, 0, 2, "x", [], [76, 99], [0, 0, 0, 0, 1, 2, 2], 9)
@example(3000, 3, 0, "x", [], [73, 99], [0, 0, 0, 0, 1, 2, 2], 9)  # an exact copy, whose last log has no landmarks
@example(2000, 0, 0, "c", [], [1], [0, 0, 0, 0, 0, 0, 0], 2)  # the copy comes first, and grows
@given(
    st.integers(2000, 8000), st.integers(0, 99), st.integers(0, 2), st.sampled_from("cx"), PERCENTS, PERCENTS,
    st.lists(st.integers(0, 2), min_size=7, max_size=7), st.integers(0, 9),
)  # fmt: skip
def test_nights_change_no_copy(
    tmp_path_factory: pytest.TempPathFactory, count: int, seed: int, less: int, name: str, own: list[int],
    copied: list[int], nights: list[int], grows: int,
) -> None:  # fmt: skip
    values = signal(count, seed)
    files = cut("m", values, own, at=0.0, digits=(3, 5)) | {"n.csv": lines(signal(1500, 100), 0, 1500, at=500.0)}
    files |= cut(name, values, copied, at=3600.0, digits=(3 - less, 5 - less))
    folder = tmp_path_factory.mktemp("nights")
    once, run = Run(folder / "once"), Run(folder / "run")
    bring(once, files)
    whole = once.take()
    short = dict(list(files.items())[grows : grows + 1])  # on its night half of it is there, and all of it at last
    for night in range(3):
        some = {file: text for k, (file, text) in enumerate(files.items()) if nights[k] == night}
        bring(run, {file: text[: len(text) // 2] if file in short else text for file, text in some.items()})
        if some:
            run.take()
    bring(run, short)
    taken = run.take()
    assert (taken.samples, taken.rejects, taken.codes, taken.texts) == (
        whole.samples, whole.rejects, whole.codes, whole.texts,
    )  # fmt: skip
    assert run.take().manifest == taken.manifest


def test_a_copy_that_goes_on_in_other_logs_is_judged_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    judged: list[object] = []
    tells = copies._tells
    monkeypatch.setattr(copies, "_tells", lambda *given: judged.append(given) or tells(*given))
    run = run_of(tmp_path, {"m.csv": lines(A, 0, 4000), "n.csv": lines(B, 0, 3000, at=50.0)})
    bring(run, {f"x{n}.csv": lines(A, 400 * n, 400 * n + 400, at=3600.0, digits=(1, 3)) for n in range(10)})
    bring(run, {"y.csv": lines(signal(1000, 3), 0, 1000, at=3700.0, digits=(1, 3))})
    assert (run.take().codes["moved-copy"], len(judged)) == (400, 1)  # of the last log


def test_logs_that_overlap_are_no_copies(tmp_path: Path) -> None:
    run = run_of(tmp_path, {"a.csv": lines(A, 0, 2500), "b.csv": lines(A, 1500, 4000)})
    assert run.take().codes == {"repeats": 1000}


def test_a_machine_that_repeats_itself_in_short_logs_is_no_copy_at_last(tmp_path: Path) -> None:
    noise = np.random.default_rng(1).normal(0, 100, 1000)
    values = 500 + np.tile(noise, 9), np.tile(noise, 9) / 100
    run, lost = Run(tmp_path), []
    for night in range(9):
        run.write(f"a{night}.csv", HEAD + lines(values, night * 1000, night * 1000 + 1000))
        lost.append(1000 * (night + 1) - len(run.take().samples))
    assert lost == [0, 1000, 2000, 3000, 0, 0, 0, 0, 0]  # no night before can know


def test_a_machine_that_repeats_itself_is_not_followed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(copies, "NEAR", 4500)
    noise = np.random.default_rng(1).normal(0, 100, 1000)
    values = 500 + np.tile(noise, 12), np.tile(noise, 12) / 100
    run = run_of(tmp_path, {f"a{n:02}.csv": lines(values, n * 1000, n * 1000 + 1000) for n in range(12)})
    (state,) = run.take().manifest.steps["ingest"].state["copies"]
    assert [len(found) for _, found in state["logs"]] == [0, 1, 2, 3, 3, *[0] * 7]


def test_a_machine_at_rest_after_a_copy_is_no_copy(tmp_path: Path) -> None:
    at_rest = (np.full(200, 7.0), np.full(200, 1.0))
    files = {"a1.csv": lines(A, 0, 4000), "a2.csv": lines(at_rest, 0, 200, at=40.0) + lines(B, 0, 3000, at=42.0)}
    files |= {"x1.csv": lines(A, 0, 4000, at=3600.0), "x2.csv": lines(at_rest, 0, 200, at=3640.0)}
    files["x2.csv"] += lines(signal(3000, 3), 0, 3000, at=3642.0)
    for folder, nights in (("once", [files]), ("nights", [{file: text} for file, text in files.items()])):
        run = Run(tmp_path / folder)
        for some in nights:
            bring(run, some)
            taken = run.take()
        assert (len(taken.samples), taken.codes["moved-copy"]) == (10_400, 4000)


def test_copies_kept_by_an_older_program_are_looked_for_once_more(tmp_path: Path) -> None:
    run = run_of(tmp_path, WHOLE | COPIES["a piece"])
    taken = run.take()
    spoil_step(run, "ingest", lambda state: state.update(copies=[{"parts": {"logs/x.csv": "0" * 64}, "found": []}]))
    once_more = run.take()
    assert (once_more.manifest.steps, once_more.read) == (taken.manifest.steps, ())


def test_logs_that_did_not_change_are_not_compared_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(copies, "NEAR", 1000)
    monkeypatch.setattr(landmark_pairs, "REACH", 1000)  # all that is near a new log is in the log before it
    run = run_of(tmp_path, WHOLE | {"day1b.csv": COPIES["a piece"]["x.csv"]})
    run.take()
    monkeypatch.setattr(copies.SampleReader, "rows", lambda *_: pytest.fail("rows of an old log were read"))
    run.write("day3.csv", HEAD + lines(signal(2000, 3), 0, 2000, at=90.0))
    assert run.take().codes["moved-copy"] == 1100
