"""Kernels are compiled before the first run that has something new, once a night, and reported."""

from __future__ import annotations

import shutil
from collections.abc import Collection
from pathlib import Path

import pytest

from benchpipe.cli.bugs import bug_report
from benchpipe.cli.progress import log_line
from benchpipe.night import warming
from benchpipe.night.lab import work_lab
from benchpipe.night.task import WorkerEvent
from benchpipe.run import RunConfig


@pytest.fixture
def compiled(monkeypatch: pytest.MonkeyPatch) -> list[set[str]]:
    """What is asked for; nothing is compiled."""
    asked: list[set[str]] = []
    compiled: list[str] = []

    def cold(uses: Collection[str]) -> list[str]:
        return [] if compiled else ["one", "two"]

    def apart(modules: Collection[str], processes: int) -> None:
        compiled.extend(modules)

    def uses(run: RunConfig) -> set[str]:
        asked.append(warming_uses(run))
        return asked[-1]

    warming_uses = warming.uses_of
    monkeypatch.setattr(warming, "cold_modules", cold)
    monkeypatch.setattr(warming, "compile_apart", apart)
    monkeypatch.setattr(warming, "uses_of", uses)
    monkeypatch.setattr(warming, "processors", lambda: 2)
    return asked


@pytest.mark.parametrize("jobs", [1, 2])
def test_kernels_are_compiled_before_the_first_run_begins(
    sample_lab: Path, tmp_path: Path, compiled: list[set[str]], capsys: pytest.CaptureFixture[str], jobs: int
) -> None:
    shutil.copytree(sample_lab.parents[1], tmp_path, dirs_exist_ok=True)
    lab = tmp_path / "sample_runs" / "lab.toml"
    shutil.rmtree(lab.parent / "store" / "healthy")
    events: list[WorkerEvent] = []
    work_lab(lab, bug=bug_report, jobs=jobs, watch=events.append)
    kinds = [event.kind for event in events if event.kind in ("warms", "begins")]
    assert kinds[:3] == ["warms", "warms", "begins"]
    assert kinds.count("warms") == 2
    assert compiled == [{"text", "cyclic", "hold", "locking", "proof", "stance", "sweep"}]
    for event in events:
        log_line(event)
    said = capsys.readouterr().err
    assert "compiling the kernels for this machine: once, about a quarter of a minute\n" in said
    assert "kernels of 2 modules compiled in 0 s\n" in said


def test_an_idle_night_compiles_nothing(sample_lab: Path, tmp_path: Path, compiled: list[set[str]]) -> None:
    shutil.copytree(sample_lab.parents[1], tmp_path, dirs_exist_ok=True)
    events: list[WorkerEvent] = []
    work_lab(tmp_path / "sample_runs" / "lab.toml", bug=bug_report, watch=events.append)
    assert "warms" not in [event.kind for event in events]
