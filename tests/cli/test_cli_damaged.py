"""Commands that read never show figures of another run, nor of a part that is not what was written."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from benchpipe.cli.main import call
from benchpipe.store.parts import forget_hashes
from benchpipe.store.run_store import RunStore
from tests.verify.labs import flipped, write_kept

RUN, OTHER = "wearing", "creeping-lock"
READS = (
    ["show"], ["show", "--json"], ["show", "--trend", "energy_j"], ["changes", "--from", "1"], ["changes", "--disk"],
    ["explain", "durability", "loop energy changed, up"],
    ["explain", "durability", "loop energy changed, up", "--rows", "--json"],
    ["trace", "durability", "--cycle", "1480-1487", "--rows"], ["export", "verdicts"], ["export", "cycles"],
    ["export", "loops"], ["export", "trends"], ["export", "samples"], ["export", "events"], ["export", "budgets"],
)  # fmt: skip


@pytest.fixture
def lab(sample_lab: Path, tmp_path: Path) -> Path:
    shutil.copytree(sample_lab.parents[1], tmp_path, dirs_exist_ok=True)
    return tmp_path / "sample_runs" / "lab.toml"


def read(lab: Path, command: list[str], capsys: pytest.CaptureFixture[str], run: str = RUN) -> tuple[int, str, str]:
    forget_hashes()
    code = call([command[0], run, *command[1:], "--lab", str(lab)])
    out, err = capsys.readouterr()
    return code, out, err


def test_two_run_folders_that_changed_places_show_nothing(lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store = lab.parent / "store"
    (store / RUN).rename(store / "away")
    (store / OTHER).rename(store / RUN)
    (store / "away").rename(store / OTHER)
    for command in READS:
        code, out, err = read(lab, command, capsys)
        assert (code, out) == (12, ""), command
        assert f"the folder of run '{RUN}' holds the tables of run '{OTHER}'" in err


def test_a_part_with_a_flipped_byte_is_shown_by_no_command(lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sound = {tuple(command): read(lab, command, capsys) for command in READS}
    assert {code for code, _, _ in sound.values()} <= {0, 10}
    store = RunStore(lab.parent / "store", RUN)
    refused: dict[str, int] = {}
    for part in store.manifest().parts():
        path = store.folder / part.path
        data = path.read_bytes()
        write_kept(path, flipped(data, len(data) // 2, 3))
        for command in READS:
            code, out, err = read(lab, command, capsys)
            if (code, out) == sound[tuple(command)][:2]:
                continue  # it does not read that part
            header = command == ["export", "samples"] and out.count("\n") == 1  # samples are streamed
            assert code == 12, (part.path, command)
            assert out == "" or header, (part.path, command)
            assert "a file of the store is damaged or missing" in err
            assert str(path) in err
            refused[part.table] = refused.get(part.table, 0) + 1
        write_kept(path, data)
    assert {"verdicts", "budgets", "cycles", "samples", "loops"} <= refused.keys()
