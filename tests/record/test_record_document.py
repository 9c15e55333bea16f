"""The record as a document: what the standards ask, what a reader who has only the PDF finds, and that it repeats."""

from __future__ import annotations

import gzip
import hashlib
import json
import re
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest

from benchpipe.check.decision import applies
from benchpipe.check.rounding import rounded
from benchpipe.errors import ConfigError
from benchpipe.pipeline import work
from benchpipe.report.record import document as made_by
from benchpipe.report.record import pictures
from benchpipe.report.record.data import record_data
from benchpipe.report.values import limit_text, measured_text
from benchpipe.run import load_run
from benchpipe.store.manifest import Head, Remark, SignOff
from benchpipe.store.run_store import MANIFEST
from benchpipe.views.caution import CAUTION
from benchpipe.views.record.gather import record_of
from benchpipe.views.record.model import RunRecord
from tests.conftest import copy_samples
from tests.record.records import RUNS, attached, document, packed, record, texts

pikepdf = pytest.importorskip("pikepdf")

MANY = 10_000
JARS = ("preflight", "pdfbox2", "fontbox2", "xmpbox", "commons-logging", "jaxb-api", "javax.activation")
PREFLIGHT = """
import java.io.File;
import org.apache.pdfbox.preflight.*;
import org.apache.pdfbox.preflight.parser.PreflightParser;
public class Preflight {
    public static void main(String[] names) throws Exception {
        PreflightParser parser = new PreflightParser(new File(names[0]));
        parser.parse();
        PreflightDocument document = parser.getPreflightDocument();
        document.validate();
        ValidationResult result = document.getResult();
        for (ValidationResult.ValidationError error : result.getErrorsList())
            System.out.println(error.getErrorCode() + " " + error.getDetails());
        System.out.println("valid: " + result.isValid());
    }
}
"""


@pytest.fixture(scope="module")
def records(sample_lab: Path) -> dict[str, RunRecord]:
    return {run: record(sample_lab, run) for run in RUNS}


@pytest.fixture(scope="module")
def documents(records: dict[str, RunRecord]) -> dict[str, bytes]:
    return {run: made_by.record_document(one) for run, one in records.items()}


def elements(node: Any) -> Iterator[Any]:
    """All structure elements below one."""
    kids = node.get("/K", [])
    for kid in kids if isinstance(kids, pikepdf.Array) else [kids]:
        if isinstance(kid, pikepdf.Dictionary) and "/S" in kid:
            yield kid
            yield from elements(kid)


@pytest.mark.parametrize("run", RUNS)
def test_it_says_that_it_is_pdf_a_3a_and_pdf_ua_1_and_has_the_structure_of_these(
    documents: dict[str, bytes], run: str
) -> None:
    # ISO 19005-3 (6.6.4, 6.7, 6.8) and ISO 14289-1 (5, 7.1, 7.3): keys from memory; see test_record_checkers.py.
    with pikepdf.open(BytesIO(documents[run])) as pdf:
        meta = pdf.open_metadata()
        found = [meta.get(key) for key in ("pdfaid:part", "pdfaid:conformance", "pdfuaid:part", "dc:title")]
        assert found == ["3", "A", "1", f"Record of run {run}"]
        assert pdf.pdf_version == "1.7"
        assert str(pdf.Root.Lang) == "en"
        assert bool(pdf.Root.MarkInfo.Marked)
        assert bool(pdf.Root.ViewerPreferences.DisplayDocTitle)
        every = list(elements(pdf.Root.StructTreeRoot))
        kinds = [str(one.S) for one in every]
        figures = [one for one in every if str(one.S) == "/Figure"]
        assert {"/H1", "/H2", "/Table", "/TH", "/TD", "/Figure"} <= set(kinds)
        assert len(figures) > 3
        assert all(str(one.get("/Alt", "")).strip() for one in figures)
        names = {str(one.UF): str(one.AFRelationship) for one in pdf.Root.AF}
    assert names["manifest.json"] == "/Source"
    assert names["figures.json"] == "/Data"


