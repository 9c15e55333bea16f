"""Samples go only after a sign-off that still stands, and all that was made of them works on without them."""

from __future__ import annotations

import json
import os
import re
import shutil
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from benchpipe.check.signing import signed_words, standing, state_to_sign, why_not_approved
from benchpipe.cli.main import call
from benchpipe.config.lab import RetentionConfig
from benchpipe.errors import ConfigError, InputError, StoreError
from benchpipe.pipeline import run_steps
from benchpipe.retention import drop_samples, retain
from benchpipe.run import RunConfig, load_run
from benchpipe.samples.inputs import sample_inputs
from benchpipe.samples.stream import stream_samples
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore
from benchpipe.tables import TABLES
from tests.retention.test_retention_archive import Killed, step_by_step
from tests.retention.unsigned import unsigned_by_key
from tests.store.kept import tree
from tests.trace_lines import trace_rows

NOW = datetime(2031, 5, 1, tzinfo=UTC)
WHO = "A. Reviewer, laboratory"


class Kept:
    """A run of a lab that was worked through: its store, and what the steps say of it."""

    def __init__(self, lab: Path, name: str) -> None:
        self.folder = lab.parent / name
        self.store = RunStore(lab.parent / "store", name)

    @property
    def run(self) -> RunConfig:
        return load_run(self.folder / "plan.toml")

    @property
    def manifest(self) -> Manifest:
        return self.store.manifest()

    def sign(self, now: datetime = NOW) -> Manifest:
        return unsigned_by_key(self.store, self.manifest, WHO, "", now)

    def drop(self) -> Manifest:
        return drop_samples(self.run, self.store, self.manifest, "a test", NOW).manifest

    def night(self, **options: Any) -> Manifest:
        return run_steps(self.run, **options).manifest

    def tables(self) -> dict[str, Any]:
        return {name: self.store.read(self.manifest, name) for name in TABLES if name not in ("samples", "origins")}

    def traced(self) -> Iterator[str]:
        """Every line of every trace there is."""
        for block, what, number in (("durability", "cycle", 1), ("durability", "cycle", 700), ("held", "hold", 1),
                                    ("free", "sweep", 2)):  # fmt: skip
            try:
                yield from trace_rows(self.run, self.store, self.manifest, block, what, number)
            except ConfigError as error:
                yield error.what

    def remarks(self, code: str) -> list[str]:
        return [r.text for step in self.manifest.steps.values() for r in step.remarks if r.code == code]


@pytest.fixture
def lab(sample_lab: Path, tmp_path: Path) -> Path:
    shutil.copytree(sample_lab.parents[1], tmp_path, dirs_exist_ok=True)
    return tmp_path / "sample_runs" / "lab.toml"


@pytest.fixture
def kept(lab: Path) -> Kept:
    return Kept(lab, "healthy")


def test_after_it_all_works_on_and_the_logs_are_as_they_were(kept: Kept) -> None:
    logs, before, traced = tree(kept.folder), kept.tables(), list(kept.traced())
    assert sum("rows " in line for line in traced) >= 4
    keys = {name: step.key for name, step in kept.manifest.steps.items()}
    kept.sign()
    dropped = kept.drop()
    assert not list(kept.store.folder.rglob("samples/*.parquet"))
    assert dropped.closed
    after = kept.night()
    assert after == dropped  # nothing was read, nothing made anew
    assert {name: after.steps[name].key for name in keys} == keys
    assert after.account() == dropped.account()
    assert kept.tables() == before
    assert list(kept.traced()) == traced
    assert tree(kept.folder) == logs
    assert len(kept.remarks("dropped")) == 1
    assert "dropped on 2031-05-01 by a test, after the sign-off by A. Reviewer" in kept.remarks("dropped")[0]
    with pytest.raises(StoreError, match="samples were dropped after it was signed off"):
        list(stream_samples(kept.store.folder, sample_inputs(after), ["row"]))


