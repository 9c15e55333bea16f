"""Zeros of channels: from idle stretches, whole logs or parts of them, however the logs are cut."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchpipe.errors import ConfigError
from benchpipe.ingest import zeros
from benchpipe.samples.inputs import sample_inputs
from tests.conftest import examples
from tests.ingest.taken import HEAD, Run, Taken, rows

IDLE_FILES = '[[block]]\nname = "idle"\nkind = "idle"\nfiles = ["*idle*"]'
IDLE_MODE = '[[block]]\nname = "idle"\nkind = "idle"\nmode = 0'
MODE = '[[channel]]\nname = "mode"\ncolumn = "m"\nunit = "1"'
MODE_HEAD = "t,F,x,m\n"


def flat(first: int, force: float, count: int = 100) -> str:
    return "".join(f"{k / 100:.2f},{force},1\n" for k in range(first, first + count))


def moded(first: int, count: int, mode: int, force: float) -> str:
    """Rows at 100 Hz of one mode; the force has a pattern of -1, 0, 1 N about its middle."""
    return "".join(f"{k / 100:.2f},{force + k % 3 - 1},{k},{mode}\n" for k in range(first, first + count))


def moded_run(folder: Path) -> Run:
    """A run whose log shows the mode: 0 is idle."""
    run = Run(folder, force=f'zero_from = "idle"\n{MODE}', blocks=IDLE_MODE)
    rig = run.folder / "rig.toml"
    rig.write_text('mode = "mode"\n' + rig.read_text())
    return run


def test_zero_is_taken_from_idle_stretches_and_its_drift_told(tmp_path: Path) -> None:
    run = Run(tmp_path, force='zero_from = "idle"', blocks=IDLE_FILES)
    run.write("1-idle.csv", HEAD + flat(0, 2.0))
    run.write("2-load.csv", HEAD + flat(100, 50.0))
    first = run.take()
    assert {s[3] for s in first.samples if s[1] == "2-load.csv"} == {48.0}
    run.write("3-idle.csv", HEAD + flat(200, 3.5))
    run.write("4-load.csv", HEAD + flat(300, 50.0))
    second = run.take()
    assert {s[1]: s[3] for s in second.samples} == {
        "1-idle.csv": 0.0, "2-load.csv": 48.0, "3-idle.csv": 0.0, "4-load.csv": 46.5,
    }  # fmt: skip
    assert "drifted by +1.5 N" in second.texts


def test_a_zero_from_a_block_that_is_not_idle_is_refused(tmp_path: Path) -> None:
    run = Run(tmp_path, force='zero_from = "main"')
    run.write("a.csv", HEAD + rows(0, 100))
    with pytest.raises(ConfigError, match="no idle block"):
        run.take()


def test_an_idle_stretch_in_the_middle_of_a_log_gives_the_rest_a_new_zero(tmp_path: Path) -> None:
    run = moded_run(tmp_path)
    text = moded(0, 30, 0, 2.0) + moded(30, 60, 1, 50.0) + moded(90, 30, 0, 5.0) + moded(120, 60, 1, 50.0)
    run.write("a.csv", MODE_HEAD + text)
    taken = run.take()
    edges = itertools.pairwise([0, 30, 90, 120, 180])
    middle = [float(np.median([s[3] for s in taken.samples[a:b]])) for a, b in edges]
    assert middle == [0.0, 48.0, 0.0, 45.0]
    assert "over 2 idle stretches it drifted by +3 N" in taken.texts


def test_a_rig_tared_while_it_stood_between_idle_rows_has_two_zeros(tmp_path: Path) -> None:
    run = moded_run(tmp_path)
    run.write("a.csv", MODE_HEAD + moded(0, 30, 0, 2.0) + moded(900, 30, 0, 5.0) + moded(930, 30, 1, 50.0))
    taken = run.take()
    assert [z.value for z in taken.manifest.zeros()] == [2.0, 5.0]
    assert float(np.median([s[3] for s in taken.samples[60:]])) == 45.0
    slow = moded_run(tmp_path / "slow")  # rows once a second while it is idle are no gaps
    slow.write("a.csv", MODE_HEAD + "".join(f"{k},2.0,{k},0\n" for k in range(12)) + moded(1200, 30, 1, 50.0))
    assert [z.samples for z in slow.take().manifest.zeros()] == [12]


def test_what_was_looked_at_is_not_read_again_and_old_parts_stay_what_they_were(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = moded_run(tmp_path)
    run.write("a.csv", MODE_HEAD + moded(0, 30, 0, 2.0) + moded(30, 60, 1, 50.0))
    before = run.take()
    seen: list[tuple[int, int | None]] = []
    real = zeros.stream_samples

    def spied(folder: Path, inputs: list[object], columns: list[str], from_us: int | None = None) -> object:
        batches = list(real(folder, inputs, columns, from_us))  # type: ignore[arg-type]
        seen.extend((b.time_us.size, from_us) for b in batches)
        return iter(batches)

    monkeypatch.setattr(zeros, "stream_samples", spied)
    text = moded(0, 30, 0, 2.0) + moded(30, 60, 1, 50.0) + moded(90, 30, 0, 5.0)
    run.write("a.csv", MODE_HEAD + text)
    after = run.take()
    assert seen == [(30, None)]
    old, new = (sample_inputs(taken.manifest) for taken in (before, after))
    assert [i.identity for i in new[:1]] == [i.identity for i in old]
    seen.clear()
    run.write("a.csv", MODE_HEAD + text + moded(120, 40, 1, 50.0))
    run.take()
    assert seen == [(30, 900_000), (40, None)]  # the idle stretch in which the night ended, and what is new


def test_of_endless_idle_stretches_so_many_count_and_it_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(zeros, "MOST_ZEROS", 3)
    text = "".join(moded(k * 40, 20, 0, float(k)) + moded(k * 40 + 20, 20, 1, 50.0) for k in range(6))
    once, nights = moded_run(tmp_path / "once"), moded_run(tmp_path / "nights")
    once.write("a.csv", MODE_HEAD + text)
    taken = once.take()
    assert [z.value for z in taken.manifest.zeros()] == [0.0, 1.0, 2.0]
    assert "the last one holds from there on" in taken.texts
    for part in range(300, len(text), 300):
        nights.write("a.csv", MODE_HEAD + text[:part])
        nights.take()
    nights.write("a.csv", MODE_HEAD + text)
    assert [s[0:4:3] for s in nights.take().samples] == [s[0:4:3] for s in taken.samples]


def test_a_long_stretch_gives_a_zero_for_each_so_many_samples(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(zeros, "LONGEST", 40)
    text = MODE_HEAD + moded(0, 40, 0, 2.0) + moded(40, 40, 0, 3.0) + moded(80, 15, 0, 4.0)
    once, nights = moded_run(tmp_path / "once"), moded_run(tmp_path / "nights")
    once.write("a.csv", text)
    whole = once.take()
    assert [(z.value, z.samples) for z in whole.manifest.zeros()] == [(2.0, 40), (3.0, 40), (4.0, 15)]
    for cut in (300, 700, len(text)):
        nights.write("a.csv", text[:cut])
        last = nights.take()
    _same(last, whole)


def _oracle(stretches: list[tuple[int, int, int, bool]]) -> list[tuple[int, float]]:
    """Time and force without its zero of each row, row by row in plain Python."""
    rows_: list[tuple[int, float, int]] = []  # time, force, idle stretch or -1
    at, last, number = 0, 0, -1
    for mode, force, count, gap in stretches:
        at += 400 if gap else 0
        if mode == 0 and (last != 0 or gap or not rows_):
            number += 1
        rows_ += [(k, force + k % 3 - 1, number if mode == 0 else -1) for k in range(at, at + count)]
        at, last = at + count, mode
    medians = {}
    for n in range(number + 1):
        own = [force for _, force, stretch in rows_ if stretch == n]
        if len(own) >= zeros.LEAST_SAMPLES:
            medians[n] = float(np.median(own))
    zero = next(iter(medians.values()), 0.0)
    found = []
    for k, force, stretch in rows_:
        zero = medians.get(stretch, zero)
        found.append((k * 10_000, float(np.float32(np.float32(force) - np.float32(zero)))))
    return found


STRETCH = st.tuples(st.sampled_from([0, 0, 1]), st.integers(-3, 60), st.integers(2, 25), st.booleans())


@settings(max_examples=examples(40), suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(STRETCH, min_size=1, max_size=6), st.data())
def test_each_sample_has_the_zero_of_the_latest_stretch_however_logs_are_cut(
    tmp_path_factory: pytest.TempPathFactory, stretches: list[tuple[int, int, int, bool]], data: st.DataObject
) -> None:
    folder = tmp_path_factory.mktemp("zeros")
    lines: list[str] = []
    at = 0
    for mode, force, count, gap in stretches:
        at += 400 if gap else 0
        lines += moded(at, count, mode, float(force)).splitlines(keepends=True)
        at += count
    text = MODE_HEAD + "".join(lines)
    once = moded_run(folder / "once")
    once.write("a.csv", text)
    whole = once.take()
    assert [(s[0], s[3]) for s in whole.samples] == _oracle(stretches)

    files = moded_run(folder / "files")
    edges = sorted({0, len(lines), *data.draw(st.lists(st.integers(0, len(lines)), max_size=3), label="files")})
    for number, (a, b) in enumerate(itertools.pairwise(edges)):
        files.write(f"a{number}.csv", MODE_HEAD + "".join(lines[a:b]))
        if data.draw(st.booleans(), label="night"):
            files.take()
    nights = moded_run(folder / "nights")
    for cut in sorted(data.draw(st.lists(st.integers(len(MODE_HEAD) + 12, len(text)), max_size=3), label="nights")):
        nights.write("a.csv", text[:cut])
        nights.take()
    nights.write("a.csv", text)
    for other in (files.take(), nights.take()):
        _same(other, whole)


def _same(one: Taken, other: Taken) -> None:
    assert [(s[0], *s[3:]) for s in one.samples] == [(s[0], *s[3:]) for s in other.samples]
    mine, theirs = ([(z.from_us, z.value, z.sd, z.samples) for z in t.manifest.zeros()] for t in (one, other))
    assert mine == theirs
