"""Rows that stand in the logs of a run twice, and others at their times."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from benchpipe.ingest import overlap
from tests.ingest.taken import HEAD, Run, rows


def test_rows_again_after_a_resume_are_dropped_inside_a_file_and_across_files(tmp_path: Path) -> None:
    run = Run(tmp_path)
    run.write("a1.csv", HEAD + rows(0, 100) + HEAD + rows(70, 150))
    run.write("a2.csv", HEAD + rows(120, 200))
    taken = run.take()
    assert [s[0] for s in taken.samples] == [k * 10_000 for k in range(200)]
    assert taken.manifest.account().repeats == 60
    assert taken.codes["repeats"] == 30
    assert [r["reason"] for r in taken.rejects] == ["header repeated"]


def test_rows_again_are_found_over_several_files(tmp_path: Path) -> None:
    run = Run(tmp_path)
    run.write("a1.csv", HEAD + rows(0, 100))
    run.write("a2.csv", HEAD + rows(100, 105))
    run.write("a3.csv", HEAD + rows(80, 200))
    taken = run.take()
    assert [s[0] for s in taken.samples] == [k * 10_000 for k in range(200)]
    assert taken.manifest.account().repeats == 25


@pytest.mark.parametrize("gap", [5, 50])
def test_other_rows_at_times_that_are_over_are_rejects_across_files_too(tmp_path: Path, gap: int) -> None:
    run = Run(tmp_path, time=f'column = "t"\ngap_samples = {gap}')
    other = "".join(f"{k / 100:.2f},-1,-1\n" for k in range(100 - gap + 1, 100))
    run.write("a1.csv", HEAD + rows(0, 100))
    run.write("a2.csv", HEAD + other + rows(100, 150))
    taken = run.take()
    assert [s[0] for s in taken.samples] == [k * 10_000 for k in range(150)]
    assert [(r["file"], r["row"], r["rows"], r["reason"]) for r in taken.rejects] == [
        ("logs/a2.csv", 2, gap - 1, "the time does not rise")
    ]
    assert taken.codes["late"] == gap - 1
    assert run.take().manifest == taken.manifest


def test_what_did_not_change_is_not_compared_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run = Run(tmp_path)
    for name, text in (("a1", rows(0, 100)), ("a2", rows(60, 150)), ("a3", rows(500, 600, shift=-5.0))):
        run.write(f"{name}.csv", HEAD + text)
    before = run.take()
    monkeypatch.setattr(overlap, "rows_until", lambda *_: pytest.fail("rows of an old log were read"))
    run.write("b1.csv", HEAD + rows(200, 300))
    after = run.take()
    assert after.manifest.placed[:3] == before.manifest.placed
    assert after.samples[: len(before.samples)] == before.samples


def test_other_content_at_the_same_time_is_no_repeat_but_a_restart(tmp_path: Path) -> None:
    run = Run(tmp_path)
    run.write("a1.csv", HEAD + rows(0, 100))
    run.write("a2.csv", HEAD + rows(500, 600, shift=-5.0))
    taken = run.take()
    assert len(taken.samples) == 200
    assert taken.manifest.account().repeats == 0


@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.integers(1, 179), min_size=1, max_size=3, unique=True))
def test_however_a_log_is_cut_into_files_its_samples_are_the_same(
    tmp_path_factory: pytest.TempPathFactory, cuts: list[int]
) -> None:
    lines = (rows(0, 100) + rows(70, 150)).splitlines(keepends=True)
    edges = [0, *sorted(cuts), len(lines)]
    # Not tried: a file whose clock falls back before its first row, and that ends there. It reads as a restart.
    assume(not any(70 < a < 100 < b <= a + 30 for a, b in itertools.pairwise(edges)))
    folder = tmp_path_factory.mktemp("files")
    one = Run(folder / "one")
    one.write("a.csv", HEAD + "".join(lines))
    many = Run(folder / "many")
    for number, (a, b) in enumerate(itertools.pairwise(edges)):
        many.write(f"a{number}.csv", HEAD + "".join(lines[a:b]))
    whole, parts = one.take(), many.take()
    assert [(s[0], *s[3:]) for s in parts.samples] == [(s[0], *s[3:]) for s in whole.samples]
    assert parts.manifest.account()[1:] == whole.manifest.account()[1:]
