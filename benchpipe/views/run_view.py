"""View of a run: the terminal, the JSON document and pages draw it."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from math import isclose
from pathlib import Path
from typing import Any

import pyarrow as pa

from benchpipe.blocks.cyclic.values import NO_CYCLE
from benchpipe.blocks.figures import BlockView, Figure
from benchpipe.blocks.registry import kind_of
from benchpipe.check.decision import RANK, Verdict, applies, worst
from benchpipe.check.rules import false_passes_together
from benchpipe.check.signing import signed_words
from benchpipe.check.specimens import waits_for_more
from benchpipe.escapes import quoted
from benchpipe.plan import Block
from benchpipe.run import RunConfig
from benchpipe.samples.signals import signal_units
from benchpipe.store.archive_note import Away
from benchpipe.store.manifest import Manifest
from benchpipe.store.pauses import RunClock
from benchpipe.store.run_store import RunStore
from benchpipe.store.software import other_software
from benchpipe.tables import VERDICTS
from benchpipe.views.model import RunView
from benchpipe.views.pace import pace_of
from benchpipe.views.remark_ranks import ranked
from benchpipe.views.rig_advice import LET_RUN, with_health
from benchpipe.views.settings import settings_differ

# A row of the verdicts table that an older version judged lacks some columns.
NOTHING_SAID: dict[str, Any] = {column.name: None if column.null else "" for column in VERDICTS}


def run_view(run: RunConfig, manifest: Manifest, store: RunStore) -> RunView:
    """Gather what is shown of a run from its tables."""
    limits = _in_order(store.read(manifest, "verdicts").to_pylist())
    due = [Verdict(r["verdict"]) for r in limits if r["due"]]
    sources, account = manifest.sources, manifest.account()
    places = {p.file: p for p in manifest.placed}
    starts = [s.first_us + places[s.file].shift_us for s in sources if s.first_us is not None]
    ends = [s.last_us + places[s.file].shift_us for s in sources if s.last_us is not None]
    remarks = [r for s in sources for r in s.remarks] + [r for step in manifest.steps.values() for r in step.remarks]
    verdict = worst(due)
    blocks = tuple(_as_judged(_block_view(b, run, manifest, store), limits) for b in run.plan.block)
    clock = RunClock.of(manifest, run.plan.restart_pause)
    last_us = int(clock.real(max(ends))) if ends else None
    running = waits_for_more(limits, (b.name for b in blocks)) or any(b.planned and not b.ended for b in blocks)
    view = RunView(
        run=run.name,
        specimen=run.plan.specimen,
        rig=run.rig.name,
        note=run.plan.note,
        verdict=verdict,
        judged="check" in manifest.steps,
        running=running,
        first_us=min(starts, default=None),
        last_us=last_us,
        dated=run.rig.time.shown_as_dates,
        logs=len(sources),
        rows=account.rows,
        samples=account.samples,
        rejects=account.rejects,
        repeats=account.repeats,
        blocks=blocks,
        limits=tuple(limits),
        remarks=ranked(remarks),
        reasons=_reasons(store.read(manifest, "rejects")),
        do_next=tuple(_do_next(run, manifest, verdict, limits, running)),
        pace=pace_of(run, manifest, store, last_us, clock),
        pauses=clock.words,
        signed=signed_words(store, manifest),
        limits_note="" if limits else _no_limits(run, manifest),
        made_with=other_software(manifest.made_with),
        settings=settings_differ(run, manifest, store),
        events=tuple(store.read(manifest, "events").to_pylist()),
        phases=tuple(store.read(manifest, "phases").to_pylist()),
        forecasts=tuple(store.read(manifest, "forecasts").to_pylist()),
        together=false_passes_together(row["risk"] for row in limits if _guarded(row)),
    )
    return with_health(view, ())


def _guarded(row: dict[str, Any]) -> bool:
    """Whether a verdict is a pass that a decision rule gave a risk."""
    return bool(row["due"] and row["expanded_u"] and row["verdict"] == Verdict.PASS)


def _as_judged(block: BlockView, limits: list[dict[str, Any]]) -> BlockView:
    """A block whose figures have the uncertainty of the verdict on them, where there is one."""
    judged = [row for row in limits if row["block"] == block.name and row["measured"] and row["expanded_u"]]

    def as_judged(figure: Figure) -> Figure:
        same = [
            row
            for row in judged
            if row["unit"] == figure.unit and figure.value and isclose(abs(row["measured"]), abs(figure.value))
        ]
        return replace(figure, u=same[0]["standard_u"], expanded_u=same[0]["expanded_u"]) if same else figure

    return replace(block, figures=tuple(as_judged(figure) for figure in block.figures))


def _in_order(rows: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Rows of the verdicts table: what is due first, worst first, nearest first."""
    rows = [NOTHING_SAID | {name: value for name, value in row.items() if value is not None} for row in rows]
    return sorted(rows, key=lambda r: (not r["due"], RANK[Verdict(r["verdict"])], _nearness(r)))