def test_the_origins_say_of_every_cycle_what_the_samples_said(kept: Kept) -> None:
    numbers = range(1, kept.store.read(kept.manifest, "cycles").num_rows, 97)

    def rows() -> list[list[str]]:
        return [
            list(trace_rows(kept.run, kept.store, kept.manifest, "durability", "cycle", number)) for number in numbers
        ]

    from_samples = rows()
    kept.sign()
    kept.drop()
    assert rows() == from_samples


def test_without_a_sign_off_nothing_goes(kept: Kept) -> None:
    with pytest.raises(ConfigError, match="the samples of run 'healthy' are kept: it is not signed off"):
        kept.drop()
    with pytest.raises(ConfigError, match="was not judged yet"):
        state_to_sign(kept.store, kept.manifest.model_copy(update={"steps": {}}))


def test_an_approval_counts_once_enough_persons_have_signed_that_state(kept: Kept) -> None:
    def signed(who: str, meaning: str, **more: Any) -> str:
        role = {"role": "laboratory", "meaning": meaning, "entry": 1, **more}
        unsigned_by_key(kept.store, kept.manifest, who, "a reason", NOW, **role)
        return why_not_approved(kept.store, kept.manifest)

    assert signed("A. Reviewer", "reviewed") == "it was reviewed, and is not approved yet"
    assert signed_words(kept.store, kept.manifest) == (
        "pass, reviewed by A. Reviewer, laboratory on 2031-05-01 00:00:00+00:00 (state 4, ledger entry 1)"
    )
    assert signed("a.  reviewer", "approved", persons=2) == "1 of 2 persons have signed it"  # twice is one
    assert standing(kept.store, kept.manifest) is None
    assert signed_words(kept.store, kept.manifest).endswith("; 1 of 2 persons have signed it")
    assert signed("B. Quality", "approved", persons=2, deviation="none") == ""
    assert standing(kept.store, kept.manifest) == kept.manifest.signed[-1]
    assert signed_words(kept.store, kept.manifest).endswith("ledger entry 1); deviation: none")
    assert signed("C. Other", "withdrawn") == "its sign-off was withdrawn"
    assert signed_words(kept.store, kept.manifest) == (
        "sign-off withdrawn by C. Other, laboratory on 2031-05-01 00:00:00+00:00: a reason (ledger entry 1)"
    )
    assert not kept.manifest.approved
    assert signed("B. Quality", "approved") == ""  # one is enough for this one, and the others do not count any more
    assert kept.manifest.approved


def test_a_sign_off_of_an_older_version_is_called_unsigned_by_key(kept: Kept) -> None:
    kept.sign()
    assert signed_words(kept.store, kept.manifest) == (
        "pass, signed off by A. Reviewer, laboratory on 2031-05-01 00:00:00+00:00 (state 4), unsigned by key"
    )
    assert standing(kept.store, kept.manifest) is not None


def test_a_sign_off_is_of_one_state(kept: Kept, lab: Path) -> None:
    before = kept.manifest
    signed = kept.sign().signed[-1]
    assert (signed.who, signed.sequence, signed.when) == (WHO, before.sequence, NOW.isoformat())
    history = kept.store.folder / "history" / f"{signed.sequence:06d}.json"
    assert tree(history.parent)[history.name] == signed.manifest_sha256
    assert kept.night() == kept.manifest
    assert standing(kept.store, kept.manifest) == signed
    limits = lab.parents[1] / "configs" / "limits" / "lockable-ankle.toml"
    limits.write_text(limits.read_text().replace('value = "-15 %"', 'value = "15 %"'))
    kept.night()
    assert standing(kept.store, kept.manifest) is None
    assert "have changed since: sign off again" in signed_words(kept.store, kept.manifest)
    with pytest.raises(ConfigError, match="have changed since it was signed off"):
        kept.drop()
    kept.sign()
    assert kept.drop().closed


@pytest.mark.parametrize("what", ["is not there", "is not what was taken"])
def test_samples_that_are_the_only_copy_stay(kept: Kept, what: str) -> None:
    kept.sign()
    log = sorted((kept.folder / "logs").iterdir())[0]
    if what == "is not there":
        log.rename(log.with_name("away"))
    else:
        log.write_bytes(log.read_bytes()[:-1] + b"x")
    before = kept.manifest
    with pytest.raises(InputError, match=f"{what}: the samples are the only copy"):
        kept.drop()
    assert kept.manifest == before
    assert list(kept.store.folder.rglob("samples/*.parquet"))


