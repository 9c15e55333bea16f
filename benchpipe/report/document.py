"""The JSON document of one or more runs: versioned, for other programs.

``version`` rises when a field changes its meaning or is removed; new fields do not
raise it. Numbers are in the units given beside them; null is "not measured".
Every field is listed in :data:`FIELDS`.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from typing import Any

from benchpipe import __version__
from benchpipe.check.rounding import decimal_of
from benchpipe.errors import ExitCode
from benchpipe.tables import REMARKS, TABLES, VERDICTS
from benchpipe.views.caution import CAUTION
from benchpipe.views.lab_view import NOTHING, Besides
from benchpipe.views.model import RunView

VERSION = 2  # expanded_u is the half-width of a 95 % interval, no longer 2 u

# Path → meaning; ``[]`` stands for each member of a list.
FIELDS: dict[str, str] = {
    "document": "always 'benchpipe runs'",
    "version": "version of this document",
    "code": "version of benchpipe that wrote it",
    "exit_code": "exit code of the command: that of the worst run (one in an archive counts no more)",
    "caution": "what a verdict is not",
    "store_health": "what is not well with the store's disk (fields as in runs[].health)",
    "store_health[].code": "disk-space or not-looked-at",
    "store_health[].where": "store, or the key of the lab file that names no run",
    "store_health[].text": "what is wrong, in a sentence",
    "store_health[].do_next": "what to do about it",
    "not_told": "which recipient of the lab file's [[tell]] could not be reached, and why, in sentences",
    "tests": "tests of the lab file, in its order; empty where a command is of single runs",
    "tests[].name": "name of the test",
    "tests[].verdict": "pass only if every required specimen passes all its stages and nothing is still to come",
    "tests[].running": "more is to come",
    "tests[].why": "why it is not decided, where no specimen is the reason; else empty",
    "tests[].required": "specimens that must pass",
    "tests[].specimens": "its specimens",
    "tests[].specimens[].name": "name in the lab file",
    "tests[].specimens[].verdict": "worst of its stages that count",
    "tests[].specimens[].running": "more is to come",
    "tests[].specimens[].cycles": "cycles done in all its stages; null where it has none or they are not known",
    "tests[].specimens[].stages": "its stages",
    "tests[].specimens[].stages[].name": "name of the stage",
    "tests[].specimens[].stages[].run": "its run",
    "tests[].specimens[].stages[].verdict": "worst verdict of its limits that are due, if nothing is still to come",
    "tests[].specimens[].stages[].running": "more is to come",
    "tests[].specimens[].stages[].why": "what failed, or why it is not decided",
    "tests[].specimens[].stages[].cycles": "cycles done in it; null where it has none or they are not known",
    "tests[].specimens[].stages[].repeated_by": "the stage that counts in its place; null where it counts itself",
    "tests[].specimens[].stages[].reason": "why it was repeated",
    "tests[].specimens[].replaced_by": "the specimen that counts in its place; null where it counts itself",
    "tests[].specimens[].reason": "why it was replaced",
    "tests[].survival": "what the specimens that count show of others: a passed test is no claim of reliability",
    "tests[].survival.survived": "specimens that passed, or go on without a failure",
    "tests[].survival.tested": "specimens that were tested so far",
    "tests[].survival.undecided": "those not decided with nothing to come; they count as failed",
    "tests[].survival.cycles": "what every survivor has done; null where cycles are not counted",
    "tests[].survival.so_far": "some of them go on",
    "tests[].survival.confidence": "one-sided confidence of the bounds",
    "tests[].survival.reliability": "lower bound of the share of such specimens that survive so many cycles",
    "tests[].survival.weibull_shape": "as the lab file states it; null where it does not",
    "tests[].survival.life": "lower bound of the characteristic life [cycles] at that shape",
    "tests[].survival.words": "the same in sentences",
    "runs": "runs, worst first",
    "runs[].run": "name of the run",
    "runs[].specimen": "what is on the rig",
    "runs[].rig": "name of the rig; empty where the run could not be processed",
    "runs[].note": "the plan's one line",
    "runs[].verdict": "worst verdict of the limits that are due: pass, fail, inconclusive or not evaluated",
    "runs[].judged": "the run was checked",
    "runs[].running": "the plan asks for more than there is",
    "runs[].first_us": "time of the first sample [us]: since 1970-01-01 if dated, else since the log began",
    "runs[].last_us": "time of the last sample [us]; where a clock began again, without pauses of unknown length",
    "runs[].pauses": "restarts of the log's clock, and what is known of the pauses; empty: it never began again",
    "runs[].dated": "times are dates",
    "runs[].logs": "log files",
    "runs[].rows": "rows in them",
    "runs[].samples": "rows taken",
    "runs[].rejects": "rows not taken",
    "runs[].repeats": "rows that repeat a file before",
    "runs[].blocks": "blocks of the plan",
    "runs[].blocks[].name": "name of the block",
    "runs[].blocks[].kind": "cyclic, hold, relaxation, sweep, stance, roll, proof, locking or idle",
    "runs[].blocks[].done": (
        "complete cycles (by the count that the plan lets decide), holds, sweeps, stance windows, passes, proofs, lock "
        "changes"
    ),
    "runs[].blocks[].planned": "how many the plan asks for; null where it does not say",
    "runs[].blocks[].ended": "the plan asks for no more of them; false where it does not say how many",
    "runs[].blocks[].said": "what the block showed, in words",
    "runs[].blocks[].things": "what is counted in it, such as cycles; empty where nothing is",
    "runs[].blocks[].figures": (
        "what it measured: of cycles medians over the newest bin of the trends, of sweeps and lock changes medians "
        "over all, of holds, stance windows and proofs the last one's"
    ),
    "runs[].blocks[].figures[].name": "what",
    "runs[].blocks[].figures[].value": "value, in the unit",
    "runs[].blocks[].figures[].unit": "unit; 1 for a ratio",
    "runs[].blocks[].figures[].change": "value / baseline - 1, where there is a baseline",
    "runs[].blocks[].figures[].u": "its standard uncertainty; null where it is not known",
    "runs[].blocks[].figures[].expanded_u": "half-width of its 95 % interval, where a limit was judged on it",
    "runs[].blocks[].figures[].group": "what it is a part of, such as a direction; empty for most",
    "runs[].blocks[].figures[].after": (
        "cycles done before it, where the group holds one figure of several holds over the run's life; null for others"
    ),
    "runs[].blocks[].figures[].trend": "medians of neighbours from first to last, in the unit",
    "runs[].limits": "verdicts: what is due first, worst first (columns of the verdicts table)",
    **{f"runs[].limits[].{column.name}": column.meaning for column in VERDICTS},
    "runs[].together": "what the passes that are due risk together; null where nothing was judged",
    "runs[].together.passes": "how many passes have a risk",
    "runs[].together.expected": "largest expected number of false ones, each item no better than at its limit",
    "runs[].together.any_false": "largest probability that one or more is false",
    "runs[].limits_note": "why limits is empty, or of when it is if not of now (a run that is archived); else empty",
    "runs[].remarks": "what was odd (columns of the remarks table)",
    **{f"runs[].remarks[].{column.name}": column.meaning for column in REMARKS},
    "runs[].events": "steps, changes of slope and of scatter, a row a measure (columns of the events table)",
    **{f"runs[].events[].{column.name}": column.meaning for column in TABLES["events"]},
    "runs[].phases": "run-in, steady, wear-out, and the change since the baseline (columns of the phases table)",
    **{f"runs[].phases[].{column.name}": column.meaning for column in TABLES["phases"]},
    "runs[].forecasts": "when limited measures cross their limits; null: open, or not known (the forecasts table)",
    **{f"runs[].forecasts[].{column.name}": column.meaning for column in TABLES["forecasts"]},
    "runs[].reasons": "why rows were not taken",
    "runs[].reasons[].reason": "reason",
    "runs[].reasons[].rows": "rows",
    "runs[].do_next": "what to do next, in sentences",
    "runs[].signed": "who signed the run off, when, and of which state; empty: not signed",
    "runs[].verified": "since when every log was verified against what was taken; empty where no night has noted it",
    "runs[].made_with": "what of software and machine that made the results is another now; empty: nothing",
    "runs[].settings": "settings files on the disk that are other than those of the figures; empty: none",
    "runs[].archived": "the archive that holds the run's tables, and since when; empty: they are in the store",
    "runs[].failed": "why the run could not be processed; null if it could",
    "runs[].pace": "how fast it goes; null where the plan has no cyclic block",
    "runs[].pace.done": "complete cycles of all cyclic blocks, by the count that the plan lets decide",
    "runs[].pace.planned": "how many the plan asks for; null where it does not say",
    "runs[].pace.per_day": "cycles a day over the last day of the logs, stops and known pauses included",
    "runs[].pace.end_us": "expected time of the last planned cycle [us], on the axis of first_us",
    "runs[].alarms": "what to look at, new alarms first",
    "runs[].alarms[].code": "kind: limit-fail, limit-near, ..., broken, or that of the remark",
    "runs[].alarms[].where": "file, block or limit",
    "runs[].alarms[].text": "what was seen, in a sentence",
    "runs[].alarms[].since": "the night that first said it (ISO 8601, UTC); null where no night has yet",
    "runs[].alarms[].new": "it was not in the last night",
    "runs[].health": "what is not well with the rig, worst first",
    "runs[].health[].code": "kind, as in the lab file's [health]",
    "runs[].health[].where": "block (and since when it is on) or channel; empty for the whole rig",
    "runs[].health[].text": "what is wrong, in a sentence",
    "runs[].health[].do_next": "what to do about it",
    "runs[].watched": "the rig was looked at; if not, an empty health says nothing",
    "runs[].bytes_a_day": "its tables grow by so much in a day of logs; 0 where it does not go on",
    "runs[].steps": "steps of the night that last worked on the run",
    "runs[].steps[].step": "ingest, process, drift or check",
    "runs[].steps[].seconds": "wall time [s]",
    "runs[].steps[].peak_mb": "peak memory of the process that did it [MB]; 0 where the system does not say",
}


def document(views: list[RunView], exit_code: ExitCode, besides: Besides = NOTHING) -> dict[str, Any]:
    """All of a set of runs as plain values."""
    return {
        "document": "benchpipe runs",
        "version": VERSION,
        "code": __version__,
        "exit_code": int(exit_code),
        "caution": CAUTION,
        "store_health": [asdict(found) for found in besides.store],
        "not_told": list(besides.not_told),
        "tests": [plain(asdict(test)) for test in besides.tests],
        "runs": [plain(_run(view)) for view in views],
    }


def to_json(views: list[RunView], exit_code: ExitCode, besides: Besides = NOTHING) -> str:
    """The document as strict JSON, in ASCII: the same bytes whatever the terminal's encoding."""
    return json_text(document(views, exit_code, besides))


def json_text(value: Any) -> str:
    """Strict JSON without a letter that a terminal obeys: ASCII, and DEL as an escape."""
    return json.dumps(value, indent=1, allow_nan=False).replace("\x7f", "\\u007f")


def _run(view: RunView) -> dict[str, Any]:
    fields = asdict(view)
    del fields["stored"], fields["called"]  # for the screen: `show --json` gives what is stored
    for alarm in fields["alarms"]:
        del alarm["run"]
        alarm["since"] = alarm["since"] and alarm["since"].isoformat()
    fields["remarks"] = [r.model_dump() for r in view.remarks]
    fields["reasons"] = [{"reason": reason, "rows": rows} for reason, rows in view.reasons]
    return fields


def plain(value: Any) -> Any:
    """What JSON can hold, numbers of single precision by their shortest decimal."""
    if isinstance(value, dict):
        return {key: plain(v) for key, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if isinstance(value, float):
        return decimal_of(value) if math.isfinite(value) else None
    return value
