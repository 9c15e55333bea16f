"""A copy of a dated log whose clock was moved counts once; logs that are only alike count each."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from benchpipe.ingest import moved
from tests.ingest.taken import DATED, HEAD, Run

BEGIN = datetime(2026, 3, 1, 10)


def dated(count: int, *, at: float = 0.0, seed: int | None = 1, first: int = 0) -> str:
    """Rows at 100 Hz: two noisy channels, or (without a seed) two that come again each second."""
    lines = []
    k = np.arange(1000)
    noise = np.zeros((2, k.size)) if seed is None else np.random.default_rng(seed).normal(0, 1, (2, k.size))
    load, motion = 500 + 400 * np.sin(k * np.pi / 50) + noise[0], 5 * np.cos(k * np.pi / 50) + 0.1 * noise[1]
    for i in range(first, first + count):
        when = BEGIN + timedelta(seconds=at + i / 100)
        lines.append(f"{when:%Y-%m-%d %H:%M:%S.%f},{load[i]:.2f},{motion[i]:.4f}\n")
    return HEAD + "".join(lines)


@pytest.mark.parametrize("by", [3600.0, -3600.0, 0.01, -0.01, 7 * 86_400.0])
@pytest.mark.parametrize("count", [600, 350])
def test_a_copy_with_its_clock_moved_counts_once(tmp_path: Path, by: float, count: int) -> None:
    run = Run(tmp_path, time=DATED)
    run.write("day1.csv", dated(600))
    run.write("day2.csv", dated(600, at=20_000.0, seed=2))
    alone = run.take()
    run.write("copy.csv", dated(count, at=by))
    taken = run.take()
    assert [(s[0], *s[2:]) for s in taken.samples] == [(s[0], *s[2:]) for s in alone.samples]
    assert (taken.codes["moved-copy"], taken.manifest.account().repeats) == (count, count)
    assert f"day1.csv again, its clock moved by {by:+,g} s" in taken.texts
    assert run.take().manifest == taken.manifest


@pytest.mark.parametrize("by", [0.01, -2.0])
def test_a_signal_without_noise_is_a_copy_where_both_lie_in_the_same_time(tmp_path: Path, by: float) -> None:
    run = Run(tmp_path, time=DATED)
    run.write("a.csv", dated(600, seed=None))
    run.write("copy.csv", dated(600, at=by, seed=None))
    assert (run.take().codes["moved-copy"], len(run.take().samples)) == (600, 600)


def test_a_copy_is_not_read_again_each_night(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run = Run(tmp_path, time=DATED)
    run.write("a1.csv", dated(300))
    run.write("copy.csv", dated(300, at=3600.0))
    run.take()
    monkeypatch.setattr(moved, "rows_until", lambda *_: pytest.fail("rows of an old log were read"))
    run.write("a2.csv", dated(300, at=50.0, seed=3))
    assert run.take().codes["moved-copy"] == 300


@pytest.mark.parametrize("nights", [[10, 290, 400], [400], [257, 258, 259, 400]])
def test_a_copy_that_grows_is_one_at_last(tmp_path: Path, nights: list[int]) -> None:
    run = Run(tmp_path, time=DATED)
    run.write("day.csv", dated(400))
    for count in nights:
        run.write("other.csv", dated(count, at=3600.0))
        taken = run.take()
    assert len(taken.samples) == 400


def test_logs_that_are_alike_and_no_copies_count_each(tmp_path: Path) -> None:
    for name, texts, count in (
        ("another day", (dated(400, seed=None), dated(400, at=86_400.0, seed=None)), 800),
        ("an hour later", (dated(400, seed=None), dated(400, at=3600.0, seed=None)), 800),
        ("pieces", (dated(400, seed=None), dated(400, at=0.0, seed=None, first=400)), 800),
        ("still", (HEAD + "".join(f"2026-03-01 1{h}:00:{s:02}.000,1,2\n" for s in range(60)) for h in (0, 1)), 120),
    ):
        run = Run(tmp_path / name, time=DATED)
        for number, text in enumerate(texts):
            run.write(f"a{number}.csv", text)
        taken = run.take()
        assert (len(taken.samples), "moved-copy" in taken.codes) == (count, False), name
