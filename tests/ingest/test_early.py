"""Rows that come late and lie before the first row of their file: wherever a log is cut, they end in the same place."""

from __future__ import annotations

import itertools
import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchpipe.ingest import overlap
from benchpipe.ingest.early import content_of
from benchpipe.ingest.rows import Rows
from benchpipe.store.manifest import Account
from benchpipe.store.run_store import RunStore
from tests.ingest.taken import DATED, HEAD, Run, Taken, rows

CLOCKS = {
    "elapsed": 'column = "t"',
    "dated": DATED,
    "time of day": DATED.replace("%Y-%m-%d ", ""),
}


def lines_of(first: int, last: int, begun: int = 0) -> list[str]:
    """Rows at 100 Hz, whose content says how often the clock had begun again too."""
    return rows(first + 500 * begun, last + 500 * begun, shift=-5.0 * begun).splitlines()


def stamped(lines: list[str], clock: str) -> list[str]:
    """The same rows under another clock."""
    if clock == "elapsed":
        return lines
    day = "2030-05-01 " if clock == "dated" else ""
    found = []
    for line in lines:
        time, _, rest = line.partition(",")
        found.append(f"{day}10:{int(float(time)) // 60:02}:{float(time) % 60:09.6f},{rest}")
    return found


def outcome(taken: Taken) -> tuple[list[tuple[float, ...]], Account]:
    """Samples by time and content, and the account of rows without headers that are written again."""
    account = taken.manifest.account()
    headers = sum(r["rows"] for r in taken.rejects if r["reason"] != "the time does not rise")
    account = account._replace(rows=account.rows - headers, rejects=account.rejects - headers)
    return [(s[0], *s[3:]) for s in taken.samples], account


def ways(lines: list[str], cuts: list[int], folder: Path, clock: str) -> list[tuple[list[tuple[float, ...]], Account]]:
    """What is taken of a log in one file, in several, in several night by night, and of one that grows."""
    lines, edges = stamped(lines, clock), [0, *cuts, len(lines)]
    texts = {f"a{k}.csv": lines[a:b] for k, (a, b) in enumerate(itertools.pairwise(edges))}
    nights = {
        "one": [{"a.csv": lines}],
        "files": [texts],
        "nights": [{name: text} for name, text in texts.items()],
        "grows": [{"a.csv": lines[:end]} for end in edges[1:]],
    }
    found = []
    for way, some in nights.items():
        run = Run(folder / way, time=CLOCKS[clock])
        for night in some:
            for name, text in night.items():
                run.write(name, HEAD + "\n".join(text) + "\n")
            taken = run.take()
        found.append(outcome(taken))
    return found


@pytest.mark.parametrize("clock", CLOCKS)
@pytest.mark.parametrize("border", range(1, 5))
def test_copies_before_the_first_row_of_their_file_are_repeats_and_others_rejects(
    tmp_path: Path, clock: str, border: int
) -> None:
    other = f"{0.49:.2f},-5,-5"
    lines = [*lines_of(0, 52), *lines_of(50, 52), other, *lines_of(52, 100)]
    whole, *others = ways(lines, [50 + border], tmp_path, clock)
    assert whole[1] == Account(rows=103, samples=100, rejects=1, repeats=2)
    assert others == [whole] * 3


def test_where_each_row_is_and_what_is_said(tmp_path: Path) -> None:
    run = Run(tmp_path)
    run.write("a1.csv", HEAD + rows(0, 51))
    run.write("a2.csv", HEAD + rows(51, 52) + rows(49, 52) + "0.49,-5,-5\n" + rows(52, 100))
    taken = run.take()
    source, place = taken.manifest.sources[1], taken.manifest.placed[1]
    assert (source.early, source.rejects, source.repeats, place.early) == (3, 0, 1, ((3, 2),))
    assert [(r["file"], r["row"], r["rows"], r["reason"]) for r in taken.rejects] == [
        ("logs/a2.csv", 6, 1, "the time does not rise")
    ]
    assert "2 row(s) repeat the file before and are left out" in taken.texts


