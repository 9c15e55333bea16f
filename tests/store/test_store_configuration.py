"""Settings files in the store: each content once, never lost, never taken for another."""

from __future__ import annotations

import hashlib
import json
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest

from benchpipe.check.signing import standing
from benchpipe.cli.main import call
from benchpipe.config.settings import LAB_SECTIONS, SettingsFile, lab_settings
from benchpipe.errors import DamageError
from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.store.archive import archive_run, restore_run
from benchpipe.store.configuration import FOLDER, files_of_state, freeze, frozen, list_sha256, read_file, read_list
from benchpipe.store.lock import hold_store
from benchpipe.store.manifest import Manifest
from benchpipe.store.mending import QUARANTINE
from benchpipe.store.run_store import RunStore
from benchpipe.store.settings_dates import note_settings, settings_since
from tests.retention.unsigned import unsigned_by_key

PLAN = SettingsFile("plan", "plan.toml", b'name = "one"\n')
RIG = SettingsFile("rig", "../rig.toml", b'name = "rig"\n')
LAB = SettingsFile("lab", "lab.toml", b"{}")


@pytest.fixture
def lab(sample_lab: Path, tmp_path: Path) -> Path:
    shutil.copytree(sample_lab.parents[1], tmp_path, dirs_exist_ok=True)
    return tmp_path / "sample_runs" / "lab.toml"


def names(store: RunStore) -> set[str]:
    return {path.name for path in (store.folder / FOLDER).iterdir()}


def test_each_content_is_kept_once_and_read_back(tmp_path: Path) -> None:
    store = RunStore(tmp_path, "one")
    freeze(store, [PLAN, RIG, LAB])
    first = names(store)
    assert len(first) == 4  # and the list
    freeze(store, [PLAN, RIG, LAB])
    assert names(store) == first
    other = SettingsFile("plan", "plan.toml", b'name = "two"\n')
    freeze(store, [other, RIG, LAB])
    assert names(store) > first
    assert len(names(store)) == 6
    for files in ([PLAN, RIG, LAB], [other, RIG, LAB]):
        kept = read_list(store.folder, list_sha256(files))
        assert kept == frozen(files)
        assert [read_file(store.folder, one) for one in kept] == [one.data for one in files]
    assert all(hashlib.sha256((store.folder / FOLDER / n).read_bytes()).hexdigest() == n.split(".")[0] for n in first)


def test_a_damaged_one_is_an_error_and_is_written_again(tmp_path: Path) -> None:
    store = RunStore(tmp_path, "one")
    freeze(store, [PLAN, RIG])
    one = frozen([PLAN])[0]
    path = store.folder / one.path
    path.write_bytes(b'name = "onf"\n')
    with pytest.raises(DamageError, match="not those that were written"):
        read_file(store.folder, one)
    freeze(store, [PLAN, RIG])
    assert read_file(store.folder, one) == PLAN.data
    assert [p.read_bytes() for p in (store.folder / QUARANTINE).glob("*.toml")] == [b'name = "onf"\n']
    path.unlink()
    with pytest.raises(DamageError, match="damaged or missing"):
        read_file(store.folder, one)
    (store.folder / FOLDER / f"{list_sha256([PLAN, RIG])}.json").write_bytes(b"{}")
    with pytest.raises(DamageError):
        read_list(store.folder, list_sha256([PLAN, RIG]))


def test_a_state_names_the_files_that_it_was_made_with(lab: Path) -> None:
    run = load_run(lab.parent / "wearing" / "plan.toml")
    store = run.open_store()
    manifest = store.manifest()
    assert set(manifest.configuration) == {"ingest", "process", "drift", "check"}
    kept = files_of_state(store.folder, manifest)
    assert [(one.role, one.name) for one in kept] == [
        ("plan", "plan.toml"), ("rig", "../rig-two.toml"), ("limits", "../../configs/limits/foot-structural-p4.toml"),
        ("limits", "../../configs/limits/foot-proof-p4.toml"), ("limits", "../../configs/limits/drift.toml"),
        ("lab", "lab.toml"),
    ]  # fmt: skip
    for one in kept[:5]:
        assert read_file(store.folder, one) == (run.folder / one.name).read_bytes()


def test_other_files_alone_make_one_state_and_no_other_figures(lab: Path) -> None:
    plan = lab.parent / "wearing" / "plan.toml"
    run = load_run(plan)
    before = run.open_store().manifest()
    assert work(run).manifest == before  # nothing new: no state
    plan.write_text("# a remark\n" + plan.read_text(encoding="utf-8"), encoding="utf-8")
    after = work(load_run(plan)).manifest
    assert after.sequence == before.sequence + 1
    assert after.steps == before.steps
    assert set(after.configuration.values()).isdisjoint(before.configuration.values())
    assert work(load_run(plan)).manifest == after
    assert files_of_state(run.open_store().folder, before)  # the old ones stay


