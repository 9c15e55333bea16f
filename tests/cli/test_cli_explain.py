"""`benchpipe explain`: every judged figure of the sample runs shows its budget by one command."""

from __future__ import annotations

import gzip
import hashlib
import json
import re
import shutil
from pathlib import Path

import pytest

from benchpipe.cli.main import call


def judged(lab: Path, run: str, capsys: pytest.CaptureFixture[str]) -> list[dict[str, object]]:
    """Limits of a run that were judged."""
    call(["show", run, "--lab", str(lab), "--json"])
    (found,) = json.loads(capsys.readouterr().out)["runs"]
    return [row for row in found["limits"] if row["due"]]


@pytest.mark.parametrize("run", ["healthy", "wearing", "creeping-lock"])
def test_every_judged_figure_has_its_budget(sample_lab: Path, run: str, capsys: pytest.CaptureFixture[str]) -> None:
    folder = sample_lab.parents[1] / "configs" / "limits"
    files = {"foot structural P4": "foot-structural-p4", "foot proof P4": "foot-proof-p4", "drift, own": "drift",
             "lockable ankle, own": "lockable-ankle"}  # fmt: skip
    for row in judged(sample_lab, run, capsys):
        limits = str(folder / f"{files[str(row['limits_file'])]}.toml")
        asked = ["explain", run, str(row["block"]), str(row["limit"]), "--limits", limits, "--lab", str(sample_lab)]
        assert call([*asked, "--json"]) == 0
        found = json.loads(capsys.readouterr().out)
        assert found["verdict"] == row["verdict"]
        exact = row["statistic"] in ("count", "share")
        assert bool(found["budget"]) is not exact, row["limit"]
        if not exact and row["measured"] is not None:
            total = sum((part["standard_u"] or 0.0) ** 2 for part in found["budget"]) ** 0.5
            assert total == pytest.approx(found["standard_u"], rel=1e-9, abs=1e-12)
        assert call(asked) == 0
        text = capsys.readouterr().out
        for word in ("verdict", "rule", "limit", "source", "used", str(row["verdict"])):
            assert word in text
        assert ("uncertainty: none" in text) is exact