def test_what_did_not_change_is_not_compared_again_and_a_new_earlier_log_counts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = Run(tmp_path)
    run.write("a2.csv", HEAD + rows(51, 52) + rows(49, 100))
    before = run.take().manifest
    assert before.account() == Account(rows=52, samples=49, rejects=2, repeats=1)
    run.write("a1.csv", HEAD + rows(0, 51))
    assert run.take().manifest.account() == Account(rows=103, samples=100, rejects=0, repeats=3)
    monkeypatch.setattr(overlap, "found_before", lambda *_: pytest.fail("rows of an old log were read"))
    run.write("a3.csv", HEAD + rows(100, 120))
    assert run.take().manifest.account() == Account(rows=123, samples=120, rejects=0, repeats=3)


def test_a_row_before_a_restart_is_compared_with_no_earlier_log(tmp_path: Path) -> None:
    run = Run(tmp_path)
    run.write("a1.csv", HEAD + rows(0, 100))
    run.write("a2.csv", HEAD + rows(501, 502, shift=-5.0) + rows(0, 1) + rows(502, 600, shift=-5.0))
    taken = run.take()
    assert taken.manifest.account() == Account(rows=200, samples=199, rejects=1, repeats=0)
    assert taken.codes.keys() == set()


def test_logs_without_such_rows_have_no_part_of_them(tmp_path: Path) -> None:
    run = Run(tmp_path)
    run.write("a1.csv", HEAD + rows(0, 100) + rows(90, 110))
    run.write("a2.csv", HEAD + rows(105, 150))
    taken = run.take()
    assert {part.table for part in taken.manifest.parts()} <= {"samples", "rejects", "landmarks"}
    assert not (run.folder / "store" / "run" / "early_rows").exists()


def test_a_manifest_of_an_older_version_is_read(tmp_path: Path) -> None:
    run = Run(tmp_path)
    run.write("a1.csv", HEAD + rows(0, 51))
    manifest = run.take().manifest
    document = json.loads(manifest.model_dump_json())
    del document["sources"][0]["early_us"], document["placed"][0]["early"]
    assert type(manifest).model_validate(document) == manifest
    assert RunStore(run.folder / "store", "run").manifest() == manifest


def test_rows_are_the_same_where_no_value_is_and_zero_has_no_sign() -> None:
    one = {"a": [0.0, np.nan, 1.0, 2.0], "b": [1.0, 2.0, np.nan, 2.0]}
    other = {"b": [1.0, 2.0, np.nan, 2.5], "a": [-0.0, -np.nan, 1.0, 2.0]}
    hashes = [
        content_of(Rows(np.arange(4), np.arange(4), {name: np.array(v, np.float32) for name, v in values.items()}))
        for values in (one, other)
    ]
    assert (hashes[0] == hashes[1]).tolist() == [True, True, True, False]
    assert len(set(hashes[0].tolist())) == 4


@st.composite
def spoiled(draw: st.DrawFn, clock: str) -> list[str]:
    """A log in which rows are written again, or others come late, in a few places; an elapsed clock may begin again.

    (Files with dates are in the order of these, whenever they were written.)
    """
    lines, at, begun = [], 0, 0
    for _ in range(draw(st.integers(1, 4))):
        end = at + draw(st.integers(2, 12))
        lines += lines_of(at, end, begun)
        count = draw(st.integers(1, 3))
        back = draw(st.integers(count, 4))
        far = clock == "elapsed" and end > 8  # nearer than a gap, rows are late and no restart
        kind = draw(st.sampled_from(["again", "again", "late", *(["restart"] if far else [])]))
        if kind == "again":
            lines += lines_of(max(end - back, 0), max(end - back, 0) + count, begun)
        elif kind == "late":
            lines += [f"{max(end - back, 0) / 100:.2f},-{len(lines)},{k}" for k in range(count)]
        at, begun = (0, begun + 1) if kind == "restart" else (end, begun)
    return [*lines, *lines_of(at, at + 20, begun)]


@settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data(), st.sampled_from(list(CLOCKS)))
def test_however_a_log_is_cut_the_same_rows_are_taken(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject, clock: str
) -> None:
    lines = data.draw(spoiled(clock))
    cuts = sorted(data.draw(st.sets(st.integers(1, len(lines) - 1), min_size=1, max_size=3)))
    whole, *others = ways(lines, cuts, tmp_path_factory.mktemp("early"), clock)
    assert others == [whole] * 3
