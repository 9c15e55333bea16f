"""Figures made again from the raw logs: of logs that grew, by settings that the store keeps, without samples; and what
cannot be made again."""

from __future__ import annotations

import gzip
import shutil
from pathlib import Path

import pyarrow as pa
import pytest

from benchpipe.cli.main import call
from benchpipe.errors import StoreError
from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.store.run_store import RunStore
from benchpipe.verify import recompute
from benchpipe.verify.line import Line, Status, code_of
from benchpipe.verify.recompute import recompute_lines
from benchpipe.verify.run import Verifying, verify
from benchpipe.verify.table_bits import differing
from tests.retention.test_retention_samples import Kept
from tests.store.kept import tree
from tests.verify.labs import flipped, write_kept

RUN = "wearing"


@pytest.fixture
def lab(sample_lab: Path, tmp_path: Path) -> Path:
    shutil.copytree(sample_lab.parents[1], tmp_path, dirs_exist_ok=True)
    return tmp_path / "sample_runs" / "lab.toml"


def made_again(lab: Path, run: str = RUN) -> Line:
    """What is said of a run's figures."""
    folder = lab.parent / "store" / run
    (line,) = recompute_lines(folder, lab.parent / run, RunStore(folder.parent, run).manifest(), lambda _: None)
    return line


def test_a_log_that_has_grown_is_read_as_far_as_it_was_taken(lab: Path) -> None:
    folder = lab.parent / RUN
    plan = folder / "plan.toml"
    plan.write_text(plan.read_text(encoding="utf-8").replace("*.csv.gz", "*.csv"), encoding="utf-8")
    first, second = sorted((folder / "logs").iterdir())
    for path in (first, second):
        path.with_suffix("").write_bytes(gzip.decompress(path.read_bytes()))
        path.unlink()
    shutil.rmtree(lab.parent / "store" / RUN)
    log = second.with_suffix("")
    lines = log.read_bytes().splitlines(keepends=True)
    log.write_bytes(b"".join(lines[:30_000]) + lines[30_000][:20])  # a line that is being written
    work(load_run(plan))
    log.write_bytes(b"".join(lines[:40_000]) + lines[40_000][:9])
    work(load_run(plan))  # in two parts
    log.write_bytes(b"".join(lines))
    before = tree(lab.parent)
    line = made_again(lab)
    assert (line.status, "all the same to the last bit" in line.text) == (Status.HOLDS, True), line
    assert tree(lab.parent) == before


def test_without_samples_figures_are_made_again_and_explained(lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kept = Kept(lab, "healthy")
    asked = ["trace", "healthy", "durability", "--cycle", "1000-1003", "--rows", "--lab", str(lab)]
    assert call(asked) == 0
    before = [line for line in capsys.readouterr().out.splitlines() if line.startswith("  logs") or ", rows " in line]
    kept.sign()
    kept.drop()
    assert made_again(lab, "healthy").status is Status.HOLDS
    assert call(asked) == 0
    out = capsys.readouterr().out
    assert [line for line in out.splitlines() if line.startswith("  logs") or ", rows " in line] == before
    assert "no sample of these rows is kept: nothing to compare with" in out
    assert call(["explain", "healthy", "durability", "stiffness lost", "--lab", str(lab)]) == 0
    assert "rows " in capsys.readouterr().out


def test_the_settings_are_those_that_the_store_keeps(lab: Path) -> None:
    drift = lab.parents[1] / "configs" / "limits" / "drift.toml"
    drift.write_text(drift.read_text(encoding="utf-8").replace('"25 %"', '"45 %"'), encoding="utf-8")
    plan = lab.parent / RUN / "plan.toml"
    plan.write_text("no TOML at all", encoding="utf-8")
    assert made_again(lab).status is Status.HOLDS
    settings = lab.parent / "store" / RUN / "configuration"
    one = sorted(settings.glob("*.toml"))[0]
    write_kept(one, flipped(one.read_bytes(), 5, 1))
    line = made_again(lab)
    assert line.status is Status.UNKNOWN
    assert "a settings file that the store keeps is damaged" in line.text


def test_what_cannot_be_made_again_is_not_known(lab: Path) -> None:
    folder = lab.parent / "store" / RUN
    manifest = RunStore(folder.parent, RUN).manifest()

    def why(**changes: object) -> str:
        changed = manifest.model_copy(update=changes)
        (line,) = recompute_lines(folder, lab.parent / RUN, changed, lambda _: None)
        assert (line.status, line.what) == (Status.UNKNOWN, "figures")
        return line.text

    assert "without its settings files" in why(configuration={})
    assert "done with different settings files" in why(configuration={**manifest.configuration, "ingest": "0" * 64})
    assert "not judged yet" in why(steps={})
    (line,) = recompute_lines(folder, None, manifest, lambda _: None)
    assert (line.status, "no plan of the lab" in line.text) == (Status.UNKNOWN, True)
    log = lab.parent / RUN / manifest.sources[1].file
    data = log.read_bytes()
    write_kept(log, flipped(data, len(data) // 2, 0))
    lines = verify(Verifying(folder.parent, {RUN: lab.parent / RUN}, recompute=True))
    assert code_of(lines) == 13  # of the log
    (line,) = [line for line in lines if line.what == "figures"]
    assert "bytes are not those that were taken" in line.text


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a disk without room is needed")
def test_no_room_for_the_copy_is_not_blamed_on_the_log(lab: Path) -> None:
    source = RunStore(lab.parent / "store", RUN).manifest().sources[0]
    with pytest.raises(StoreError, match=r"the logs cannot be copied to .*No space left"):
        recompute._copy(lab.parent / RUN / source.file, Path("/dev/full"), source)


def test_other_software_makes_a_difference_not_known(lab: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recompute, "differing", lambda *_: "1 value(s) differ")
    line = made_again(lab)
    assert (line.status, "verdicts: 1 value(s) differ" in line.text or "and" in line.text) == (Status.CHANGED, True)
    monkeypatch.setattr(recompute, "other_software", lambda _: "made by other software (process): numpy 1, now 2")
    line = made_again(lab)
    assert line.status is Status.UNKNOWN
    assert line.text.endswith("They were made by other software (process): numpy 1, now 2")


@pytest.mark.parametrize(
    ("stored", "made", "said"),
    [
        ([1.0, None, float("nan")], [1.0, None, float("nan")], ""),
        ([1.0, 0.0], [1.0, -0.0], "1 value(s) differ, the first in row 2: x 0.0 is stored, -0.0 was made"),
        ([1.0, None], [1.0, 0.0], "1 value(s) differ, the first in row 2: x None is stored, 0.0 was made"),
        ([1.0, None], [1.0, float("nan")], "1 value(s) differ, the first in row 2: x None is stored, nan was made"),
        ([1.0], [1.0000000000000002], "1 value(s) differ, the first in row 1: x 1.0 is stored, "
         "1.0000000000000002 was made"),
        (["a", "b", None], ["a", "c", None], "1 value(s) differ, the first in row 2: x 'b' is stored, 'c' was made"),
        ([1, 2], [1], "2 rows are stored, 1 were made"),
        ([1, 2], [1.0, 2.0], "its columns are others"),
        ([], [], ""),
    ],
)  # fmt: skip
def test_tables_are_compared_to_the_last_bit(stored: list[object], made: list[object], said: str) -> None:
    assert differing(pa.table({"x": stored}), pa.table({"x": made})) == said
    both = pa.table({"x": pa.chunked_array([stored[:1], stored[1:]], pa.array(stored).type)})
    assert differing(both, pa.table({"x": made})) == said  # however it is cut
