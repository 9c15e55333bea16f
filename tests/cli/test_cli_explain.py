"""`benchpipe explain`: every judged figure of the sample runs shows its budget by one command."""

from __future__ import annotations

import json
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
