"""doctor finds what would stop a night, says what to do, leaves with the night's code, and writes nothing."""

from __future__ import annotations

import json
import os
import re
import shutil
import time
from pathlib import Path
from types import SimpleNamespace

import pytest

from benchpipe.cli import findings
from benchpipe.cli.doctor import look_over
from benchpipe.cli.drafting import log_files
from benchpipe.cli.finding import DoctorFinding
from benchpipe.cli.main import call
from benchpipe.cli.options import lab_file
from benchpipe.errors import ConfigError, InputError, install_extra
from tests.cli.commands import playground, run
from tests.conftest import copy_samples
from tests.store.kept import tree
from tests.store.test_store_lock import another_job


@pytest.fixture
def lab(sample_lab: Path, tmp_path: Path) -> Path:
    """A copy of the worked-through lab, to spoil."""
    return playground(sample_lab, tmp_path) / "sample_runs" / "lab.toml"


@pytest.fixture
def fresh(tmp_path: Path) -> Path:
    return copy_samples(tmp_path)


def wrong(lab: Path, code: int) -> DoctorFinding:
    """The one thing that is wrong with a lab; the command leaves with the code it stands for."""
    found = [one for one in look_over(lab) if one.state == "wrong"]
    assert len(found) == 1, found
    assert found[0].do_next
    assert call(["doctor", str(lab)]) == code == found[0].code
    return found[0]


def edited(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


def test_a_sound_lab_is_said_to_be_and_stays_as_it_was(lab: Path) -> None:
    before = tree(lab.parents[1])
    assert [one.text for one in look_over(lab) if one.state == "wrong"] == []
    assert call(["doctor", str(lab.parent)]) == 0
    assert tree(lab.parents[1]) == before


def test_what_a_night_would_read_is_what_it_reads(fresh: Path) -> None:
    def to_read() -> list[str]:
        return [one.text for one in look_over(fresh) if one.topic.startswith("run ") and one.state == "ok"]

    logs = sorted((fresh.parent / "healthy" / "logs").iterdir())
    size = sum(path.stat().st_size for path in logs)
    assert to_read()[0] == f"2 of 2 log(s) to read, {size / 1e6:,.1f} MB"
    assert not (fresh.parent / "store").exists()
    assert call(["ingest", "healthy", "--lab", str(fresh)]) == 0
    assert to_read()[0] == "2 log(s), nothing new"
    shutil.copy(logs[0], logs[0].with_name("healthy_0003.csv.gz"))
    assert to_read()[0].startswith("1 of 3 log(s) to read")


@pytest.mark.parametrize(
    ("file", "old", "new", "code", "told"),
    [
        ("lab.toml", 'store = "store"', 'stroe = "store"', 2, "'store' is missing"),
        ("healthy/plan.toml", 'name = "healthy"', 'nme = "healthy"', 2, "'name' is missing"),
        ("healthy/plan.toml", 'rig = "../rig-one.toml"', 'rig = "rig.toml"', 2, "does not exist"),
        ("healthy/plan.toml", 'name = "healthy"', 'name = "wearing"', 2, "is taken by"),
        ("healthy/plan.toml", '"logs/*.csv.gz"', '"logs/*.txt"', 12, "has no logs"),
        ("rig-two.toml", 'separator = ";"', 'separator = "|"', 12, "no line of the log names the columns"),
        ("rig-two.toml", "%d.%m.%Y", "%Y.%m.%d", 12, "no row of the first"),
    ],
)
def test_a_file_that_is_wrong_is_named(fresh: Path, file: str, old: str, new: str, code: int, told: str) -> None:
    edited(fresh.parent / file, old, new)
    found = wrong(fresh, code)
    assert told in found.text


def test_what_is_said_of_a_file_is_no_longer_than_a_screen(fresh: Path) -> None:
    edited(fresh.parent / "rig-two.toml", 'separator = ";"', f'separator = "{";" * 50_000}"')
    found = wrong(fresh, 2)
    assert "log.separator" in found.text
    assert len(found.text.encode()) < 2048


def test_a_missing_rig_file_is_to_be_drafted(fresh: Path) -> None:
    edited(fresh.parent / "healthy" / "plan.toml", "../rig-one.toml", "rig.toml")
    assert re.search(r"benchpipe inspect \S+/logs --write-rig \S+/rig.toml$", wrong(fresh, 2).do_next)


def test_a_store_that_is_held_is_told(lab: Path) -> None:
    with another_job(lab.parent / "store"):
        assert "another job holds the store" in wrong(lab, 75).text


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="nothing is forbidden to this account")
def test_what_may_not_be_read_or_written_is_told(lab: Path) -> None:
    log = next((lab.parent / "healthy" / "logs").iterdir())
    log.chmod(0)
    assert "the log cannot be read" in wrong(lab, 12).text
    log.chmod(0o600)
    (lab.parent / "store" / "healthy").chmod(0o500)
    assert "may not be written" in wrong(lab, 12).text