def test_a_new_log_is_told_and_not_taken(kept: Kept) -> None:
    kept.sign()
    dropped = kept.drop()
    first = sorted((kept.folder / "logs").iterdir())[0]
    new = first.with_name("healthy_0003.csv.gz")
    shutil.copy(first, new)
    assert kept.night().sources == dropped.sources
    (told,) = kept.remarks("closed")
    assert "1 log(s) are new or have changed since the samples were dropped (first: logs/healthy_0003.csv.gz)" in told
    assert "benchpipe ingest RUN --again" in told
    assert kept.night() == kept.manifest
    new.unlink()
    kept.night()
    assert kept.remarks("closed") == []


def test_a_changed_plan_or_rig_file_leaves_what_was_signed(kept: Kept, lab: Path) -> None:
    before = kept.tables()
    kept.sign()
    kept.drop()
    for path, old, new, told in (
        (kept.folder / "plan.toml", 'tolerance = "3 %"', 'tolerance = "1 %"', "the plan, the rig file or the program"),
        (lab.parent / "rig-one.toml", "scale = 1.0", "scale = 2.0", "would read the logs differently"),
    ):
        text = path.read_text()
        assert old in text
        path.write_text(text.replace(old, new, 1))
        kept.night()
        assert any(told in one for one in kept.remarks("closed"))
        assert {k: v for k, v in kept.tables().items() if k != "verdicts"} == {
            k: v for k, v in before.items() if k != "verdicts"
        }
        path.write_text(text)
        kept.night()
        assert kept.remarks("closed") == []
    assert kept.tables() == before


def test_again_reads_all_anew_while_the_logs_are_there(kept: Kept) -> None:
    before = kept.tables()
    kept.sign()
    kept.drop()
    shelf = kept.folder / "shelf"
    (kept.folder / "logs").rename(shelf)
    kept.night()  # logs may be put away
    with pytest.raises(InputError, match=r"2 log\(s\) of run 'healthy' are not there"):
        kept.night(again=True)
    assert kept.tables() == before
    shelf.rename(kept.folder / "logs")
    anew = kept.night(again=True)
    assert not anew.closed
    assert list(kept.store.folder.rglob("samples/*.parquet"))
    assert kept.tables() == before
    assert [one.who for one in anew.signed] == [WHO]


@pytest.mark.parametrize("kill", [True, False])
def test_stopped_at_any_step_the_samples_are_there_or_dropped(kept: Kept, tmp_path: Path, kill: bool) -> None:
    what = Killed() if kill else OSError(5, os.strerror(5))
    kept.sign()
    before, traced, rows = kept.tables(), list(kept.traced()), kept.manifest.account().samples
    store = kept.store.folder
    shutil.copytree(store, tmp_path / "saved")
    with pytest.MonkeyPatch.context() as patch:
        total = step_by_step(patch, -1, what)
        kept.drop()
    for stop in range(1, total[0] + 1):
        shutil.rmtree(store)
        shutil.copytree(tmp_path / "saved", store)
        with pytest.MonkeyPatch.context() as patch:
            step_by_step(patch, stop, what)
            with suppress(Killed, OSError, StoreError):
                kept.drop()
        if not kept.manifest.closed:
            assert sum(len(b.time_us) for b in stream_samples(store, sample_inputs(kept.manifest), ["row"])) == rows
            kept.drop()
        kept.night()
        assert not list(store.rglob("samples/*.parquet")), stop
        assert not list(store.rglob(".unfinished-*")), stop
        assert len(list(store.rglob("origins/*.parquet"))) == 1
        assert (kept.tables(), list(kept.traced())) == (before, traced)


# --- the rule of a lab --------------------------------------------------------------------------------------