@pytest.mark.parametrize("run", RUNS)
def test_every_font_is_in_the_document(documents: dict[str, bytes], run: str) -> None:
    with pikepdf.open(BytesIO(documents[run])) as pdf:
        objects = [one for one in pdf.objects if isinstance(one, pikepdf.Dictionary)]
        fonts = [one for one in objects if one.get("/Type") == "/FontDescriptor"]
        assert fonts
        assert all("/FontFile3" in one or "/FontFile2" in one for one in fonts)


@pytest.mark.parametrize("run", RUNS)
def test_a_reader_of_its_text_finds_each_judged_figure_its_rule_uncertainty_and_origin(
    records: dict[str, RunRecord], documents: dict[str, bytes], run: str
) -> None:
    text = packed(" ".join(re.sub(r"Record of run .*\n.*\n?.*$", "", page) for page in texts(documents[run])))
    seen = 0
    for one in records[run].judged:
        if not applies(one.row):
            continue
        start = text.index(packed(f"{one.row['limit']} ({one.row['block']})"), text.index("Eachjudgedfigure"))
        part = text[start : start + 3_500]
        wanted = [limit_text(one.row), one.row["rule"], one.row["source"], one.origin.words]
        wanted += [sha256 for _, sha256 in one.origin.logs]
        if one.row["measured"] is not None:
            wanted.append(measured_text(one.row))
        if one.row["expanded_u"]:
            scale = 100.0 if one.row["unit"] == "1" else 1.0
            wanted.append(f"{rounded(scale * one.row['measured'], scale * one.row['expanded_u'])[1]}")
            wanted += [row["part"] for row in one.budget]
        assert [words for words in wanted if packed(words) not in part] == [], one.row["limit"]
        seen += 1
    assert seen >= 10
    assert packed(CAUTION) in text


def test_the_state_the_run_and_the_manifest_are_at_the_foot_of_each_page(
    records: dict[str, RunRecord], documents: dict[str, bytes]
) -> None:
    pages = texts(documents["wearing"])
    for number, page in enumerate(pages, start=1):
        foot = packed(page)
        assert packed(f"Record of run wearing, state {records['wearing'].state}") in foot
        assert records["wearing"].manifest in foot
        assert packed(f"page {number} of {len(pages)}") in foot


