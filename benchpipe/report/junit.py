"""A night as JUnit XML, for boards that show test results: a testsuite a run, a testcase a limit.

The elements and attributes are those that the schema junit-10.xsd of the open xunit plugin
(github.com/jenkinsci/xunit-plugin, MIT license) allows; no standard defines the format.

=========================================  ==============
verdict                                    testcase
=========================================  ==============
pass                                       passed
fail                                       ``failure``
inconclusive or not evaluated, and due     ``error``
not due yet, or the run is archived        ``skipped``
a run that could not be processed          ``error``
=========================================  ==============
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import datetime
from typing import Any
from xml.etree import ElementTree as ET

from benchpipe.check.decision import NOT_APPLICABLE, Verdict, applies
from benchpipe.views.caution import CAUTION
from benchpipe.views.model import RunView

# Characters that XML 1.0 (section 2.2) does not have.
_NO_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def to_junit(views: Iterable[RunView], began: datetime) -> bytes:
    """A night as JUnit XML.

    Parameters
    ----------
    began : datetime
        UTC: when the night began.
    """
    suites = [_suite(view, began) for view in views]
    counts = {name: str(sum(int(suite.get(name, "0")) for suite in suites)) for name in ("tests", "failures", "errors")}
    root = ET.Element("testsuites", {"name": "benchpipe nightly", **counts})
    root.extend(suites)
    ET.indent(root)
    text: str = ET.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'.encode()


def _suite(view: RunView, began: datetime) -> ET.Element:
    cases = [_case(view, row) for row in view.limits]
    if view.failed is not None:
        cases = [_ended(view, "the run", "error", "broken", view.failed)]
    elif view.archived:
        names = [_limit(row) for row in view.limits] or ["the run"]
        cases = [_ended(view, name, "skipped", "archived", view.archived) for name in names]
    elif not view.limits:
        cases = [_ended(view, "the run", "error", "not evaluated", "no limit was judged")]
    suite = ET.Element(
        "testsuite",
        {
            "name": _text(view.run),
            "tests": str(len(cases)),
            "failures": _count(cases, "failure"),
            "errors": _count(cases, "error"),
            "skipped": _count(cases, "skipped"),
            "time": f"{sum(use.seconds for use in view.steps):.3f}",
            "timestamp": began.strftime("%Y-%m-%dT%H:%M:%S"),
        },
    )
    properties = ET.SubElement(suite, "properties")
    for name, value in (("specimen", view.specimen), ("rig", view.rig), ("caution", CAUTION)):
        ET.SubElement(properties, "property", {"name": name, "value": _text(value)})
    suite.extend(cases)
    if view.alarms:
        lines = [f"{'new' if alarm.new else 'known'}: {alarm.code}: {alarm.text}" for alarm in view.alarms]
        ET.SubElement(suite, "system-out").text = _text("\n".join(lines))
    return suite


def _count(cases: list[ET.Element], kind: str) -> str:
    return str(sum(case.find(kind) is not None for case in cases))


def _limit(row: dict[str, Any]) -> str:
    return f"{row['limits_file']}: {row['limit']} ({row['block']})"


def _case(view: RunView, row: dict[str, Any]) -> ET.Element:
    name = _limit(row)
    verdict = Verdict(row["verdict"])
    if not row["due"]:
        why = "not due" if applies(row) else NOT_APPLICABLE
        return _ended(view, name, "skipped", why, row["remark"])
    if verdict is Verdict.PASS:
        return _ended(view, name, "", "", "")
    kind = "failure" if verdict is Verdict.FAIL else "error"
    measured = "nothing measured" if row["measured"] is None else f"measured {row['measured']:.6g} {row['unit']}"
    u = "" if row["expanded_u"] is None else f" +- {row['expanded_u']:.2g} (95 %)"
    text = f"{measured}{u}, limit {row['operator']} {_ends(row)} {row['unit']}"
    return _ended(view, name, kind, verdict, f"{text}: {row['remark']}" if row["remark"] else text)


def _ends(row: dict[str, Any]) -> str:
    ends = [row["value"]] + ([row["other_value"]] if row["other_value"] is not None else [])
    return " to ".join(f"{end:g}" for end in sorted(ends))


def _ended(view: RunView, name: str, kind: str, word: str, text: str) -> ET.Element:
    case = ET.Element("testcase", {"classname": _text(view.run), "name": _text(name), "time": "0"})
    if kind:
        inner = ET.SubElement(case, kind, {"type": word, "message": _text(text.partition("\n")[0])})
        inner.text = _text(text)
    return case


def _text(text: str) -> str:
    """The text without what XML cannot hold."""
    return _NO_XML.sub("\ufffd", text)
