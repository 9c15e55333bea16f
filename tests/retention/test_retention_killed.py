"""Archive and restore under `kill -9` at random moments: the same command, started anew, ends with the same bytes."""

from __future__ import annotations

import random
import subprocess
from pathlib import Path

import pytest

from benchpipe.store.archive_note import NOTE, SUMS
from benchpipe.store.files import TEMPORARY
from tests.cli.commands import playground, started
from tests.store.kept import tree

ROUNDS = 30
LONGEST_S = 1.0  # grows with each kill, so that a slow machine ends too


@pytest.mark.soak
def test_killed_at_random_a_run_goes_and_comes_back(sample_lab: Path, tmp_path: Path) -> None:
    lab = playground(sample_lab, tmp_path) / "sample_runs" / "lab.toml"
    here, there = lab.parent / "store" / "wearing", tmp_path / "archive" / "wearing"
    before, logs = held(here), tree(lab.parent / "wearing")
    rng, kills = random.Random(20310501), 0
    for _ in range(ROUNDS):
        for command in (["archive", "wearing", "--to", "archive"], ["restore", "wearing"]):
            code, said, killed = until_done([*command, "--lab", str(lab)], tmp_path, rng)
            kills += killed
            assert code == 0 or (command[0] == "restore" and "is in the store" in said), said
            if command[0] == "archive":
                assert list(held(here)) == [NOTE]
                assert {name: sha for name, sha in held(there).items() if name != SUMS} == before
            else:
                assert held(here) == before
                assert held(there) == {}
    assert kills > ROUNDS // 2
    assert tree(lab.parent / "wearing") == logs


def held(folder: Path) -> dict[str, str]:
    """Files of a run, but for what a killed job left half written."""
    return {name: sha for name, sha in tree(folder).items() if TEMPORARY not in name}


def until_done(arguments: list[str], folder: Path, rng: random.Random) -> tuple[int, str, int]:
    """Start a command until it is left to end: its exit code, what it said, and how often it was killed."""
    for kills in range(1000):
        job = started(arguments, folder)
        try:
            _, said = job.communicate(timeout=rng.uniform(0.2, LONGEST_S * 1.5**kills))
            return job.returncode, said.decode(), kills
        except subprocess.TimeoutExpired:
            job.kill()
            job.communicate()
    raise AssertionError("it never ended by itself")
