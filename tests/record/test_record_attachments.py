"""Which files a record carries: what was judged and how it was set always, tables as far as 10 MB go."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from benchpipe.errors import ConfigError, DamageError
from benchpipe.run import RunConfig, load_run
from benchpipe.views.record import attachments as made_by
from benchpipe.views.record.configuration import ConfigFile, configuration_files
from benchpipe.views.record.gather import record_of
from benchpipe.views.record.written import plan_facts, rig_file_facts
from tests.verify.labs import flipped


@pytest.fixture
def run(sample_lab: Path, tmp_path: Path) -> RunConfig:
    """A run of a copy of the sample lab."""
    shutil.copytree(sample_lab.parents[1], tmp_path / "lab")
    return load_run(tmp_path / "lab" / "sample_runs" / "wearing" / "plan.toml")


def test_all_files_together_have_10_mb_at_most_and_what_was_judged_comes_first(
    run: RunConfig, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert made_by.MOST_BYTES == 10_000_000
    every = {one.name: len(one.data) for one in record_of(run, run.open_store()).attached}
    always = sum(size for name, size in every.items() if not name.endswith(".parquet") and name != "contents.json")
    most = always + every["verdicts.parquet"] + every["budgets.parquet"] + every["loops.parquet"]
    monkeypatch.setattr(made_by, "MOST_BYTES", most)
    found = record_of(run, run.open_store()).attached
    names = [one.name for one in found]
    tables = [name for name in names if name.endswith(".parquet")]
    assert tables == ["verdicts.parquet", "budgets.parquet", "loops.parquet"]
    assert sum(len(one.data) for one in found if one.name != "contents.json") == most
    listed = json.loads(found[-1].data)["tables"]
    assert {one["table"] for one in listed if one["attached"] is None} >= {"trends", "proofs", "cycles", "samples"}


def test_names_of_attached_files_are_plain_and_differ(run: RunConfig) -> None:
    store = run.open_store()
    manifest = store.manifest()
    odd = ("ä b/../c.toml", "ä b/../c.toml", "足", "-.", "(x)\\y")
    files = [ConfigFile("limits", name, b"x = 1\n") for name in odd]
    found = made_by.attachments(manifest, b"{}", store, files, (), [], [])
    names = [one.name for one in found if one.name.startswith("configuration")]
    assert names == [
        "configuration-1-b-..-c.toml", "configuration-2-b-..-c.toml", "configuration-3-file", "configuration-4-file",
        "configuration-5-x-y",
    ]  # fmt: skip


def test_a_part_that_is_not_what_was_written_is_in_no_record(run: RunConfig) -> None:
    store = run.open_store()
    part = store.manifest().table("proofs")[0]
    path = store.folder / part.path
    path.write_bytes(flipped(path.read_bytes(), part.bytes // 2, 3))
    with pytest.raises(DamageError):
        record_of(run, store)
    with pytest.raises(DamageError, match="a part is not what was written"):
        made_by.attachments(store.manifest(), b"{}", store, (), (), [], [])


def test_settings_are_those_of_the_state_and_not_those_of_the_disk(run: RunConfig) -> None:
    store = run.open_store()
    manifest = store.manifest()
    before = run.rig_path.read_bytes()
    run.rig_path.unlink()
    found = {one.what: one for one in configuration_files(run, store, manifest)}
    assert found["rig"].data == before
    assert found["rig"].values["name"] == run.rig.name
    assert {"plan", "rig", "limits"} <= set(found)
    older = manifest.model_copy(update={"configuration": {}})  # the state of an older version
    with pytest.raises(ConfigError, match="cannot be read") as caught:
        configuration_files(run, store, older)
    assert caught.value.where == str(run.rig_path)


def test_plan_and_rig_are_in_the_words_of_their_files() -> None:
    plan = b'name = "r"\nlogs = ["a.csv", "b.csv"]\n[[block]]\nname = "d"\nkind = "cyclic"\nload_max = "80 N*m"\n'
    rig = (
        b'name = "Rig"\n[log]\nunits_row = true\n[[channel]]\nname = "torque"\ncolumn = 2\nunit = "N*m"\n'
        b'[[channel.calibration]]\ncertificate = "A"\nscale = 2.0\nuncertainty = "0.5 %"\n'
        b'[[channel.calibration]]\ncertificate = "B"\nvalid_from = 2031-02-01\ntable = [[0, 0], [1, 2]]\n'
    )
    files = (ConfigFile("plan", "plan.toml", plan), ConfigFile("rig", "rig.toml", rig))
    whole, block = plan_facts(files)
    assert whole.rows.rows == (("name", "r"), ("logs", "a.csv, b.csv"))
    assert (block.title, block.rows.rows) == ("block d (cyclic)", (("load_max", "80 N*m"),))
    calibrations, channels, rest = rig_file_facts(files)
    assert calibrations.rows.rows == (
        ("torque", "A", "", "", "0.5 %", "scale 2.0"),
        ("torque", "B", "2031-02-01", "", "not stated", "table 0, 0; 1, 2"),
    )
    assert channels.rows.rows == (("torque", "2", "N*m", ""),)
    assert rest.rows.rows == (("name", "Rig"), ("log", "units_row yes"))