def test_the_same_state_gives_the_same_bytes_in_another_place_and_at_another_time(
    sample_lab: Path, documents: dict[str, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copytree(sample_lab.parents[1], tmp_path / "elsewhere")
    monkeypatch.setenv("TZ", "Asia/Tokyo")
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1")
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    assert document(tmp_path / "elsewhere" / "sample_runs" / "lab.toml", "wearing") == documents["wearing"]
    assert not list(tmp_path.glob("benchpipe-record-*"))


def test_its_date_is_of_the_last_sample_or_of_the_last_signature(records: dict[str, RunRecord]) -> None:
    one = records["wearing"]
    assert one.date is not None
    assert one.page.view.last_us is not None
    assert int(one.date.timestamp()) == one.page.view.last_us // 1_000_000
    assert records["creeping-lock"].date is None  # its log counts from its beginning


@pytest.mark.parametrize("run", RUNS)
def test_another_library_reads_the_attached_files_and_they_are_those_of_the_store(
    sample_lab: Path, records: dict[str, RunRecord], documents: dict[str, bytes], run: str
) -> None:
    files, folder = attached(documents[run]), sample_lab.parent / "store" / run
    assert files["manifest.json"] == (folder / MANIFEST).read_bytes()
    assert files["configuration-1-plan.toml"] == (sample_lab.parent / run / "plan.toml").read_bytes()
    listed = json.loads(files["contents.json"])
    assert {one["name"] for one in listed["files"]} | {"contents.json"} == set(files)
    by_hash = set()
    for one in listed["tables"]:
        stored = (folder / one["path"]).read_bytes()
        assert hashlib.sha256(stored).hexdigest() == one["sha256"]
        if one["attached"] is None:
            by_hash.add(one["table"])
        else:
            assert files[one["attached"]] == stored
    assert by_hash >= {"samples", "cycles"}
    assert not by_hash & {"verdicts", "budgets", "trends"}
    figures = json.loads(files["figures.json"])
    assert len(figures["verdicts"]) == len(records[run].judged)


def small(one: RunRecord) -> RunRecord:
    """The beginning of a record, which is read in less time."""
    page = replace(one.page, trends=(), charts=one.page.charts[:1], margins=one.page.margins[:2])
    return replace(one, page=page, judged=one.judged[:2], plan=one.plan[:1], rig=(), origin=one.origin[:1])


HOSTILE = {
    "markup": '#panic("x") *bold* _it_ `raw` $x$ @ref <label> = head #set page(paper: "a3") // no \\ "quoted" [x] {y}',
    "control": "bell\x07 escape\x1b[31m nul\x00 del\x7f turn\u202e line\nbreak\ttab",
    "missing": "足首 ankle 🦶 \U000e0041 \ue000 \ufdd0 \ud800",
    "long": "x" * 500,
    "right to left": "קרסול כاحل \u0301combining",
    "html": "<svg onload=alert(1)> &amp; <script>",
}


def test_a_very_long_reason_is_shown_from_its_beginning(records: dict[str, RunRecord]) -> None:
    """PDF/A has no string of more than 32,767 bytes (ISO 19005-3, 6.1.13)."""
    one, text = small(records["wearing"]), "an invented reason \U0001d49c足 " * 2_000
    signed = SignOff(
        who="A. Reviewer", when="2031-05-01T09:30:00+00:00", note=text, sequence=3, manifest_sha256="0" * 64,
        process="p", verdicts="v", verdict="fail", deviation=text,
    )  # fmt: skip
    page = replace(one.page, view=replace(one.page.view, specimen=text))
    pdf = made_by.record_document(replace(one, page=page, signed=(signed,)))
    assert packed(" more letters: see the attached files") in packed(" ".join(texts(pdf)))
    assert len(texts(pdf)) < 20


@pytest.mark.parametrize("kind", HOSTILE)
def test_a_name_is_shown_and_never_obeyed(records: dict[str, RunRecord], kind: str) -> None:
    name, one = HOSTILE[kind], small(records["wearing"])
    row = one.judged[0].row | {"limit": name, "source": name, "remark": name, "block": name, "left_out": name}
    judged = (replace(one.judged[0], margin=replace(one.judged[0].margin, row=row)), *one.judged[1:])
    remark = Remark(step="process", code=name, where=name, count=1, text=name)
    margins = tuple(replace(m, row=m.row | {"limit": name}) for m in one.page.margins)
    charts = tuple(replace(c, title=name, block=name) for c in one.page.charts)
    view = replace(one.page.view, specimen=name, note=name, remarks=(remark,), rig=name)
    page = replace(one.page, view=view, margins=margins, charts=charts)
    plan = tuple(replace(f, title=name, note=name) for f in one.plan)
    pdf = made_by.record_document(replace(one, page=page, judged=judged, plan=plan))
    text = packed(" ".join(texts(pdf)))
    shown = {
        "markup": packed(name),
        "control": r"bell\x07escape\x1b[31mnul\x00del\x7fturn\u202eline\nbreak\ttab",
        "missing": r"\u8db3\u9996ankle\U0001f9b6",
        "long": "x" * 500,
        "right to left": "combining",
        "html": packed(name),
    }[kind]
    assert shown in text
    assert text.count(shown) >= 5


def test_letters_that_only_fail_beside_others_are_shown_as_escapes(
    records: dict[str, RunRecord], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(made_by, "_has", lambda _: lambda _letter: True)  # as if each letter alone could be shown
    one = small(records["wearing"])
    pdf = made_by.record_document(replace(one, page=replace(one.page, view=replace(one.page.view, specimen="足 ü"))))
    assert r"\u8db3\xfc" in packed(" ".join(texts(pdf)))


def test_ten_thousand_remarks_are_a_document_that_can_be_read(
    sample_lab: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from benchpipe.views.record import gather

    many = tuple(Remark(step="process", code="gap", where="durability", count=k, text=f"gap {k}") for k in range(MANY))
    whole = gather.run_view
    monkeypatch.setattr(gather, "run_view", lambda *given: replace(whole(*given), remarks=many))
    pdf = document(sample_lab, "wearing")
    pages = texts(pdf)
    assert len(pages) < 25
    assert len(pdf) < 2_000_000
    assert "9,760morerowsarenotlisted:seetheattachedremarks.json" in packed(" ".join(pages))
    assert [one["count"] for one in json.loads(attached(pdf)["remarks.json"])] == list(range(MANY))


def test_signatures_and_deviations_are_named(records: dict[str, RunRecord]) -> None:
    one = SignOff(
        who="A. Reviewer", role="laboratory", when="2031-05-01T09:30:00+00:00", note="figures seen", sequence=3,
        manifest_sha256="0" * 64, process="p", verdicts="v", verdict="fail", meaning="approved", entry=2,
        deviation="an invented deviation", key="1" * 64,
    )  # fmt: skip
    made = replace(small(records["wearing"]), signed=(one,), ledger=Head(entries=2, sha256="ab" * 32))
    text = packed(" ".join(texts(made_by.record_document(made))))
    said = "signed by A. Reviewer, laboratory on 2031-05-01 09:30:00+00:00: an invented deviation"
    for words in (said, "figures seen", "ab" * 32):
        assert packed(words) in text
    data, _ = record_data(records["healthy"])
    assert data["deviations"][-1] == "No deviation was signed."


def test_a_run_whose_logs_have_no_row_has_a_record(tmp_path: Path) -> None:
    run = load_run(copy_samples(tmp_path).parent / "wearing" / "plan.toml")
    for log in (run.folder / "logs").glob("*.gz"):
        head = gzip.decompress(log.read_bytes()).split(b"\n")[:2]
        log.write_bytes(gzip.compress(b"\n".join([*head, b""])))
    work(run)
    pdf = made_by.record_document(record_of(run, run.open_store()))
    text = packed(" ".join(texts(pdf)))
    assert "Nothingdueyet" in text
    assert "Nothingwasdrawn" in text
    assert "2:0rows" in text


def test_a_run_of_which_nothing_is_stored_has_none(tmp_path: Path) -> None:
    run = load_run(copy_samples(tmp_path).parent / "wearing" / "plan.toml")
    with pytest.raises(ConfigError, match="nothing of run 'wearing' is stored yet") as caught:
        record_of(run, run.open_store())
    assert caught.value.do_next == "work on it first: benchpipe nightly LAB"
    assert not run.store.exists()


def test_the_same_template_is_valid_pdf_a_1b_by_an_independent_checker(
    records: dict[str, RunRecord], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Debian's libpdfbox2-java knows PDF/A-1b only: no attached file, nothing transparent, no bookmark of headings (it
    cannot read a destination that is an object of its own, which PDF allows)."""
    folder = Path("/usr/share/java")
    jars = [folder / f"{name}.jar" for name in JARS]
    missing = [jar.name for jar in jars if not jar.is_file()]
    if missing or shutil.which("java") is None:
        pytest.skip(f"no Java, or of libpdfbox2-java, libjaxb-api-java, libactivation-java: {', '.join(missing)}")
    flat = re.sub(r"opacity:[.\d]+", "", pictures.static_style())
    flat = re.sub(r"(#[0-9a-f]{6})[0-9a-f]{2}\b", r"\1", flat)
    template = tmp_path / "record.typ"
    template.write_text(f"#set heading(bookmarked: false)\n{made_by.TEMPLATE.read_text()}")
    monkeypatch.setattr(pictures, "static_style", lambda: flat)
    monkeypatch.setattr(made_by, "STANDARDS", ["a-1b"])
    monkeypatch.setattr(made_by, "TEMPLATE", template)
    (tmp_path / "flat.pdf").write_bytes(made_by.record_document(replace(records["wearing"], attached=())))
    (tmp_path / "Preflight.java").write_text(PREFLIGHT)
    command = ["java", "-cp", ":".join(map(str, jars)), str(tmp_path / "Preflight.java"), str(tmp_path / "flat.pdf")]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert done.stdout == "valid: true\n", done.stdout + done.stderr
