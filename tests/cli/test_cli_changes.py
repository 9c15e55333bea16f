"""`benchpipe changes`, and what `show` says where settings files differ from those of the figures."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from benchpipe.cli.main import call
from benchpipe.views.key_changes import KeyChange, key_changes


@pytest.fixture
def lab(sample_lab: Path, tmp_path: Path) -> Path:
    shutil.copytree(sample_lab.parents[1], tmp_path, dirs_exist_ok=True)
    return tmp_path / "sample_runs" / "lab.toml"


def replaced(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def said(capsys: pytest.CaptureFixture[str], lab: Path, *arguments: str) -> tuple[int, str, str]:
    code = call([*arguments, "--lab", str(lab)])
    out, err = capsys.readouterr()
    return code, out, err


def test_a_limit_that_moves_a_verdict_is_listed(lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    drift = lab.parents[1] / "configs" / "limits" / "drift.toml"
    replaced(drift, 'value = "25 %"', 'value = "45 %"')
    replaced(lab.parent / "wearing" / "plan.toml", '"3 %"', '"4 %"')
    _, out, _ = said(capsys, lab, "show", "wearing")
    text = " ".join(out.split())
    assert "figures made with other settings than are on the disk: plan plan.toml, limits " in text
    code, out, _ = said(capsys, lab, "changes", "wearing", "--disk")
    assert code == 0
    assert '    limit[loop energy changed, up].value: "25 %" → "45 %"\n' in out
    assert "no night has judged by these files yet: benchpipe nightly" in out
    call(["nightly", str(lab), "--brief"])
    capsys.readouterr()
    code, out, _ = said(capsys, lab, "changes", "wearing")
    assert code == 0
    assert '    block[durability].tolerance: "3 %" → "4 %"\n' in out
    moved = "    loop energy changed, up (durability): fail → pass\n      measured 38.28 % → 38.28 %, by drift, own\n"
    assert moved in out
    assert max(map(len, out.splitlines())) <= 100
    assert "settings" not in said(capsys, lab, "show", "wearing")[1]
    code, out, _ = said(capsys, lab, "changes", "wearing", "--json")
    found = json.loads(out)
    assert [(file["role"], file["what"], len(file["keys"])) for file in found["files"]] == [
        ("plan", "changed", 1), ("limits", "changed", 1),
    ]  # fmt: skip
    assert [(row["limit"], row["was"], row["now"]) for row in found["verdicts"]] == [
        ("loop energy changed, up", "fail", "pass")
    ]
    assert found["when"] is not None
    assert found["to"] > found["since"] >= 4


def test_states_can_be_named(lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = said(capsys, lab, "changes", "wearing")
    assert (code, out) == (2, "")
    assert "no two states of run 'wearing' that are kept have different settings files" in err
    assert "states 1-4" in err
    code, out, _ = said(capsys, lab, "changes", "wearing", "--from", "1", "--to", "4")
    assert code == 0
    assert "settings files: no difference" in out
    assert "verdicts   not known" in out  # the first state has none
    code, _, err = said(capsys, lab, "changes", "wearing", "--from", "9")
    assert code == 2
    assert "state 9 of run 'wearing' is not kept" in err
    assert said(capsys, lab, "changes", "wearing", "--from", "1", "--disk")[0] == 2


def test_a_comment_is_named_as_one(lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan = lab.parent / "wearing" / "plan.toml"
    replaced(plan, "# Plan", "# Another plan")
    _, out, _ = said(capsys, lab, "changes", "wearing", "--disk")
    assert "comments or layout only: all values are the same" in out


def test_damaged_settings_of_a_state_are_an_error(lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    replaced(lab.parent / "wearing" / "plan.toml", "# Plan", "# Another plan")
    for path in (lab.parent / "store" / "wearing" / "configuration").glob("*.toml"):
        path.write_bytes(path.read_bytes()[:-1])
    code, out, err = said(capsys, lab, "changes", "wearing", "--disk")
    assert (code, out) == (12, "")
    assert "a settings file that the store keeps is damaged" in err


@pytest.mark.parametrize(
    ("was", "now", "wanted"),
    [
        ({"a": 1}, {"a": 1}, []),
        ({"a": 1}, {"a": 1.0}, [KeyChange("a", "1", "1.0")]),
        ({"a": 1}, {"a": True}, [KeyChange("a", "1", "true")]),
        ({"a": 1}, {"b": 1}, [KeyChange("a", "1", None), KeyChange("b", None, "1")]),
        ({"a": {"b": [1, 2]}}, {"a": {"b": [1, 3]}}, [KeyChange("a.b", "[1, 2]", "[1, 3]")]),
        (  # matched by name, not by place
            {"block": [{"name": "x", "k": 1}, {"name": "y", "k": 2}]},
            {"block": [{"name": "y", "k": 3}, {"name": "x", "k": 1}]},
            [KeyChange("block[y].k", "2", "3")],
        ),
        (
            {"block": [{"name": "x"}]}, {"block": [{"name": "x"}, {"name": "z", "k": "t"}]},
            [KeyChange("block[z]", None, '{name = "z", k = "t"}')],
        ),
        ({"l": [{"k": 1}]}, {"l": [{"k": 2}]}, [KeyChange("l", "[{k = 1}]", "[{k = 2}]")]),  # no name
        ({"l": [{"name": "x"}, {"name": "x", "k": 1}]}, {"l": [{"name": "x"}]},
         [KeyChange("l", '[{name = "x"}, {name = "x", k = 1}]', '[{name = "x"}]')]),
    ],
)  # fmt: skip
def test_keys_that_differ(was: Any, now: Any, wanted: list[KeyChange]) -> None:
    assert list(key_changes(was, now)) == wanted
