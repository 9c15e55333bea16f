"""Records under two independent checkers of PDF/A-3a (ISO 19005-3) and PDF/UA-1 (ISO 14289-1), each written by others.

The first is a library of the test environment. The second reads a document as it is heard, too; it is in a folder of
its own, which ``make checkers`` fills, and its test is skipped where that is not there.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from io import BytesIO
from pathlib import Path

import pytest

from tests.record.records import RUNS, document

checker = pytest.importorskip("page")  # of the distribution page-validation
pikepdf = pytest.importorskip("pikepdf")

SECOND = Path(sys.prefix) / "checkers"
PROFILES = ("3a", "ua1")
LENGTH = "PDFA3A-STREAM-LENGTH-001"
HEARD_IN_PICTURES = "TBL-014"  # lines of a drawing look like a table's; it is a figure with an alternative text


@pytest.fixture(scope="module")
def records(sample_lab: Path) -> dict[str, bytes]:
    return {run: document(sample_lab, run) for run in RUNS}


def failures(pdf: bytes, profile: str) -> set[str]:
    """Rules of a profile that a document fails."""
    found = checker.validate_pdf_bytes(pdf, profile=profile).failures
    bad = [one for one in found if one.rule_id != LENGTH or not ends_in_cr(pdf, one.object_id.object_number)]
    return {one.rule_id for one in bad}


def ends_in_cr(pdf: bytes, number: int) -> bool:
    """Whether a stream has the length that it says, and its last byte happens to be a carriage return: the checker
    takes that and the line feed behind it for one end of a line. One deflated stream in 256 is such."""
    (head,) = re.finditer(rb"[\r\n]%d 0 obj\s*<<.*?stream\n" % number, pdf, re.DOTALL)
    length = re.search(rb"/Length (\d+)", head[0])
    assert length is not None
    end = head.end() + int(length[1])
    return pdf[end - 1 : end + 10] == b"\r\nendstream"


@pytest.mark.parametrize("profile", PROFILES)
@pytest.mark.parametrize("run", RUNS)
def test_a_record_holds_every_rule_of_its_standards(records: dict[str, bytes], run: str, profile: str) -> None:
    report = checker.validate_pdf_bytes(records[run], profile=profile)
    assert failures(records[run], profile) == set()
    assert report.rules.total > 100


def no_language(pdf: pikepdf.Pdf) -> None:
    del pdf.Root.Lang
    for one in elements(pdf):
        if "/Lang" in one:
            del one.Lang


def no_title_shown(pdf: pikepdf.Pdf) -> None:
    pdf.Root.ViewerPreferences.DisplayDocTitle = False


def not_tagged(pdf: pikepdf.Pdf) -> None:
    pdf.Root.MarkInfo.Marked = False


def no_alternative_text(pdf: pikepdf.Pdf) -> None:
    del next(one for one in elements(pdf) if one.get("/S") == "/Figure").Alt


def table_without_rows(pdf: pikepdf.Pdf) -> None:
    for one in elements(pdf):
        if one.get("/S") == "/TR":
            one.S = pikepdf.Name("/P")


def strange_tag(pdf: pikepdf.Pdf) -> None:
    next(one for one in elements(pdf) if one.get("/S") == "/P").S = pikepdf.Name("/Strange")


def content_without_tag(pdf: pikepdf.Pdf) -> None:
    page = pdf.pages[0]
    page.contents_add(b"BT /F0 9 Tf 9 9 Td ET 0 0 9 9 re f")


def no_words_of_glyphs(pdf: pikepdf.Pdf) -> None:
    for one in pdf.objects:
        if isinstance(one, pikepdf.Dictionary) and one.get("/Type") == "/Font" and "/ToUnicode" in one:
            del one.ToUnicode


def no_font_file(pdf: pikepdf.Pdf) -> None:
    for one in pdf.objects:
        if isinstance(one, pikepdf.Dictionary) and one.get("/Type") == "/FontDescriptor":
            for key in ("/FontFile2", "/FontFile3"):
                if key in one:
                    del one[key]


def no_claim(pdf: pikepdf.Pdf) -> None:
    data = bytes(pdf.Root.Metadata.read_bytes())
    pdf.Root.Metadata.write(re.sub(rb"pdfuaid:part|pdfaid:part", b"pdf:part", data))


def elements(pdf: pikepdf.Pdf) -> list[pikepdf.Dictionary]:
    """Elements of the structure tree."""
    return [one for one in pdf.objects if isinstance(one, pikepdf.Dictionary) and "/S" in one and "/P" in one]


BREAKS: list[tuple[Callable[[pikepdf.Pdf], None], str]] = [
    (no_language, "7.2"), (no_title_shown, "7.1"), (not_tagged, "7.1"), (no_alternative_text, "7.3"),
    (table_without_rows, "7.2"), (strange_tag, "7.1"), (content_without_tag, "7.1"), (no_words_of_glyphs, "7.21.7"),
    (no_font_file, "7.21.4.1"), (no_claim, "5"),
]  # fmt: skip


@pytest.mark.parametrize(("spoil", "clause"), BREAKS, ids=[one.__name__ for one, _ in BREAKS])
def test_the_checker_sees_a_broken_rule(
    records: dict[str, bytes], spoil: Callable[[pikepdf.Pdf], None], clause: str
) -> None:
    """Each break is of one clause of ISO 14289-1: a checker that finds nothing there would be no check."""
    with pikepdf.open(BytesIO(records["wearing"])) as pdf:
        spoil(pdf)
        out = BytesIO()
        pdf.save(out, fix_metadata_version=False)
    assert failures(out.getvalue(), "ua1"), f"ISO 14289-1:2014, {clause}"


def test_a_second_checker_hears_what_is_written(records: dict[str, bytes], tmp_path: Path) -> None:
    if not (SECOND / "outloud").is_dir():
        pytest.skip("the second checker is not installed: make checkers")
    for run, pdf in records.items():
        (tmp_path / f"{run}.pdf").write_bytes(pdf)
    done = subprocess.run(
        [sys.executable, "-c", "import sys; from outloud.cli import main; sys.exit(main())",
         *(f"{run}.pdf" for run in records), "--json", "found.json"],
        cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(SECOND)}, capture_output=True, text=True, timeout=180,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    results = json.loads((tmp_path / "found.json").read_text())["results"]
    assert len(results) == len(records)
    for one in results:
        assert one["counts"]["error"] == 0
        assert {f["rule"] for f in one["findings"]} <= {HEARD_IN_PICTURES}, one["findings"]


@pytest.mark.parametrize(
    ("pdf", "right"),
    [
        (b"\n7 0 obj\n<</Length 3>>\nstream\nab\r\nendstream\n", True),
        (b"\n7 0 obj\n<</Length 2>>\nstream\nab\r\nendstream\n", False),
        (b"\n7 0 obj\n<</Length 3>>\nstream\nabc\r\nendstream\n", False),
        (b"\n7 0 obj\n<</Length 4>>\nstream\nab\r\nendstream\n", False),
    ],
)
def test_a_wrong_length_differs_from_a_last_carriage_return(pdf: bytes, right: bool) -> None:
    assert ends_in_cr(pdf, 7) is right
