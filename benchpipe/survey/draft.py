"""A draft of the plan: each block that the logs show, each value with its evidence.

What the logs cannot decide is a question: the line holds ``"?"``, and the loader refuses it until it is answered.
Values that a log shows, and a protocol decides, are named in the block's ``drafted``: no limit is judged on them.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchpipe.survey.draft_kinds import block_lines, idle_lines, locking_lines, stance_lines
from benchpipe.survey.draft_sheet import Sheet, key_line
from benchpipe.survey.seen import Seen
from benchpipe.survey.stretches import Surveyed


@dataclass(frozen=True)
class DraftedPlan:
    """Text of a plan file, and what it asks before it works."""

    text: str
    questions: tuple[str, ...]


@dataclass(frozen=True)
class PlanHead:
    """What the head of a plan says."""

    name: str
    specimen: str
    rig: str
    limits: tuple[str, ...]
    logs: tuple[str, ...]


def draft_plan(head: PlanHead, seen: Seen, surveyed: Surveyed, units: dict[str, str], *, change: bool) -> DraftedPlan:
    """Draft a plan file.

    Parameters
    ----------
    units : dict
        Units of ``load`` and ``motion``.
    change : bool
        Whether the limits that the plan names need a baseline.
    """
    sheet = Sheet(units, change)
    blocks = [*(block_lines(sheet, one) for one in seen.blocks), *(idle_lines(sheet, one) for one in seen.idle)]
    body = [line for block in blocks for line in ["", "[[block]]", *block]]
    if not blocks:
        ask = "the logs show no cycles, sweeps or holds that repeat: which blocks does the test have?"
        kinds = '"cyclic" | "hold" | "sweep"'
        body = ["", "[[block]]", 'name = "test"', *sheet.question("kind", ask, kinds)]
    for one in seen.stances:
        body += ["", *stance_lines(sheet, one)]
    if seen.changes > 2:
        body += ["", *locking_lines(sheet, seen.changes)]
    lines = [*_head(head, seen, surveyed, len(sheet.questions)), *body]
    return DraftedPlan("\n".join(lines) + "\n", tuple(sheet.questions))


def _head(head: PlanHead, seen: Seen, surveyed: Surveyed, questions: int) -> list[str]:
    rows, logs = sum(surveyed.rows.values()), len({name for name, _ in surveyed.rows})
    part = f"; of {len(surveyed.partly)} log(s) only the beginning" if surveyed.partly else ""
    state = f"does not work before {questions} QUESTION(s) are answered" if questions else "works"
    lines = [
        f"# Plan drafted by benchpipe from {rows:,} rows of {logs} log(s){part}.",
        f"# It {state}. Each value says what it was read from; compare them with the test's protocol.",
        *(f"# {note}" for note in seen.notes),
    ]
    if surveyed.resets:
        before, after = surveyed.resets[0]
        lines.append(f"# the counter falls {len(surveyed.resets)} time(s), first from {before:g} to {after:g}")
    if surveyed.restarts:
        lines.append(f"# the log's clock begins again {surveyed.restarts} time(s)")
    return [
        *lines, "",
        *key_line("name", head.name, "of the run, as commands know it"),
        *key_line("specimen", head.specimen, "what is on the rig"),
        *key_line("rig", head.rig, ""),
        *key_line("limits", list(head.limits), "replace their values by the test's own"),
        *key_line("logs", list(head.logs), "relative to this file"),
    ]  # fmt: skip
