"""JUnit XML: the shape of the open schema, and each verdict as what a board shows.

The shape is that of junit-10.xsd of the xunit plugin (github.com/jenkinsci/xunit-plugin, file
src/main/resources/org/jenkinsci/plugins/xunit/types/model/xsd/junit-10.xsd, MIT license), written
down here as a table.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.cli.runs import work_night
from benchpipe.report.junit import to_junit
from benchpipe.views.model import Alarm, RunView, StepUse
from benchpipe.views.run_view import failed_view

BEGAN = datetime(2026, 11, 25, 2, 0, tzinfo=UTC)
# Element: attributes that must be there, those that may, elements inside, whether text may stand in it.
SHAPE: dict[str, tuple[str, str, str, bool]] = {
    "testsuites": ("", "name time tests failures errors", "testsuite", False),
    "testsuite": (
        "name tests failures errors", "group time skipped timestamp hostname id package file log url",
        "testsuite properties testcase system-out system-err", False,
    ),
    "properties": ("", "", "property", False),
    "property": ("name value", "", "", False),
    "testcase": (
        "name", "time classname group",
        "skipped error failure rerunFailure rerunError flakyFailure flakyError system-out system-err", False,
    ),
    "skipped": ("", "type message", "", True),
    "error": ("", "type message", "", True),
    "failure": ("", "type message", "", True),
    "system-out": ("", "", "", True),
}  # fmt: skip
SUREFIRE_TIME = re.compile(r"(([0-9]{0,3},)*[0-9]{3}|[0-9]{0,3})*(\.[0-9]*)?")


def misfits(element: ET.Element) -> list[str]:
    """Where a document leaves the shape."""
    must, may, inside, text = (part.split() if isinstance(part, str) else part for part in SHAPE[element.tag])
    found = [f"{element.tag}: no {name}" for name in must if name not in element.attrib]
    found += [f"{element.tag}: {name}" for name in element.attrib if name not in (*must, *may)]
    found += [f"{element.tag}: text" for _ in [0] if not text and (element.text or "").strip()]
    if element.tag in ("testsuite", "testsuites") and not SUREFIRE_TIME.fullmatch(element.get("time", "")):
        found.append(f"{element.tag}: time {element.get('time')}")
    for child in element:
        found += misfits(child) if child.tag in inside else [f"{element.tag}: <{child.tag}>"]
    return found


def view(**changes: Any) -> RunView:
    """A run without anything."""
    return replace(failed_view(Path("one/plan.toml"), "x"), failed=None, **changes)


def limit(verdict: str, *, due: bool = True, **changes: Any) -> dict[str, Any]:
    plain = {
        "limit": "stiffness", "limits_file": "drift", "block": "b", "operator": ">=", "value": -0.25, "unit": "1",
        "measured": -0.3, "expanded_u": 0.01, "verdict": verdict, "due": due, "remark": "",
        "other_value": None,
    }  # fmt: skip
    return plain | changes


def parsed(*views: RunView) -> ET.Element:
    return ET.fromstring(to_junit(views, BEGAN))


def test_a_real_night_has_the_shape(sample_lab: Path) -> None:
    views = work_night(sample_lab, new_store=True).views
    root = parsed(*views, failed_view(Path("two/plan.toml"), "why"))
    assert misfits(root) == []
    assert [suite.get("name") for suite in root] == [*(v.run for v in views), "two"]
    for suite, one in zip(root, views, strict=False):
        assert suite.get("tests") == str(len(one.limits)) == str(len(suite.findall("testcase")))
        for kind, name in (("failure", "failures"), ("error", "errors"), ("skipped", "skipped")):
            assert suite.get(name) == str(len(suite.findall(f"testcase/{kind}")))
    for name in ("tests", "failures", "errors"):
        assert root.get(name) == str(sum(int(suite.get(name, "")) for suite in root))
    assert int(root.get("failures", "0")) >= 1


@pytest.mark.parametrize(
    ("row", "kind"),
    [
        (limit("pass"), None), (limit("fail"), "failure"), (limit("inconclusive"), "error"),
        (limit("not evaluated"), "error"), (limit("not evaluated", due=False), "skipped"),
        (limit("pass", due=False), "skipped"),
    ],
)  # fmt: skip
def test_each_verdict(row: dict[str, Any], kind: str | None) -> None:
    (case,) = parsed(view(limits=(row,))).findall("testsuite/testcase")
    assert [child.tag for child in case] == ([kind] if kind else [])
    assert (case.get("classname"), case.get("name")) == ("one", "drift: stiffness (b)")


def test_what_was_measured_is_said() -> None:
    failed = limit("fail", remark="too few")
    (case,) = parsed(view(limits=(failed,))).iter("failure")
    assert case.get("message") == case.text == "measured -0.3 1 +- 0.01 (95 %), limit >= -0.25 1: too few"
    nothing = limit("not evaluated", measured=None, expanded_u=None)
    (case,) = parsed(view(limits=(nothing,))).iter("error")
    assert case.text == "nothing measured, limit >= -0.25 1"


def test_a_run_that_broke_and_one_without_limits_are_errors_and_never_green() -> None:
    root = parsed(failed_view(Path("one/plan.toml"), "the log is no log\n  where: here"), view())
    assert [suite.get("errors") for suite in root] == ["1", "1"]
    assert [e.get("message") for e in root.iter("error")] == ["the log is no log", "no limit was judged"]


def test_time_and_alarms_of_a_run() -> None:
    uses = (StepUse("ingest", 1200.5, 200.0), StepUse("process", 0.25, 90.0))
    (suite,) = parsed(view(steps=uses, alarms=(Alarm("one", "gap", "b", "a gap"),), limits=(limit("pass"),)))
    assert (suite.get("time"), suite.get("timestamp")) == ("1200.750", "2026-11-25T02:00:00")
    assert suite.findtext("system-out") == "new: gap: a gap"


@given(st.text(max_size=30))
def test_any_text_gives_a_document_that_can_be_read(text: str) -> None:
    row = limit("fail", limit=text, remark=text)
    root = parsed(view(limits=(row,), specimen=text, alarms=(Alarm("one", "gap", text, text),)))
    assert misfits(root) == []


def test_the_shape_can_be_left() -> None:
    root = ET.fromstring('<testsuite name="x" tests="1" failures="0" time="1 s"><a/></testsuite>')
    assert misfits(root) == ["testsuite: no errors", "testsuite: time 1 s", "testsuite: <a>"]
