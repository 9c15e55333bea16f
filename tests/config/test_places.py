"""Tables stand apart from the raw logs: every way round, and the layouts that people have stay allowed."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchpipe.cli.main import call
from benchpipe.places import PlaceError
from benchpipe.run import load_run
from tests.config.written import line_of, write_lab
from tests.conftest import copy_samples


def one(folder: Path, pattern: str) -> Path:
    """A run whose logs are given by a pattern; logs stand in ``logs`` and ``rig1``, links to the first in ``way``."""
    plan = write_lab(folder, plan=('"logs/*.csv"', f'"{pattern}"'))
    for name in ("logs", "rig1"):
        (folder / name).mkdir()
        (folder / name / "a.csv").touch()
    (folder / "way").symlink_to(folder / "logs")
    return plan


REFUSED = [
    ("logs/*.csv", "logs", "it holds"),
    ("logs/*.csv", ".", "it holds"),
    ("logs/*.csv", "..", "it holds"),
    ("*.csv", ".", "it holds"),
    ("logs/*.csv", "logs/store", "it is in"),
    ("logs/*.csv", "logs/a/b", "it is in"),
    ("logs/*.csv", "way/store", "it is in"),
    ("way/*.csv", "logs/store", "it is in"),
    ("rig*/*.csv", "rig1/store", "it is in"),
    ("**/*.csv", "rig1/store", "it is in"),
    ("**/*.parquet", "store", "would take its files"),
    ("*/*/*/*.parquet", "store", "would take its files"),
    ("*/one/*", "store", "would take its files"),
]


@pytest.mark.parametrize(("pattern", "store", "why"), REFUSED)
def test_a_store_among_the_logs_is_refused(tmp_path: Path, pattern: str, store: str, why: str) -> None:
    plan = one(tmp_path, pattern)
    with pytest.raises(PlaceError, match=why) as caught:
        load_run(plan, tmp_path / store)
    assert (caught.value.where or "").endswith(f"plan.toml:{line_of('plan.toml', 'logs =')}, key logs[0]")
    assert caught.value.expected is not None
    assert caught.value.do_next is not None
    assert caught.value.got == str((tmp_path / store).resolve())


@pytest.mark.parametrize(
    ("pattern", "store"),
    [
        ("logs/*.csv", "store"), ("*.csv", "store"), ("**/*.csv", "store"), ("*/*.csv", "store"), ("*", "store"),
        ("rig*/*.csv", "rig2/store"), ("logs/*.csv", "logs2"), ("logs/*.csv", "rig1/store"), ("logs/*.csv", "../s"),
    ],
)  # fmt: skip
def test_a_store_apart_from_them_is_not(tmp_path: Path, pattern: str, store: str) -> None:
    lab = tmp_path / "lab"
    lab.mkdir()
    assert load_run(one(lab, pattern), lab / store).store == lab / store


def test_a_night_writes_nothing_among_the_logs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lab = copy_samples(tmp_path)
    lab.write_text(lab.read_text().replace('store = "store"', 'store = "wearing/logs/store"'))
    logs = lab.parent / "wearing" / "logs"
    before = sorted(logs.iterdir())
    for command in (["nightly", str(lab)], ["ingest", "wearing", "--lab", str(lab)]):
        assert call(command) == 2
        assert "the store and the raw logs of run 'wearing' stand in one another" in capsys.readouterr().err
    assert sorted(logs.iterdir()) == before


def test_an_archive_among_the_logs_is_refused(sample_lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    logs = sample_lab.parent / "wearing" / "logs"
    before = sorted(logs.iterdir())
    for run in ("wearing", str(sample_lab.parent / "wearing" / "plan.toml")):
        for to in (logs, logs / "archive", logs.parent):
            assert call(["archive", run, "--to", str(to), "--lab", str(sample_lab)]) == 2
            assert "the archive and the raw logs of run 'wearing' stand in one another" in capsys.readouterr().err
    assert sorted(logs.iterdir()) == before
