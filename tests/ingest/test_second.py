"""Two loggers of one rig: joined by time, with an offset that is stated or found; made by the test."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from benchpipe.config.rig import RigConfig
from benchpipe.errors import ConfigError
from benchpipe.process.origins import origins
from benchpipe.run import RunConfig, load_run
from benchpipe.samples.inputs import sample_inputs
from benchpipe.samples.stream import stream_samples
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore
from tests.steps_done import ingest_run, process_run
from tests.trace_lines import trace_rows

RIG = """
name = "two loggers"
[log]
[time]
column = "t"
sample_rate = "50 Hz"
[second]
files = ["load_*"]
{offset}
[second.log]
separator = ";"
[second.time]
column = "ms"
unit = "ms"
sample_rate = "200 Hz"
[[channel]]
name = "stroke"
column = "x"
unit = "mm"
uncertainty = "1 %"
[[channel]]
name = "wave"
column = "w"
unit = "V"
[[channel]]
name = "force"
column = "F"
unit = "kN"
logger = "second"
[[channel]]
name = "wave_2"
column = "w"
unit = "V"
logger = "second"
[load]
channel = "force"
[motion]
channel = "stroke"
"""
PLAN = """
name = "run"
specimen = "invented"
rig = "rig.toml"
logs = ["logs/*"]
[[block]]
name = "main"
kind = "cyclic"
frequency = "1 Hz"
load_min = "10 N"
load_max = "90 N"
"""
STATED = 'offset = "350 ms"\noffset_uncertainty = "2 ms"'
FOUND = 'offset = "0.3 s"\noffset_uncertainty = "5 ms"\nsame = ["wave", "wave_2"]\nsearch = "0.5 s"'
OFFSET = 0.35
Floats = NDArray[np.float64]


def force(t: Floats) -> Floats:
    return 50.0 + 50.0 * np.sin(2.0 * np.pi * t)


def stroke(t: Floats) -> Floats:
    return np.sin(2.0 * np.pi * t - 0.3)


def wave(t: Floats) -> Floats:
    """A signal that never comes again."""
    return np.sin(0.9 * t) + np.sin(1.57 * t + 1.0) + np.sin(0.313 * t + 2.0) + 0.5 * np.sin(4.1 * t)


class Two:
    """A run of two loggers in a folder. The clock of the second gains ``ppm``."""

    def __init__(self, folder: Path, offset: str = STATED, *, ppm: float = 0.0, shift: float = OFFSET) -> None:
        self.folder, self._ppm, self._shift = folder, ppm, shift
        (folder / "logs").mkdir(parents=True)
        (folder / "rig.toml").write_text(RIG.format(offset=offset), "utf-8")
        (folder / "plan.toml").write_text(PLAN, "utf-8")

    def motion(self, name: str, first: float, last: float, scale: float = 1.0) -> None:
        """Rows of the first logger from one second to another."""
        t = np.arange(round(first * 50), round(last * 50)) / 50.0
        rows = [f"{a:.2f},{b:.6f},{c:.6f}\n" for a, b, c in zip(t, scale * stroke(t), wave(t), strict=True)]
        self._append(name, "t,x,w\n", rows)

    def load(self, name: str, first: float, last: float, scale: float = 1.0) -> None:
        """Rows of the second logger, which shows other times."""
        t = np.arange(round(first * 200), round(last * 200)) / 200.0 + 0.0013
        shown = 1000.0 * (t + self._shift + self._ppm * 1e-6 * t)
        rows = [f"{a:.3f};{b:.9f};{c:.6f}\n" for a, b, c in zip(shown, scale * force(t) / 1000.0, wave(t), strict=True)]
        self._append(name, "ms;F;w\n", rows)

    def _append(self, name: str, head: str, rows: list[str]) -> None:
        path = self.folder / "logs" / name
        old = path.read_text() if path.exists() else head
        path.write_text(old + "".join(rows))

    @property
    def config(self) -> RunConfig:
        return load_run(self.folder / "plan.toml", store=self.folder / "store")

    @property
    def store(self) -> RunStore:
        return RunStore(self.folder / "store", "run")

    def night(self) -> Manifest:
        run = self.config
        manifest = ingest_run(run, self.store).manifest
        account = manifest.account()
        assert account.rows == account.samples + account.rejects + account.repeats
        return process_run(run, self.store, manifest)

    def samples(self, manifest: Manifest) -> tuple[Floats, Floats, Floats]:
        """Time [s], force and stroke as they are joined."""
        batches = list(stream_samples(self.store.folder, sample_inputs(manifest), ["stroke", "force"]))
        time = np.concatenate([b.time_us for b in batches]) / 1e6
        return time, *(np.concatenate([b.columns[n] for b in batches]) for n in ("force", "stroke"))

    def tables(self, manifest: Manifest) -> list[object]:
        """All cycles and loops, to the last bit."""
        return [self.store.read(manifest, name).to_pydict() for name in ("cycles", "trends")]


def same(one: tuple[Floats, ...], other: tuple[Floats, ...]) -> bool:
    return all(np.array_equal(a, b, equal_nan=True) for a, b in zip(one, other, strict=True))


def texts(manifest: Manifest) -> dict[str, str]:
    return {r.code: r.text for r in manifest.steps["ingest"].remarks}


def test_load_is_interpolated_at_the_times_of_the_slower_log_and_nowhere_else(tmp_path: Path) -> None:
    two = Two(tmp_path)
    two.motion("motion_1.csv", 0.0, 20.0)
    two.load("load_1.csv", 1.0, 9.0)
    two.load("load_1.csv", 10.0, 18.0)
    manifest = two.night()
    time, load, motion = two.samples(manifest)
    assert time[-1] == 17.98  # rows after the last of the load wait for it
    here = ((time >= 1.01) & (time < 8.99)) | ((time >= 10.01) & (time < 17.98))
    assert np.abs(load - force(time))[here].max() < 0.02  # chord of a sine over 5 ms: 50 (pi 5e-3)^2 / 2
    assert np.abs(motion - stroke(time)).max() < 1e-6
    assert np.isnan(load[(time < 1.0) | ((time > 9.01) & (time < 10.0))]).all()
    cycles = two.store.read(manifest, "cycles")
    assert sum(cycles.column("lost_rows").to_pylist()) + manifest.steps["process"].state["main"]["lost_at_end"] >= 50
    assert "as stated" in texts(manifest)["clock-offset"]
    assert "1.984 s wait" in texts(manifest)["second-log-waits"]
    assert load[np.isfinite(load)].max() <= 100.0  # no peak that was not measured


def test_cuts_and_nights_do_not_matter(tmp_path: Path) -> None:
    whole = Two(tmp_path / "whole")
    whole.motion("motion_1.csv", 0.0, 60.0)
    whole.load("load_1.csv", 0.0, 60.0)
    once = whole.night()
    cut = Two(tmp_path / "cut")
    steps = [(0.0, 7.3, 0.0, 5.1), (7.3, 21.0, 5.1, 30.2), (21.0, 21.5, 30.2, 41.0), (21.5, 60.0, 41.0, 60.0)]
    for number, (a, b, c, d) in enumerate(steps):
        cut.motion(f"motion_{number}.csv", a, b)
        cut.load("load_1.csv", c, d)
        last = cut.night()
    assert same(whole.samples(once), cut.samples(last))
    assert whole.tables(once) == cut.tables(last)
    assert once.steps["process"].state["main"]["inputs"]
    before = Two(tmp_path / "growing")
    before.motion("motion_1.csv", 0.0, 30.0)
    before.load("load_1.csv", 0.0, 20.0)
    known = before.night().steps["process"].state["main"]["inputs"]
    before.load("load_1.csv", 20.0, 40.0)
    assert before.night().steps["process"].state["main"]["inputs"][: len(known)] == known  # a night costs its own rows


def test_an_offset_that_drifts_is_found_and_followed(tmp_path: Path) -> None:
    two = Two(tmp_path, FOUND, ppm=40.0)
    for night in range(2):
        two.motion("motion_1.csv", 650.0 * night, 650.0 * (night + 1))
        two.load("load_1.csv", 650.0 * night, 650.0 * (night + 1))
        manifest = two.night()
    time, load, _ = two.samples(manifest)
    inside = np.isfinite(load)
    assert inside.mean() > 0.99
    assert np.abs(load - force(time))[inside].max() < 0.3  # 1 ms at 2 pi 50 N a second
    lines = manifest.steps["ingest"].state["second"]["lines"]
    assert [line[2] for line in lines] == pytest.approx([40.0] * 3, abs=2.0)
    assert "gains +40" in texts(manifest)["clock-offset"]
    once = Two(tmp_path / "once", FOUND, ppm=40.0)
    once.motion("motion_1.csv", 0.0, 1300.0)
    once.load("load_1.csv", 0.0, 1300.0)
    at_once = once.night()
    assert same(once.samples(at_once), two.samples(manifest))


def test_a_clock_that_jumps_is_seen_and_its_rows_are_not_joined(tmp_path: Path) -> None:
    two = Two(tmp_path, FOUND)
    two.motion("motion_1.csv", 0.0, 1300.0)
    two.load("load_1.csv", 0.0, 600.0)
    two._shift += 0.1
    two.load("load_1.csv", 600.0, 1300.0)
    manifest = two.night()
    assert "in 1 of 3 windows" in texts(manifest)["clock-offset-moved"]
    time, load, _ = two.samples(manifest)
    assert np.isnan(load[(time >= 600.0) & (time < 1200.0)]).all()


def test_an_offset_that_is_not_sure_joins_nothing(tmp_path: Path) -> None:
    two = Two(tmp_path, FOUND.replace("0.5 s", "1.5 s").replace('"wave", "wave_2"', '"stroke", "force_mm"'))
    again = '[[channel]]\nname = "force_mm"\ncolumn = "F"\nunit = "mm"\nlogger = "second"\n'
    (tmp_path / "rig.toml").write_text((tmp_path / "rig.toml").read_text() + again)
    two.motion("motion_1.csv", 0.0, 60.0)
    two.load("load_1.csv", 0.0, 60.0)
    manifest = two.night()
    assert "nothing is joined" in texts(manifest)["clock-offset-unknown"]
    assert sample_inputs(manifest) == []


def test_a_clock_that_began_again_is_not_compared(tmp_path: Path) -> None:
    two = Two(tmp_path)
    two.motion("motion_1.csv", 0.0, 10.0)
    two.load("load_1.csv", 0.0, 10.0)
    two.motion("motion_2.csv", 0.0, 10.0, 0.9)
    two.load("load_2.csv", 0.0, 9.0, 0.9)
    manifest = two.night()
    where = [r.where for r in manifest.steps["ingest"].remarks if r.code == "clocks-apart"]
    assert where == ["logs/load_2.csv", "logs/motion_2.csv"]
    time, load, _ = two.samples(manifest)
    assert np.isnan(load[time > 10.0]).all()
    assert np.isfinite(load[(time > 0.01) & (time < 9.9)]).all()


def test_a_cycle_is_traced_to_the_rows_of_both_logs(tmp_path: Path) -> None:
    two = Two(tmp_path)
    two.motion("motion_1.csv", 0.0, 20.0)
    two.load("load_1.csv", 0.0, 20.0)
    manifest = two.night()
    start = two.store.read(manifest, "cycles").to_pylist()[3]
    lines = list(trace_rows(two.config, two.store, manifest, "main", "cycle", start["cycle"]))
    matched = map(re.compile(r".*/(\w+).csv, rows (\d+) to (\d+)").match, lines)
    found = {m[1]: (int(m[2]), int(m[3])) for m in matched if m}
    assert set(found) == {"motion_1", "load_1"}
    first, last = found["load_1"]
    began, ended = ((row - 2) / 200.0 + 0.0013 for row in (first, last))
    assert began <= start["start_us"] / 1e6 <= began + 0.06
    assert ended - 0.06 <= start["start_us"] / 1e6 + start["period_s"] <= ended
    kept = [r for r in origins(two.config, two.store, manifest).to_pylist() if r["number"] == start["cycle"]]
    assert {r["file"] for r in kept} == {"logs/load_1.csv", "logs/motion_1.csv"}
    assert "    SHA-256 of the file as it was taken: " + manifest.sources[1].sha256 in lines


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        ('sample_rate = "200 Hz"', 'sample_rate = "20 Hz"', "slower"),
        ('logger = "second"', "", "each logger needs a channel"),
        ('offset_uncertainty = "2 ms"', "", "offset_uncertainty' is missing"),
        ('offset_uncertainty = "2 ms"', 'offset_uncertainty = "0 s"\nsame = ["wave", "wave_2"]', "above zero"),
        ('offset_uncertainty = "2 ms"', 'offset_uncertainty = "1 ms"\nsame = ["wave_2", "wave"]', "first logger"),
        ('column = "ms"\nunit = "ms"', 'kind = "sample"', "joined by time"),
    ],
)
def test_what_does_not_go_together_is_an_error(tmp_path: Path, old: str, new: str, text: str) -> None:
    two = Two(tmp_path)
    path = tmp_path / "rig.toml"
    path.write_text(path.read_text().replace(old, new))
    with pytest.raises(ConfigError, match=text):
        _ = two.config
    assert RigConfig.model_fields["second"].default is None
