"""The record as plain texts for the template: it draws a record and computes nothing."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

from benchpipe import __version__
from benchpipe.blocks.charts import Axis, FigureTable
from benchpipe.check.decision import Verdict, applies
from benchpipe.check.rounding import probability_text
from benchpipe.report.page.strip import SIGN
from benchpipe.report.page.words import plain_unit, standing
from benchpipe.report.record.cells import facts_of, rows_of
from benchpipe.report.record.pictures import MOST, pictures, strip_picture
from benchpipe.report.signs import UNICODE, clock, margin_with_unit, number, unit_shown
from benchpipe.report.values import headline_words, limit_text, measured_text
from benchpipe.views.caution import CAUTION, UNVERIFIED
from benchpipe.views.page.model import Drift, Facts
from benchpipe.views.record.model import JudgedLimit, RunRecord

COLOUR = {Verdict.PASS: "pass", Verdict.FAIL: "fail", Verdict.INCONCLUSIVE: "doubt", Verdict.NOT_EVALUATED: "doubt"}
OWN = f"{UNVERIFIED}, or the lab's own"
NO_DATE = datetime(1970, 1, 1, tzinfo=UTC)  # the format asks for one
RELATION = {"manifest.json": "source", "figures.json": "data", "contents.json": "supplement"}
WHAT_U = "U: expanded uncertainty, of the 95 % interval. In full: the next section."
NO_DRIFT = "Drift was not analysed: no block was long enough."
RECORD = "This record is of one state of the run. It says nothing of what was logged, judged or signed after it."
BOUND = (
    "Whether it still is what was written, and the state it is of: benchpipe verify {run} --record FILE. Hashes in it "
    "are SHA-256."
)


def record_data(record: RunRecord) -> tuple[dict[str, Any], dict[str, str]]:
    """Texts of the record, and its drawings by the name of their file."""
    page, view = record.page, record.page.view
    strip, drawn = strip_picture(page), list(pictures(page))
    more = len(drawn) - MOST
    kept = drawn[:MOST]
    date = record.date or NO_DATE
    judged = [one for one in record.judged if applies(one.row)]
    absent = [f"{one.row['limit']} ({one.row['block']})" for one in record.judged if not applies(one.row)]
    unverified = sum(not one.row["verified"] for one in judged)
    data = {
        "document": f"Record of run {view.run}",
        "author": f"benchpipe {__version__}",
        "date": [date.year, date.month, date.day, date.hour, date.minute, date.second],
        "run": view.run,
        "kicker": f"Record of a bench test, state {record.state}",
        "footer": [f"Record of run {view.run}, state {record.state}", f"manifest {record.manifest}"],
        "verdict": {
            "text": headline_words(view).capitalize(), "colour": COLOUR[view.verdict] if view.judged else "soft",
        },
        "standing": standing(page),
        "identification": list(_identification(record)),
        "cautions": [
            CAUTION, *([f"{unverified} of {len(judged)} limits: {OWN}."] if unverified else []), RECORD,
            BOUND.format(run=view.run),
        ],
        "results": _results(record, judged),
        "strip": None if strip is None else {"name": strip.name, "words": strip.words, "notes": strip.notes},
        "judged": [_judged(one) for one in judged],
        "absent": f"Not applicable: {', '.join(absent)}." if absent else "",
        "pictures": [
            {"name": p.name, "answer": p.answer, "notes": p.notes, "words": p.words, "wide": p.wide} for p in kept
        ],
        "undrawn": f"{more:,} more drawings are on the page of the run: benchpipe page {view.run}" if more > 0 else "",
        "changed": list(_changed(record)),
        "forecast": list(page.drift.forecast) if page.drift is not None else [NO_DRIFT],
        "plan": [facts_of(one) for one in record.plan],
        "rig": [facts_of(one) for one in record.rig],
        "deviations": list(_deviations(record, judged)),
        "signed": _signed(record),
        "signed-why": [view.signed] if view.signed else [],
        "left-out": [facts_of(one) for one in record.left_out],
        "origin": [facts_of(one) for one in record.origin],
        "attached": [
            {"name": one.name, "what": one.what, "mime": one.mime,
             "relationship": RELATION.get(one.name, "source" if one.what.partition(":")[0] in SOURCES else "data")}
            for one in record.attached
        ],
    }  # fmt: skip
    return data, {one.name: one.svg for one in (*([strip] if strip else []), *kept)}


SOURCES = ("plan", "rig", "limits")


def _identification(record: RunRecord) -> Iterator[tuple[str, str]]:
    view = record.page.view
    yield "run", view.run
    yield "specimen", view.specimen
    yield "rig", view.rig
    if view.note:
        yield "note", view.note
    first, last = (clock(us, dated=view.dated) for us in (view.first_us, view.last_us))
    zone = " (by the rig's clock)" if view.dated else " (since the log began)"
    yield "logged", f"{first} to {last}{zone}" if view.first_us is not None else "nothing yet"
    yield "logs", (f"{view.logs:,}: {view.rows:,} rows = {view.samples:,} samples + {view.rejects:,} rejected + "
                   f"{view.repeats:,} repeated")  # fmt: skip
    if view.pauses:
        yield "pauses", view.pauses
    yield "state", f"{record.state}{'; the plan asks for more than there is' if view.running else ''}"
    yield "manifest", record.manifest
    known = f"{record.date:%Y-%m-%d %H:%M:%S} (last sample or signature)" if record.date else ""
    yield "date", known or f"not known: no log has a date (the file's own says {NO_DATE:%Y-%m-%d})"
    yield "ledger", f"entry {record.ledger.entries}" if record.ledger else "the store has no ledger: nothing was signed"
    if record.ledger:
        yield "head of the ledger", record.ledger.sha256
    yield "signed", view.signed or "no"
    yield "drawn by", f"benchpipe {__version__}"


def _results(record: RunRecord, judged: list[JudgedLimit]) -> dict[str, Any]:
    head = ("verdict", "name", "block", "measured ± U", "limit", "margin")
    rows = [
        (_verdict(one)["text"], one.row["limit"], one.row["block"], measured_text(one.row), limit_text(one.row),
         margin_with_unit(one.row["margin"], one.row["unit"], 3))
        for one in judged
    ]  # fmt: skip
    note = record.page.view.limits_note or (WHAT_U if judged else "No limit was judged.")
    colours = [_verdict(one)["colour"] for one in judged]
    return rows_of(FigureTable(tuple(map(Axis, head)), tuple(rows)), note) | {"colours": colours}


def _verdict(one: JudgedLimit) -> dict[str, str]:
    verdict = Verdict(one.row["verdict"])
    if not one.row["due"]:
        return {"text": "○ not due yet", "colour": "soft"}
    near = ", near to failing" if one.margin.marginal else ""
    return {"text": f"{SIGN[verdict]} {verdict}{near}", "colour": COLOUR[verdict]}


def _judged(one: JudgedLimit) -> dict[str, Any]:
    row = one.row
    return {
        "title": f"{row['limit']} ({row['block']})",
        "verdict": _verdict(one),
        "pairs": list(_pairs(one)),
        "budget": _budget(one),
    }


def _pairs(one: JudgedLimit) -> Iterator[tuple[str, str]]:
    row = one.row
    yield "measured", _measured(row)
    yield "limit", f"{limit_text(row)} ({row['limits_file']})"
    if row["margin"] is not None:
        guard = "" if not row["guard"] else f"; guard band {margin_with_unit(row['guard'], row['unit'], 3)}"
        yield "margin", margin_with_unit(row["margin"], row["unit"], 3) + guard
    yield "decision rule", row["rule"]
    if row["conformance"] is not None:
        yield "conforms", f"with {probability_text(row['conformance'])} (JCGM 106)"
    if row["consumer_risk"] is not None:
        risks = [probability_text(row[name]) for name in ("consumer_risk", "producer_risk")]
        yield "risks", f"of a specimen from the prior: consumer's {risks[0]}, producer's {risks[1]}"
    yield "limit from", f"{row['source']} ({_verified(row)})"
    yield "measure", f"{row['measure']}, {row['statistic']}{f': {one.meaning}' if one.meaning else ''}"
    yield "values used", f"{row['used']:,} of {row['of']:,}"
    if row["left_out"]:
        yield "left out", row["left_out"]
    if row["correction"] is not None:
        took = f"{100.0 * row['correction']:.3g} ± {200.0 * (row['correction_u'] or 0.0):.2g} %"
        yield "temperature", f"as read {100.0 * row['not_corrected']:.4g} %; temperature took off {took}"
    if row["remark"]:
        yield "remark", row["remark"]
    yield "uncertainty", _uncertainty(one)
    yield "origin", one.origin.words
    for file, sha256 in one.origin.logs:
        yield "log's SHA-256" if len(one.origin.logs) == 1 else file.rpartition("/")[2], sha256


def _verified(row: dict[str, Any]) -> str:
    return f"verified by {row['verified_by']}" if row["verified"] else OWN


def _measured(row: dict[str, Any]) -> str:
    if row["measured"] is None:
        return "not measured"
    at = f", {row['at']}" if row["at"] else ""
    return f"{measured_text(row)}{' (95 %)' if row['expanded_u'] else ''}{at}"


def _uncertainty(one: JudgedLimit) -> str:
    row = one.row
    if not row["expanded_u"]:
        return "none: the value is counted" if row["measured"] is not None else "none: nothing was measured"
    scale, unit = (100.0, "%") if row["unit"] == "1" else (1.0, unit_shown(row["unit"]))
    freedom = "" if row["dof"] is None else f", {row['dof']:.3g} degrees of freedom"
    expanded, standard = (f"{number(scale * row[name], 2)} {unit}" for name in ("expanded_u", "standard_u"))
    return f"U {expanded} (95 %{freedom}), u {standard}"


def _budget(one: JudgedLimit) -> dict[str, Any]:
    unit = one.row["unit"]
    scale = 100.0 if unit == "1" else 1.0
    head = (Axis("uncertainty from"), Axis("type"), Axis("standard u", "%" if unit == "1" else unit), Axis("share"),
            Axis("degrees of freedom"), Axis("taken from"))  # fmt: skip
    rows = tuple(
        (b["part"], b["kind"], "not known" if b["standard_u"] is None else f"{scale * b['standard_u']:.2g}",
         UNICODE.none if b["share"] is None else f"{100.0 * b['share']:.1f} %",
         "infinite" if b["dof"] is None else f"{b['dof']:.3g}", b["note"])
        for b in one.budget
    )  # fmt: skip
    return rows_of(FigureTable(head, rows))


def _changed(record: RunRecord) -> Iterator[dict[str, Any]]:
    page = record.page
    rows = tuple(
        (c.label, c.block, UNICODE.none if c.change is None else f"{100.0 * c.change:+.3g} %",
         plain_unit(c.last, c.unit), f"cycle {c.worst:,}" if c.worst else UNICODE.none)
        for c in page.changes
    )  # fmt: skip
    head = ("measure", "block", "since baseline", "last median", "largest departure")
    table = FigureTable(tuple(map(Axis, head)), rows)
    yield facts_of(Facts("change since the baseline", table, "" if rows else "No cycles were measured."))
    if page.drift is not None:
        yield facts_of(_events(page.drift))


def _events(drift: Drift) -> Facts:
    rows = tuple(
        (f"{e.cycle:,}", e.block, e.measure, e.text,
         UNICODE.none if e.low is None or e.high is None
         else f"{number(e.low, 3)} to {number(e.high, 3)}{'' if e.unit == '1' else f' {unit_shown(e.unit)}'}", e.near)
        for e in drift.events
    )  # fmt: skip
    head = ("cycle", "block", "measure", "what", "95 % interval", "near")
    return Facts("events", FigureTable(tuple(map(Axis, head)), rows), "" if rows else "No sudden change was found.")


def _deviations(record: RunRecord, judged: list[JudgedLimit]) -> Iterator[str]:
    texts = [(one.deviation, one) for one in record.signed if one.deviation]
    for text, one in texts:
        when = one.when.replace("T", " ")
        yield f"Deviation (state {one.sequence}), signed by {one.who}, {one.role} on {when}: {text}"
    short = [one for one in judged if one.row["due"] and one.row["verdict"] != Verdict.PASS]
    if short:
        names = ", ".join(f"{one.row['limit']} ({one.row['block']}): {one.row['verdict']}" for one in short)
        yield f"Not passed: {names}."
    if not texts:
        yield "No deviation was signed."


def _signed(record: RunRecord) -> dict[str, Any]:
    head = ("who", "role", "when", "meaning", "verdict", "reason", "state", "ledger entry")
    rows = tuple(
        (s.who, s.role, s.when, s.meaning, s.verdict, s.note, str(s.sequence),
         str(s.entry) if s.entry is not None else "unsigned by key")
        for s in record.signed
    )  # fmt: skip
    return rows_of(FigureTable(tuple(map(Axis, head)), rows))