def _no_limits(run: RunConfig, manifest: Manifest) -> str:
    if "check" not in manifest.steps:
        return "nothing was judged yet"
    return "no limit of the plan's limit files was judged" if run.limits else "the plan names no limit file"


def archived_view(run: RunConfig, away: Away) -> RunView:
    """A run whose tables are in an archive, with its verdicts as they were when it went there."""
    limits = _in_order(away.verdicts or ())
    known = away.verdicts is not None
    note = f"as they were when the run was archived on {away.since[:10]}"
    if not known:
        note = f"they are in the archive: benchpipe show RUN --store {quoted(away.archive)}"
    return RunView(
        run.name, run.plan.specimen, run.rig.name, run.plan.note,
        worst([Verdict(r["verdict"]) for r in limits if r["due"]]), known, False, None, None,
        False, 0, 0, 0, 0, 0, (), tuple(limits), (), (), ("to work on it again: benchpipe restore RUN",),
        signed=away.signed, archived=f"in the archive {away.archive / run.name} since {away.since[:10]}",
        limits_note=note,
    )  # fmt: skip


def failed_view(plan_path: Path, why: str, name: str = "") -> RunView:
    """A run that could not be processed; its folder's name stands for a name that is not known."""
    return RunView(
        name or plan_path.parent.name or plan_path.stem,
        str(plan_path), "", "", Verdict.NOT_EVALUATED, False, False, None, None, False,
        0, 0, 0, 0, 0, (), (), (), (), ("fix the error above, then run again",), why,
        limits_note="the run could not be processed: see failed",
    )  # fmt: skip


def _nearness(row: dict[str, Any]) -> float:
    """How near a value is to its limit, in parts of the limit: the smaller, the nearer."""
    margin, value = row["margin"], row["value"]
    if margin is None:
        return -1.0
    return float(margin / abs(value) if value else margin)


def _reasons(rejects: pa.Table) -> tuple[tuple[str, int], ...]:
    counts: dict[str, int] = {}
    for reason, rows in zip(rejects.column("reason").to_pylist(), rejects.column("rows").to_pylist(), strict=True):
        counts[reason] = counts.get(reason, 0) + rows
    return tuple(sorted(counts.items(), key=lambda item: -item[1]))


def _do_next(
    run: RunConfig, manifest: Manifest, verdict: Verdict, limits: list[dict[str, Any]], running: bool
) -> list[str]:
    if "check" not in manifest.steps:
        return ["work on it: benchpipe nightly LAB"]
    account = manifest.account()
    if account.rows and not account.samples:
        return ["see why no row was taken, then correct the rig file: benchpipe export RUN rejects"]
    if not limits:
        return ["name a limit file in the plan, and check again"]
    if not any(map(applies, limits)):
        return ["no limit fits a block of the plan: name another limit file in it, or add the blocks they are for"]
    first = next((r for r in limits if r["due"] and r["verdict"] != Verdict.PASS), None)
    if verdict is Verdict.FAIL and first is not None:
        events = {b.name: kind_of(b.kind).events for b in run.plan.block}.get(first["block"])
        what = events.number.replace("_", "-") if events else None
        steps = [f"stop the rig and look at the specimen: '{first['limit']}' failed"]
        number = re.fullmatch(r"[a-z ]+ ([\d,]+)", first["at"] or "")
        at = number[1].replace(",", "") if number else first["last"]
        if what and at:
            steps.append(f"see the raw rows: benchpipe trace RUN {quoted(first['block'])} --{what} {at}")
        return steps if what else [f"stop the rig: '{first['limit']}' failed"]
    if first is not None and first["remark"] == NO_CYCLE and manifest.sources:
        log = quoted(run.folder / manifest.sources[-1].file)
        return [f"compare the loads of block '{first['block']}' in the plan with a log: benchpipe inspect {log}"]
    if first is not None:
        return [f"look at '{first['limit']}': {first['remark'] or 'too near the limit to tell'}"]
    uncrossed = [r for step in manifest.steps.values() for r in step.remarks if r.code == "uncrossed"]
    if uncrossed:
        count, where = uncrossed[0].count, uncrossed[0].where
        return [f"see to the rig: {count:,} cycles of '{where}' crossed no threshold: is the specimen whole?"]
    if running:
        return [LET_RUN]
    return ["all limits are met: a competent person reviews the record before anybody relies on it"]


def _block_view(block: Block, run: RunConfig, manifest: Manifest, store: RunStore) -> BlockView:
    kind = kind_of(block.kind)
    made = kind.view(block, signal_units(run.rig), manifest, store)
    things = kind.events.plural if kind.events else ""
    return replace(made, ended=kind.over(kind, block, manifest, store), things=things)
