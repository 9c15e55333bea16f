"""First five questions of three readers, each answered by the page alone.

Written down while the pages of the sample runs were tried as each of them would: a technician in the morning, a
designer who wants to see what wears, and a quality engineer who signs. Each question has the section in which its
answer is read without a click, or with one.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from benchpipe.report.page.run_document import run_document
from tests.page.pages import RUNS, Parsed, page

TECHNICIAN = (
    ("Does it need me?", "wearing", "stands", "2 of 14 limits failed"),
    ("What am I to do?", "wearing", "stands", "stop the rig and look at the specimen"),
    ("How far is it, and when will it end?", "wearing", "rig", "the last planned cycle is expected on 2031-06-20"),
    ("Did the rig stop, and for how long?", "wearing", "rig", "the longest time between two cycles is"),
    ("Are the sensors in calibration?", "wearing", "rig", "2032-02-01"),
)
DESIGNER = (
    ("What changed, and by how much?", "wearing", "changed", "+38.2 %"),
    ("When did it begin?", "wearing", "changed", "cycle 1,113"),
    ("How do the loops differ from first to last?", "wearing", "loops", "the motion of a cycle grew by 22 %"),
    ("Does the locked joint creep or leak?", "creeping-lock", "load", "Decaying and steady creep: creep of"),
    ("How does the free joint resist, and what is it made of?", "healthy", "free", "Coulomb friction"),
)
QUALITY = (
    ("Which limits failed, by how much, and how sure is that?", "wearing", "limits", "38.28 ± 0.57 %"),
    ("By which rule was it decided, and who verified the limit?", "wearing", "limits", "guard band of 2 u"),
    ("What was left out of a verdict?", "wearing", "limits", "1 incomplete"),
    ("What is its uncertainty made of?", "wearing", "sure", "most from scatter of the values, and temperature"),
    ("Which logs is it made from, and are they the same today?", "wearing", "origin", "logs/wearing_0001.csv.gz"),
)


@pytest.fixture(scope="module")
def documents(sample_lab: Path) -> dict[str, str]:
    """Pages of the sample runs."""
    return {run: run_document(page(sample_lab, run)) for run in RUNS}


@pytest.mark.parametrize(("question", "run", "section", "answer"), [*TECHNICIAN, *DESIGNER, *QUALITY])
def test_the_page_alone_answers(documents: dict[str, str], question: str, run: str, section: str, answer: str) -> None:
    found = re.search(rf'<section id="{section}".*?</section>', documents[run], re.DOTALL)
    assert found is not None, question
    assert answer in Parsed(found[0]).text, question


def test_each_reader_asks_five() -> None:
    assert {len(TECHNICIAN), len(DESIGNER), len(QUALITY)} == {5}
