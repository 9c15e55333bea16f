"""Nights killed at every point at which the store changes, and at random: always the tables of one clean pass.

A kill is a process that ends without another instruction, in the middle of a real ``nightly``. What
it leaves is worked on by the next, which may be killed too.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random

import pytest

from benchpipe.cli.main import call
from benchpipe.ledger.heads import NOTE as HEADS
from benchpipe.store.files import TEMPORARY
from benchpipe.store.run_store import RunStore
from tests.cli.commands import environment
from tests.soak.rigs import three_rigs
from tests.soak.year import REPO, same

SCENARIOS = ("first night", "logs have grown", "all read again", "damage is mended")
DAYS = {"before": 2, "after": 3}


class Deaths:
    """Starts nights that die. ``count`` of them did."""

    def __init__(self, server: subprocess.Popen[str]) -> None:
        self._server, self.count = server, 0

    def __call__(self, arguments: list[str], **how: float) -> bool:
        """Whether the process died of it."""
        assert self._server.stdin is not None
        assert self._server.stdout is not None
        print(json.dumps({"arguments": arguments, **how}), file=self._server.stdin, flush=True)
        code = int(self._server.stdout.readline())
        assert code in (99, -9, 0, 10, 11), code
        self.count += code in (99, -9)
        return code in (99, -9)


@pytest.fixture(scope="session")
def server(labs: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[subprocess.Popen[str]]:
    """One server for all tests: each night is a process of its own."""
    folder = tmp_path_factory.mktemp("server")
    shutil.copytree(labs / "one-after", folder / "lab", ignore=shutil.ignore_patterns("store", HEADS))
    shutil.copytree(labs / "configs", folder / "configs")
    command = [sys.executable, "-m", "tests.soak.dies", str(folder / "lab" / "lab.toml")]
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "text": True}
    with subprocess.Popen(command, env=environment(), cwd=REPO, **pipes) as server:  # type: ignore[call-overload]
        yield server
        server.stdin.close()


@pytest.fixture
def deaths(server: subprocess.Popen[str]) -> Deaths:
    """Deaths of one test."""
    return Deaths(server)


@pytest.fixture(scope="session")
def labs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Labs on the second and the third day, each worked through once: ``one`` of one rig, ``all`` of three."""
    folder = tmp_path_factory.mktemp("labs")
    shutil.copytree(REPO / "configs", folder / "configs")
    for size, count in (("one", 1), ("all", 3)):
        for when, days in DAYS.items():
            lab = folder / f"{size}-{when}"
            rigs = three_rigs()[-count:]
            for rig in rigs:
                draw = Random(rig.name)  # the first days are the same in both
                for day in range(days):
                    rig.day(day, draw)
                (lab / rig.name / "logs").mkdir(parents=True)
                for name, text in (rig.files() | rig.logs).items():
                    (lab / rig.name / name).write_bytes(text.encode())
            plans = ", ".join(f'"{rig.name}/plan.toml"' for rig in rigs)
            (lab / "lab.toml").write_text(f'name = "invented"\nstore = "store"\nplans = [{plans}]\n')
            assert call(["nightly", str(lab / "lab.toml"), "--brief"]) in (0, 10, 11)
    return folder


@contextmanager
def prepared(labs: Path, size: str, scenario: str) -> Iterator[tuple[Path, list[str]]]:
    """A copy of a lab as a scenario finds it, and the command that is to be killed; then all must be as it should."""
    clean = labs / f"{size}-after"
    lab = labs / "tried"
    shutil.rmtree(lab, ignore_errors=True)  # of a test that failed
    shutil.copytree(clean, lab, ignore=shutil.ignore_patterns("store", HEADS))
    command = ["nightly", str(lab / "lab.toml"), "--brief"]
    if scenario != "first night":
        shutil.copytree((labs / f"{size}-before" if scenario == "logs have grown" else clean) / "store", lab / "store")
    if scenario == "all read again":
        command = ["ingest", "tabs", "--lab", str(lab / "lab.toml"), "--again"]
    if scenario == "damage is mended":
        for table in ("samples", "cycles", "verdicts"):
            part = min((lab / "store" / "tabs" / table).iterdir())
            part.write_bytes(part.read_bytes()[:-1])
        manifest = lab / "store" / "tabs" / "manifest.json"
        manifest.write_bytes(manifest.read_bytes()[:-9])
    yield lab, command
    assert call(["nightly", str(lab / "lab.toml"), "--brief"]) in (0, 10, 11)
    for run in (path.name for path in lab.iterdir() if (path / "plan.toml").exists()):
        same(RunStore(lab / "store", run), RunStore(clean / "store", run))
    assert not list((lab / "store").rglob(f"{TEMPORARY}*"))


def killed_at_points(labs: Path, deaths: Deaths, scenario: str, first: int, step: int) -> None:
    """Kill a night at every ``step``-th point from ``first`` on, each time from the beginning."""
    died, point = True, first
    while died:
        with prepared(labs, "one", scenario) as (_, command):
            died = deaths(command, point=point)
        point += step


def killed_at_random(labs: Path, deaths: Deaths, scenario: str, draw: Random, kills: int) -> None:
    """Kill night after night on one lab, at random moments and points."""
    with prepared(labs, "all", scenario) as (_, command):
        for _ in range(kills):
            how = {"after_s": draw.uniform(0.0, 0.5)} if draw.random() < 0.5 else {"point": draw.randrange(120)}
            deaths(command, **how)


@pytest.mark.parametrize(("scenario", "first"), list(zip(SCENARIOS, (5, 17, 33, 8), strict=True)))
def test_a_night_killed_at_some_points_ends_with_the_same_tables(
    labs: Path, deaths: Deaths, scenario: str, first: int
) -> None:
    killed_at_points(labs, deaths, scenario, first, 47)
    assert deaths.count >= 1


@pytest.mark.parametrize("scenario", ["logs have grown", "damage is mended"])
def test_nights_killed_at_random_end_with_the_same_tables(labs: Path, deaths: Deaths, scenario: str) -> None:
    killed_at_random(labs, deaths, scenario, Random(3), 3)


@pytest.mark.soak
@pytest.mark.parametrize("scenario", SCENARIOS)
def test_a_night_killed_at_every_point_ends_with_the_same_tables(
    labs: Path, deaths: Deaths, scenario: str
) -> None:
    killed_at_points(labs, deaths, scenario, 0, 1)
    print(f"{scenario}: killed at {deaths.count} points")
    assert deaths.count > 40


@pytest.mark.soak
@pytest.mark.parametrize("scenario", SCENARIOS)
def test_many_nights_killed_at_random_end_with_the_same_tables(
    labs: Path, deaths: Deaths, scenario: str
) -> None:
    draw = Random(scenario)
    while deaths.count < 50:
        killed_at_random(labs, deaths, scenario, draw, 5)
    print(f"{scenario}: killed {deaths.count} times at random")