def test_a_step_alone_is_dated_by_its_own_files(lab: Path) -> None:
    plan = lab.parent / "wearing" / "plan.toml"
    before = load_run(plan).open_store().manifest().configuration
    plan.write_text(plan.read_text(encoding="utf-8").replace('"3 %"', '"4 %"', 1), encoding="utf-8")
    used = work(load_run(plan), first="process", until="process").manifest.configuration
    assert used["process"] != before["process"]
    assert {used[name] for name in ("ingest", "drift", "check")} == set(before.values())


def test_archive_and_restore_keep_them(lab: Path, tmp_path: Path) -> None:
    store = RunStore(lab.parent / "store", "wearing")
    before, now = names(store), datetime(2031, 5, 1, tzinfo=UTC)
    with hold_store(store.folder.parent):
        archive_run(store.folder.parent, "wearing", tmp_path / "archive", now)
        assert not (store.folder / FOLDER).exists()
        assert {p.name for p in (tmp_path / "archive" / "wearing" / FOLDER).iterdir()} == before
        restore_run(store.folder.parent, "wearing", None, now)
        assert names(store) == before
        next((store.folder / FOLDER).glob("*.toml")).write_bytes(b"x")
        with pytest.raises(DamageError, match="a damaged run is not archived"):
            archive_run(store.folder.parent, "wearing", tmp_path / "archive", now)


def test_addresses_of_recipients_stay_out_of_the_store(lab: Path) -> None:
    text = lab.read_text(encoding="utf-8") + '\n[[tell]]\nname = "team"\nenv = "WHERE_THE_SECRET_IS"\n'
    lab.write_text(text, encoding="utf-8")
    kept = json.loads(lab_settings(lab, "healthy").data)
    assert set(kept) <= {*LAB_SECTIONS, "test"}
    assert b"SECRET" not in lab_settings(lab, "healthy").data
    assert [test["name"] for test in kept["test"]] == ["lockable ankle"]
    assert "test" not in json.loads(lab_settings(lab, "wearing").data)  # it is in none


def test_dates_of_settings_follow_the_states(tmp_path: Path) -> None:
    first, later = datetime(2031, 5, 1, tzinfo=UTC), datetime(2031, 5, 2, tzinfo=UTC)
    note_settings(tmp_path, "one", 4, "a" * 64, first)
    note_settings(tmp_path, "one", 5, "a" * 64, later)  # the same files
    note_settings(tmp_path, "one", 7, "b" * 64, later)
    assert settings_since(tmp_path, "one", 5, "a" * 64) == "2031-05-01T00:00:00+00:00"
    assert settings_since(tmp_path, "one", 8, "b" * 64) == "2031-05-02T00:00:00+00:00"
    assert settings_since(tmp_path, "one", 8, "a" * 64) is None
    assert settings_since(tmp_path, "other", 8, "a" * 64) is None
    note_settings(tmp_path, "one", 6, "c" * 64, later)  # the store was put back
    assert settings_since(tmp_path, "one", 7, "b" * 64) is None


def test_files_are_safe_before_a_manifest_names_them(lab: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plain, commits = RunStore.commit, list[int]()

    def checked(self: RunStore, manifest: Manifest) -> Manifest:
        for used in manifest.configuration.values():
            assert [read_file(self.folder, one) for one in read_list(self.folder, used)]
        commits.append(len(manifest.configuration))
        return plain(self, manifest)

    plan = lab.parent / "wearing" / "plan.toml"
    plan.write_text(plan.read_text(encoding="utf-8").replace('"3 %"', '"4 %"', 1), encoding="utf-8")
    monkeypatch.setattr(RunStore, "commit", checked)
    work(load_run(plan))
    assert commits


def test_a_store_of_an_older_version_gets_them_by_one_state_and_keeps_its_sign_off(
    lab: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = load_run(lab.parent / "wearing" / "plan.toml")
    store = run.open_store()
    old = store.manifest()
    check = old.steps["check"].model_copy(update={"state": {}})
    old = store.commit(old.model_copy(update={"configuration": {}, "steps": {**old.steps, "check": check}}))
    shutil.rmtree(store.folder / FOLDER)
    old = unsigned_by_key(store, old, "A. Reviewer", "", datetime(2031, 5, 1, tzinfo=UTC))
    assert call(["changes", "wearing", "--disk", "--lab", str(lab)]) == 2
    assert "was written by an older version, without settings files" in capsys.readouterr().err
    assert call(["explain", "wearing", "durability", "loop energy changed, up", "--lab", str(lab)]) == 0
    assert "not kept: an older version made this state" in capsys.readouterr().out
    new = work(run).manifest
    assert new.sequence == old.sequence + 1
    assert new.steps == old.steps  # nothing is judged again
    assert standing(store, new) is not None
    assert files_of_state(store.folder, new)
    assert call(["changes", "wearing", "--disk", "--lab", str(lab)]) == 0
