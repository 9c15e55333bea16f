"""Strangers among the logs: they are left out and named, whichever way the plan is drafted."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchpipe.cli.drafting import log_patterns
from benchpipe.cli.main import call
from benchpipe.ingest.logs import find_logs
from benchpipe.run import load_run
from tests.first_night.written_logs import LOGS


def test_a_folder_with_strangers_is_drafted_without_them(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    LOGS["dirty"](tmp_path / "lab" / "logs")
    lab = tmp_path / "lab"
    drafting = ["inspect", str(lab / "logs"), "--write-rig", str(lab / "rig.toml"), "--write-plan"]
    assert call([*drafting, str(lab / "plan.toml")]) == 0
    shown = capsys.readouterr().out
    assert "notes.txt is left out, it is no log" in shown
    assert "photo.png is left out, it is no log" in shown
    assert list(find_logs(load_run(lab / "plan.toml")).files) == ["logs/log.tsv"]
    again = ["inspect", str(lab / "logs"), "--rig", str(lab / "rig.toml"), "--write-plan", str(lab / "again.toml")]
    assert call(again) == 0
    assert "photo.png is left out, it is no log of this rig" in capsys.readouterr().out
    assert call(again) == 2  # a plan that is there is kept
    assert call(["inspect", str(lab / "logs"), "--write-plan", str(lab / "third.toml")]) == 2
    assert not (lab / "third.toml").exists()


def test_a_stranger_that_is_named_is_an_error(tmp_path: Path) -> None:
    LOGS["dirty"](tmp_path / "logs")
    assert call(["inspect", str(tmp_path / "logs" / "notes.txt"), str(tmp_path / "logs" / "log.tsv")]) == 12


@pytest.mark.parametrize(
    ("logs", "others", "patterns"),
    [
        (["logs/a.csv", "logs/b.csv"], [], ("logs/*",)),
        (["logs/a.csv", "logs/b.csv.gz"], ["logs/x.png"], ("logs/*.csv", "logs/*.csv.gz")),
        (["logs/a.csv"], ["logs/notes.csv"], ("logs/a.csv",)),
        (["logs/[1].csv"], ["logs/notes.csv"], ("logs/[[]1].csv",)),
        (["a.csv"], ["plan.toml"], ("*.csv",)),
        (["a/1.csv", "b/1.csv"], ["b/x.txt"], ("a/*", "b/*.csv")),
        (["a"], [], ("a",)),
    ],
)
def test_patterns_take_the_logs_alone(logs: list[str], others: list[str], patterns: tuple[str, ...]) -> None:
    assert log_patterns(logs, others) == patterns