@pytest.mark.parametrize(
    ("arguments", "what"),
    [
        (["healthy", "durabilty", "stiffness lost"], "did you mean 'durability'?"),
        (["healthy", "durability", "stiffness lots"], "did you mean 'stiffness lost'?"),
        (["wearing", "durability", "stiffness lost", "--limits", "no.toml"], "name one limit file of the plan"),
    ],
)
def test_a_name_that_is_not_there_is_an_error(
    sample_lab: Path, arguments: list[str], what: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(["explain", *arguments, "--lab", str(sample_lab)]) == 2
    out, err = capsys.readouterr()
    assert what in err
    assert out == ""


@pytest.fixture
def lab(sample_lab: Path, tmp_path: Path) -> Path:
    shutil.copytree(sample_lab.parents[1], tmp_path, dirs_exist_ok=True)
    return tmp_path / "sample_runs" / "lab.toml"


CHAIN = ["explain", "wearing", "durability", "loop energy changed, up"]


def test_the_chain_is_one_screen_down_to_the_logs(sample_lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call([*CHAIN, "--lab", str(sample_lab)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= 80
    assert len(lines) <= 44
    text = " ".join(" ".join(lines).split())
    for word in (
        "verdict fail", "rule guard band of 2 u", "limit <= 25 %", "not verified against the standard",
        "measured 38.28 ± 0.57 %", "uncertainty from", "used 100 of 101: cycles 1,388 to 1,487",
        "baseline cycles 200 to 400: 201", "divided by its median over the baseline, less 1; temperature taken out",
        "plan plan.toml", "limits ../../configs/limits/drift.toml", "last_cycles = 100", "samples 5,000 in 100 cycles",
        "logs logs/wearing_0002.csv.gz, rows 40,023 to 45,022", "rows 10,323 to 20,372 (baseline)",
    ):  # fmt: skip
        assert word in text, word


def test_the_document_has_the_whole_chain(sample_lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call([*CHAIN, "--json", "--rows", "--lab", str(sample_lab)]) == 0
    found = json.loads(capsys.readouterr().out)
    origin, folder = found["origin"], sample_lab.parent / "wearing"
    assert origin["settings"]["limit"]["last_cycles"] == 100
    assert origin["settings"]["block"]["baseline"] == [200, 400]
    for one in origin["settings"]["files"]:
        if one["role"] != "lab":
            assert hashlib.sha256((folder / one["name"]).read_bytes()).hexdigest() == one["sha256"]
    logs = origin["figure"]["logs"] + origin["baseline"]["logs"]
    assert [log["last"] - log["first"] + 1 for log in logs] == [origin["figure"]["samples"],
                                                                 origin["baseline"]["samples"]]  # fmt: skip
    for log in logs:
        assert hashlib.sha256((folder / log["file"]).read_bytes()).hexdigest() == log["sha256"]
    (rows,) = found["rows"]
    text = gzip.decompress((folder / rows["file"]).read_bytes()).decode("latin-1").splitlines()
    names = {column["channel"]: column["column"] for column in rows["columns"]}
    header = next(line for line in text if line.startswith("Zeit;"))
    for row in rows["rows"]:
        line = dict(zip(header.split(";"), text[row["row"] - 1].split(";"), strict=True))
        assert row["raw"] == {channel: float(line[column].replace(",", ".")) for channel, column in names.items()}
        assert row["taken"] == row["value"]
    assert found["rows_of"] == "cycle 1,487"
    assert found["log_states"] == {rows["file"]: {"status": "holds", "text": "the log is as it was taken"}}


def test_the_largest_value_leads_to_its_own_rows(sample_lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = 0
    for run in ("healthy", "creeping-lock"):
        for row in judged(sample_lab, run, capsys):
            if row["at"]:
                asked = ["explain", run, str(row["block"]), str(row["limit"]), "--rows", "--lab", str(sample_lab)]
                assert call(asked) == 0
                named = re.fullmatch(r"[a-z ]+ [\d,]+", str(row["at"]))
                of = row["at"] if named else f"sweep {row['last']}"  # "forward" is a direction, not a sweep
                out = capsys.readouterr().out
                assert f"raw rows of {of}\n" in out
                if str(row["at"]).startswith("after "):  # an incomplete one is between two, and has no number
                    assert "row(s) compared with their samples, 0 differ" in out
                    continue
                assert "compared with their samples, 0 differ" in out
                found += bool(named)
    assert found


def test_a_log_that_changed_or_is_gone_is_named(lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = lab.parent / "wearing" / "logs" / "wearing_0002.csv.gz"
    text = gzip.decompress(log.read_bytes()).decode("latin-1")
    lines = text.splitlines(keepends=True)
    cells = lines[45_000 - 1].split(";")
    cells[1] = "777,5"  # of the force
    lines[45_000 - 1] = ";".join(cells)
    before = log.read_bytes()
    log.write_bytes(gzip.compress("".join(lines).encode("latin-1")))
    asked = [*CHAIN, "--rows", "--lab", str(lab)]
    assert call(asked) == 13
    out = capsys.readouterr().out
    assert "the log is CHANGED" in out
    assert "50 row(s) compared with their samples, 1 differ" in out
    assert "DIFFERS: force was taken as 265.7 N" in out
    assert out.count("DIFFERS: ") == 1
    for number in ("1487", "1480-1487"):
        assert call(["trace", "wearing", "durability", "--cycle", number, "--lab", str(lab)]) == 13
        assert "the log is CHANGED" in capsys.readouterr().out
    log.unlink()
    assert call(asked) == 11
    out = capsys.readouterr().out
    assert "the log is GONE" in out
    assert "the samples that were taken of it are shown" in out
    assert call(["trace", "wearing", "durability", "--limit", "loop energy changed, up", "--lab", str(lab)]) == 11
    assert "the log is GONE" in capsys.readouterr().out
    log.write_bytes(before)
    assert call(asked) == 0


def test_a_trace_takes_a_range_and_a_limit(sample_lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    asked = ["trace", "wearing", "durability", "--lab", str(sample_lab)]
    assert call([*asked, "--cycle", "1388-1487"]) == 0
    by_range = capsys.readouterr().out
    assert by_range.startswith("wearing, block durability, cycles 1,388 to 1,487: 100 found, 5,000 samples\n")
    assert "rows 40,023 to 45,022" in by_range
    assert call([*asked, "--limit", "loop energy changed, up"]) == 0
    assert capsys.readouterr().out == by_range
    assert call([*asked, "--cycle", "1486-1487", "--rows"]) == 0
    assert "100 row(s) compared with their samples, 0 differ" in capsys.readouterr().out
    for wrong, why in (("0", "is no number"), ("9-3", "is no number"), ("x", "is no number"), ("9999", "has no cycle")):
        assert call([*asked, "--cycle", wrong]) == 2
        assert why in capsys.readouterr().err
    assert call([*asked, "--hold", "1"]) == 2
    assert "no block with a hold" in capsys.readouterr().err


def test_an_ambiguous_name_lists_the_choices(lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = lab.parents[1] / "configs" / "limits"
    text = (folder / "drift.toml").read_text(encoding="utf-8")
    (folder / "drift-two.toml").write_text(
        text.replace('name = "drift, own"', 'name = "drift, two"').replace('value = "25 %"', 'value = "45 %"'),
        encoding="utf-8",
    )
    plan = lab.parent / "wearing" / "plan.toml"
    one = '  "../../configs/limits/drift.toml",\n'
    text = plan.read_text(encoding="utf-8")
    plan.write_text(text.replace(one, one + one.replace("drift", "drift-two")), encoding="utf-8")
    call(["nightly", str(lab), "--brief"])
    capsys.readouterr()
    assert call([*CHAIN, "--lab", str(lab)]) == 2
    err = capsys.readouterr().err
    assert "2 limits 'loop energy changed, up' of block 'durability' fit" in err
    for words in ("drift.toml (<= 25 %, fail)", "drift-two.toml (<= 45 %, pass)"):
        assert words in err
    for limits in (str(folder / "drift-two.toml"), "drift, two"):
        assert call([*CHAIN, "--limits", limits, "--json", "--lab", str(lab)]) == 0
        assert json.loads(capsys.readouterr().out)["verdict"] == "pass"