def test_the_rule_waits_spares_what_failed_and_acts_once(lab: Path) -> None:
    kept = Kept(lab, "healthy")
    rule = RetentionConfig(drop_samples_after=30 * 86_400.0)

    def after(days: float, rules: RetentionConfig = rule, one: Kept = kept) -> bool:
        return retain(one.run, one.store, one.store.manifest(), rules, NOW + timedelta(days=days)) is not None

    assert not after(1000)  # nobody has signed
    kept.sign()
    assert not after(29.9)
    assert not after(1000, RetentionConfig())
    assert after(30.1)
    assert not after(31)
    assert "the lab's rule drop_samples_after = 30 d" in kept.remarks("dropped")[0]
    failed = Kept(lab, "wearing")
    assert failed.sign().signed[-1].verdict == "fail"
    assert not after(1000, rule, failed)
    assert after(1000, RetentionConfig(drop_samples_after=0.0, keep_failed=False), failed)


def test_nightly_keeps_to_the_rule_and_shows_what_is_away(
    lab: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(lab.parent)
    lab.write_text(lab.read_text() + '\n[retention]\ndrop_samples_after = "0 s"\n')
    Kept(lab, "healthy").sign(datetime.now(UTC))
    Kept(lab, "wearing").sign(datetime.now(UTC))
    assert call(["archive", "creeping-lock", "--to", "../archive"]) == 0
    capsys.readouterr()
    assert call(["nightly", "--brief"]) == 10  # 'wearing' failed; what is away counts for nothing
    out, err = capsys.readouterr()
    rows = Kept(lab, "healthy").manifest.account().samples
    assert f"healthy: samples dropped by the lab's rule: {rows:,} rows" in err
    assert "wearing: samples" not in err
    assert re.search(r"creeping-lock .*archived", out)
    assert call(["trace", "healthy", "durability", "--cycle", "5"]) == 0
    assert "note: samples dropped on" in capsys.readouterr().err
    assert call(["export", "healthy", "samples"]) == 12
    assert call(["show", "creeping-lock"]) == 12
    assert "benchpipe restore creeping-lock" in capsys.readouterr().err
    assert call(["restore", "creeping-lock", "--check"]) == 0
    assert call(["restore", "creeping-lock"]) == 0
    assert call(["show", "creeping-lock"]) == 10


def test_a_night_still_gives_the_verdicts_of_a_run_that_is_archived(
    lab: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def told(*more: str) -> dict[str, Any]:
        capsys.readouterr()
        code = call(["nightly", "--json", *more])
        document = json.loads(capsys.readouterr().out)
        assert document["exit_code"] == code
        return {"code": code} | {run["run"]: run for run in document["runs"]}

    monkeypatch.chdir(lab.parent)
    text = lab.read_text().replace('"creeping-lock/plan.toml",', "")
    lab.write_text(text.partition("[[test]]")[0])  # it names the run
    Kept(lab, "wearing").sign()
    before = told()
    assert before["code"] == 10
    assert call(["archive", "wearing", "--to", "../archive"]) == 0
    (lab.parents[1] / "archive").rename(tmp_path / "on-a-shelf")  # the night does not need it
    junit = tmp_path / "night.xml"
    after = told("--junit", str(junit))
    assert after["code"] == 0
    now, then = after["wearing"], before["wearing"]
    for field in ("limits", "verdict", "judged", "signed"):
        assert now[field] == then[field] != []
    assert then["limits_note"] == ""
    assert now["limits_note"].startswith("as they were when the run was archived on 20")
    assert now["alarms"] == []
    suite = re.search(r'<testsuite name="wearing"[^>]*>', junit.read_text())
    assert suite is not None
    assert f'errors="0" skipped="{len(now["limits"])}"' in suite[0]
    assert 'failures="0"' in suite[0]
    note = lab.parent / "store" / "wearing" / "archived.json"
    old = json.loads(note.read_text())
    del old["verdicts"], old["signed"]
    note.write_text(json.dumps(old))  # as an older program wrote it
    bare = told()["wearing"]
    assert (bare["limits"], bare["judged"], bare["verdict"]) == ([], False, "not evaluated")
    assert bare["limits_note"].startswith("they are in the archive: benchpipe show ")
