"""Settings files that a store keeps, verified by their names and by the states that name them."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchpipe.config.settings import SettingsFile
from benchpipe.store.configuration import freeze, frozen, list_path, list_sha256
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore
from benchpipe.verify.line import Status
from benchpipe.verify.manifests import read_documents
from benchpipe.verify.settings import settings_lines

FIRST = [SettingsFile("plan", "plan.toml", b"a = 1\n"), SettingsFile("lab", "lab.toml", b"{}")]
SECOND = [SettingsFile("plan", "plan.toml", b"a = 2\n"), SettingsFile("lab", "lab.toml", b"{}")]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A run of two states with different settings."""
    store, manifest = RunStore(tmp_path / "store", "one"), Manifest(run="one")
    for files in (FIRST, SECOND):
        freeze(store, files)
        used = {"check": list_sha256(files)}
        manifest = store.commit(manifest.model_copy(update={"configuration": used}))
    return store.folder


def lines(folder: Path) -> list[tuple[Status, str]]:
    return [(line.status, line.what) for line in settings_lines(folder, read_documents(folder))]


def test_what_is_complete_holds(folder: Path) -> None:
    (line,) = settings_lines(folder, read_documents(folder))
    assert (line.status, line.text) == (
        Status.HOLDS, "5 file(s) are what their names say, and 2 list(s) are complete"
    )  # fmt: skip


@pytest.mark.parametrize("files", [FIRST, SECOND])
def test_a_file_that_is_missing_is_named_of_an_older_state_too(folder: Path, files: list[SettingsFile]) -> None:
    gone = frozen(files)[0].path
    data = (folder / gone).read_bytes()
    (folder / gone).unlink()
    assert lines(folder) == [(Status.CHANGED, gone)]
    (folder / gone).write_bytes(data)
    (folder / list_path(list_sha256(files))).unlink()
    assert lines(folder) == [(Status.CHANGED, list_path(list_sha256(files)))]


def test_a_file_that_is_not_what_its_name_says_is_named_once(folder: Path) -> None:
    one = frozen(FIRST)[0].path
    (folder / one).write_bytes(b"a = 3\n")
    assert lines(folder) == [(Status.CHANGED, one)]


def test_a_state_of_an_older_version_has_none(tmp_path: Path) -> None:
    store = RunStore(tmp_path / "store", "one")
    store.commit(Manifest(run="one"))
    (line,) = settings_lines(store.folder, read_documents(store.folder))
    assert (line.status, line.text) == (Status.HOLDS, "none: an older version wrote the newest state")
