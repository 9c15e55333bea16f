"""Table of a night over a whole lab: one row a run, in 80 columns."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from benchpipe.check.decision import Verdict
from benchpipe.views.alarms import RIG_SLOW, RIG_STOPPED, RIG_UNKNOWN, is_near
from benchpipe.views.model import RunView

NONE = "-"


@dataclass(frozen=True)
class LabRow:
    """Cells of a run; ``limits`` is the worst of what they say, ``near`` how many pass and are near to failing."""

    run: str
    cycles: str
    per_day: str
    end: str
    rig: str
    new: str
    limits: str
    verdict: Verdict | None


def lab_row(view: RunView) -> LabRow:
    """Cells of a run."""
    pace = view.pace
    limits, verdict = _limits(view)
    new = sum(alarm.new for alarm in view.alarms)
    return LabRow(
        run=view.run,
        cycles=f"{short(pace.done)}/{short(pace.planned)}" if pace else NONE,
        per_day=short(round(pace.per_day)) if pace and pace.per_day is not None else NONE,
        end=_end(view),
        rig=_rig(view),
        new=str(new) if new else NONE,
        limits=limits,
        verdict=verdict,
    )


def short(count: int | None) -> str:
    """A count with at most four digits, rounded down: what is not reached does not look reached."""
    if count is None:
        return NONE
    for size, letter in ((1_000_000, "M"), (1_000, "k")):
        if count >= 10_000 and count >= size:
            digits = 3 if count < 10 * size else 2 if count < 100 * size else 1 if count < 1000 * size else 0
            value = count * 10**digits // size / 10**digits
            return f"{value:.{digits}f}".rstrip("0").rstrip(".") + letter if digits else f"{value:,.0f}{letter}"
    return f"{count:,}"


def _end(view: RunView) -> str:
    """The day of the expected end; the time to it where the log has no dates."""
    end = view.pace.end_us if view.pace else None
    if end is None or view.last_us is None:
        return NONE
    days = (end - view.last_us) / 86_400e6
    if days > 36_500:
        return "never"
    if view.dated:
        return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=end)).strftime("%Y-%m-%d")
    return f"in {days:.0f} d" if days >= 2 else f"in {24 * days:.1f} h"


def _rig(view: RunView) -> str:
    codes = {alarm.code for alarm in view.alarms}
    if RIG_STOPPED in codes:
        return "stopped"
    if RIG_SLOW in codes:
        return "slow"
    if view.failed is not None or view.last_us is None:
        return NONE
    if not view.running:
        return "ended"
    if codes & RIG_UNKNOWN:
        return "unknown"
    return "runs" if view.watched else "unwatched"


def _limits(view: RunView) -> tuple[str, Verdict | None]:
    if view.failed is not None:
        return "broken", Verdict.FAIL
    if view.archived:
        return "archived", None
    if not view.judged or not view.limits:
        return "not judged" if not view.judged else "none set", Verdict.NOT_EVALUATED
    due = [row for row in view.limits if row["due"]]
    near = sum(is_near(row, view.limits) for row in view.limits)
    words = [
        f"{sum(row['verdict'] == verdict for row in due)} {'failed' if verdict is Verdict.FAIL else verdict}"
        for verdict in (Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.NOT_EVALUATED)
        if verdict is view.verdict and due
    ]
    words += [f"{near} near"] if near else []
    if not due:
        return "none due", None
    return ", ".join(words) or "pass", view.verdict