def test_a_store_that_cannot_be_made_is_told(fresh: Path) -> None:
    (fresh.parent / "file").write_text("")
    edited(fresh, 'store = "store"', 'store = "file/store"')
    assert "cannot be made in" in wrong(fresh, 12).text


def test_a_damaged_store_is_told(lab: Path) -> None:
    path = lab.parent / "store" / "healthy" / "manifest.json"
    path.write_bytes(path.read_bytes()[:-9])
    assert "manifest is damaged" in wrong(lab, 12).text


def test_a_full_disk_is_told(fresh: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda folder: SimpleNamespace(free=1000))
    assert "0.0 MB free for the store" in wrong(fresh, 12).text
    monkeypatch.setattr(shutil, "disk_usage", lambda folder: SimpleNamespace(free=500_000_000))
    assert [one.topic for one in look_over(fresh) if one.state == "look"] == ["space"]


def test_a_clock_that_was_set_back_is_told(lab: Path) -> None:
    manifest = lab.parent / "store" / "healthy" / "manifest.json"
    ahead = time.time() + 3 * 86_400 + 600
    os.utime(manifest, (ahead, ahead))
    found = wrong(lab, 12)
    assert found.topic == "clock"
    assert "manifest.json was written 3 d later" in found.text


def test_a_rig_clock_that_is_ahead_is_to_be_looked_at(lab: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    told = [one for one in look_over(lab) if one.state == "look" and one.topic == "clock"]
    assert len(told) == 1  # the sample runs are of 2031
    assert re.search(r"the last row of wearing is [0-9,]+ d ahead of this machine", told[0].text)
    assert not any(one.state == "look" for one in findings.clock(int(1e6 * (time.time() - 2 * 86_400)), "x", []))


def test_the_clock_of_a_share_is_held_against_ours(lab: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = time.time
    monkeypatch.setattr(findings.time, "time", lambda: plain() - 7200.0)
    told = [one.text for one in findings.store_access(lab, lab.parent / "store")]
    assert told[-1] == "the disk or share of the store is 2 h ahead"


def test_a_library_that_is_old_or_missing_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    plain = findings.metadata.version

    def version(name: str) -> str:
        if name == "h5py":
            raise findings.metadata.PackageNotFoundError(name)
        return "1.26.4" if name == "numpy" else plain(name)

    monkeypatch.setattr(findings.metadata, "version", version)
    (found,) = findings.libraries({"hdf5", "text"})
    assert found.text == "numpy is 1.26.4, 2 or newer is asked for; h5py is not installed"
    assert found.do_next == install_extra("hdf5")
    assert "h5py" not in next(iter(findings.libraries({"text"}))).text


def test_an_archive_that_is_away_is_to_be_looked_at(lab: Path) -> None:
    assert call(["archive", "healthy", "--to", str(lab.parents[1] / "archive"), "--lab", str(lab)]) == 0
    assert any(one.text == f"in the archive {lab.parents[1] / 'archive' / 'healthy'}" for one in look_over(lab))
    (lab.parents[1] / "archive").rename(lab.parents[1] / "shelf")
    assert any(one.state == "look" and "which is not there now" in one.text for one in look_over(lab))


def test_it_is_plain_and_narrow_in_a_pipe(lab: Path) -> None:
    edited(lab.parent / "healthy" / "plan.toml", 'name = "healthy"', 'nme = "healthy"')
    code, out, _ = run(["doctor", str(lab)], lab.parent)
    assert code == 2
    assert "\x1b" not in out
    assert max(map(len, out.splitlines())) <= 80
    assert "do next:" in out
    assert out.splitlines()[-1].startswith("1 problem")


def test_the_document_says_the_same(lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call(["doctor", str(lab), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert (document["document"], document["version"], document["exit_code"]) == ("benchpipe doctor", 1, 0)
    assert {row["state"] for row in document["found"]} <= {"ok", "look"}
    assert {"libraries", "lab", "store", "space", "clock", "run healthy"} <= {row["topic"] for row in document["found"]}


def test_who_is_told_of_a_night_is_looked_at(lab: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchpipe.notify.sending.library", lambda: None)
    lab.write_text(lab.read_text() + '\n[[tell]]\nname = "shop"\nfile = "urls.txt"\n')
    (found,) = (one for one in look_over(lab) if one.topic == "tell")
    assert (found.state, found.code) == ("wrong", 2)
    assert "urls.txt cannot be read" in found.text
    secrets = lab.parent / "urls.txt"
    secrets.write_text("json://127.0.0.1:9/hush\n")
    secrets.chmod(0o644)
    (found,) = (one for one in look_over(lab) if one.topic == "tell")
    assert (found.state, "others can read" in found.text, "hush" in found.text) == ("look", True, False)
    secrets.chmod(0o600)
    (found,) = (one for one in look_over(lab) if one.topic == "tell")
    assert (found.state, found.text) == ("ok", "shop: 1 address(es)")


# --- plan, limits and logs ----------------------------------------------------------------------------------


def looks(lab: Path, run: str = "healthy") -> list[str]:
    """What is to be looked at of a run."""
    return [one.text for one in look_over(lab) if one.state == "look" and one.topic == f"run {run}"]


def test_plan_limits_and_logs_that_fit_say_nothing(fresh: Path) -> None:
    assert [looks(fresh, name) for name in ("healthy", "wearing", "creeping-lock")] == [[], [], []]


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('load_max = "80 N*m"', 'load_max = "95 N*m"',
         "block 'durability' asks for 5 to 95 N*m, the logs show cycles from 4.99 to 80.01 N*m"),
        ('frequency = "1 Hz"', 'frequency = "2 Hz"', "block 'durability' asks for 2 Hz, the logs show 1 Hz"),
        ("planned_cycles = 2_000_000", "planned_cycles = 1_000_000",
         "block 'durability' plans 1,000,000 cycles, the limit 'planned cycles reached' asks for 2,000,000"),
        ("planned_cycles = 2_000_000", "",
         "block 'durability' states no planned_cycles, and the limit 'planned cycles reached' asks for 2,000,000"),
        ('low = "-4 deg"\nhigh = "4 deg"', 'low = "-40 deg"\nhigh = "4 deg"', "counts sweeps through -40 and 4 deg"),
        ('kind = "cyclic"\n', 'kind = "cyclic"\ndrafted = ["baseline"]\n',
         "block 'durability': baseline drafted from the log: 2 limit(s) wait"),
        ('kind = "cyclic"\n', 'kind = "cyclic"\ndrafted = ["frequency"]\n',
         "block 'durability': frequency drafted from the log, and not confirmed"),
    ],
)  # fmt: skip
def test_what_plan_limits_and_logs_contradict_one_another_in(fresh: Path, old: str, new: str, told: str) -> None:
    edited(fresh.parent / "healthy" / "plan.toml", old, new)
    (text,) = looks(fresh)
    assert told in text
    assert call(["doctor", str(fresh)]) == 0


def test_an_empty_folder_is_answered_with_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"holds no lab\.toml") as lab:
        lab_file(tmp_path)
    assert lab.value.do_next == f"make a lab of it: benchpipe init {tmp_path}; or give the path of a lab file"
    with pytest.raises(InputError, match="holds no file") as logs:
        log_files([tmp_path])
    assert logs.value.do_next == "copy some logs of the rig into it"


def test_rows_that_no_block_takes_and_files_that_are_no_logs(fresh: Path) -> None:
    plan = fresh.parent / "healthy" / "plan.toml"
    text = plan.read_text()
    blocks = r'(?s)\[\[block\]\]\n(?:(?!\[\[block).)*kind = "(?:sweep|locking)"(?:(?!\[\[block).)*'
    plan.write_text(re.sub(blocks, "", text))
    (fresh.parent / "healthy" / "logs" / "photo.png").write_bytes(b"\x89PNG")
    stray, left = looks(fresh)
    assert stray == "1 file(s) beside the logs are not taken: photo.png"
    assert re.match(r"[\d,]+ row\(s\) with mode 0 are taken by no block: logs/healthy_0001.csv.gz, ", left)
