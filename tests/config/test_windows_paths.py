"""Windows paths in config files are understood where they can be, and else refused with what to write."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from benchpipe.config.lab import LabConfig
from benchpipe.config.model import _portable, load_model
from benchpipe.errors import ConfigError
from benchpipe.plan import PlanConfig
from tests.conftest import copy_samples

NOT_HERE = "a drive or share of Windows: mount it here"


def lab(folder: Path, store: str) -> Path:
    """A lab file whose store is written so."""
    path = folder / "lab.toml"
    path.write_text(f'name = "x"\nstore = {store}\nplans = ["plan.toml"]\n', encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("written", "told"),
    [
        (r'"C:\\rig\\store"', "write the path with /, on Windows too: 'C:/rig/store'"),
        (r"'C:\rig\store'", "write the path with /, on Windows too: 'C:/rig/store'"),
        (r'"\\\\server\\share\\store"', "on Windows too: '//server/share/store'"),
        (r"'\\server\share'", "on Windows too: '//server/share'"),
        (r'"C:\\rig/store"', "on Windows too: 'C:/rig/store'"),
        (r"'..\store/new'", "on Windows too: '../store/new'"),
        (r'"C:\temp\new"', 'a backslash in "…" starts an escape in TOML: write the path with /'),
        (r'"C:\rig\store"', "in TOML a backslash"),
        (r'"D:\lab"', "in TOML a backslash"),
        (r'"\\server\share"', "in TOML a backslash"),
    ],
)
def test_a_backslash_is_refused_with_the_path_to_write(tmp_path: Path, written: str, told: str) -> None:
    with pytest.raises(ConfigError) as caught:
        load_model(LabConfig, lab(tmp_path, written))
    text = str(caught.value)
    assert told in text
    assert "lab.toml:2" in text


@pytest.mark.skipif(os.name == "nt", reason="there they are paths like any other")
@pytest.mark.parametrize("written", ["C:/rig/store", "c:store", "//server/share/store"])
def test_a_drive_or_share_is_refused_where_there_is_none(tmp_path: Path, written: str) -> None:
    with pytest.raises(ConfigError, match=NOT_HERE):
        load_model(LabConfig, lab(tmp_path, f'"{written}"'))


@pytest.mark.parametrize("written", ["C:/rig/store", "//server/share/store"])
def test_a_drive_or_share_is_understood_on_windows(written: str, monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as there:
        there.setattr(os, "name", "nt")
        assert _portable(written) == written
    with pytest.raises(ValueError, match=NOT_HERE):
        _portable(written)


@pytest.mark.parametrize("written", ["C:/rig/logs/*.csv", "//server/share/*.csv", "/rig/logs/*.csv"])
def test_a_pattern_starts_from_the_plan(tmp_path: Path, written: str) -> None:
    plan = copy_samples(tmp_path).parent / "healthy" / "plan.toml"
    plan.write_text(plan.read_text().replace('"logs/*.csv.gz"', f'"{written}"'))
    with pytest.raises(ConfigError, match=r"a pattern starts from the plan's folder|a drive or share of Windows"):
        load_model(PlanConfig, plan)


@pytest.mark.parametrize("fine", ["store", "../store", "a b/c", "./x", "/data/store", "store 2 (new)", "größe/日"])
def test_what_is_fine_stays(tmp_path: Path, fine: str) -> None:
    assert load_model(LabConfig, lab(tmp_path, f'"{fine}"'))[0].store == Path(fine)
