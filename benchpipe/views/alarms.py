"""Alarms of a run: since when each exists, and which are new.

An alarm is a remark, a limit's verdict or a finding on a rig's health that needs a person. It is
the same alarm as last night's while run, code and place are the same, whatever numbers its text has. ``since`` is the
night that first reported it, without a break since then. An alarm counts as ``new`` for :data:`NEW_FOR`: nights are a
day apart, so re-running one by hand the next morning shows the same list. Reported alarms are kept in one file of the
store (:mod:`benchpipe.store.notes`).

To add alarms of another kind, make ``Alarm(run, code, where, text)`` and give them to
:func:`dated` with the others.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from benchpipe.check.decision import Verdict
from benchpipe.views.model import Alarm

if TYPE_CHECKING:
    from benchpipe.views.model import RunView

NEW_FOR = timedelta(hours=12)
NEAR_PART = 0.1  # of the limit (common practice, no source)
# Codes that the table of a lab shows in its column of the rig.
RIG_STOPPED, RIG_SLOW = "rig-stopped", "rig-slow"
RIG_UNKNOWN = frozenset({"clock", "not-looked-at"})  # whether it has stopped is not known
# Remarks that tell what was done or what is usual, and ask for nothing.
QUIET = frozenset(
    {
        "open", "next-day", "begin-of-summer-time", "end-of-summer-time", "renamed", "repeats", "counter",
        "clock-offset", "second-log-waits", "rebuilt", "drift",
    }
)  # fmt: skip


def alarms_of(view: RunView) -> tuple[Alarm, ...]:
    """Alarms of a run: why it broke, limits that fail or are near, its rig's health, remarks; not yet dated."""
    if view.archived:  # done with: its verdicts are shown, and ask for nothing
        return ()
    if view.failed is not None:
        return (Alarm(view.run, "broken", "", view.failed.splitlines()[0]),)
    of_health = (Alarm(view.run, found.code, found.where, found.text) for found in view.health)
    return (*_of_limits(view), *of_health, *_of_remarks(view))


def _of_limits(view: RunView) -> Iterator[Alarm]:
    for row in view.limits:
        verdict = Verdict(row["verdict"])
        if not row["due"] or (verdict is Verdict.PASS and not is_near(row, view.limits)):
            continue
        code = "limit-near" if verdict is Verdict.PASS else f"limit-{verdict.replace(' ', '-')}"
        words = "is near" if verdict is Verdict.PASS else {Verdict.FAIL: "failed"}.get(verdict, f"is {verdict}")
        where = f"{row['limits_file']}: {row['limit']} ({row['block']})"
        why = f": {row['remark']}" if row["remark"] else ""
        yield Alarm(view.run, code, where, f"limit '{row['limit']}' ({row['block']}) {words}{why}")


def _of_remarks(view: RunView) -> Iterator[Alarm]:
    for remark in view.remarks:
        if remark.code not in QUIET:
            yield Alarm(view.run, remark.code, remark.where, f"{remark.where}: {remark.text}")


def is_near(row: Mapping[str, Any], rows: Iterable[Mapping[str, Any]]) -> bool:
    """Whether a limit that passes is near to failing.

    Its margin is smaller than the expanded uncertainty of the value (a guarded limit is
    inconclusive there), or than :data:`NEAR_PART` of the limit, or of the window where a second
    limit bounds the same values from the other side. What the plan only has to reach (cycles
    done, the length of a hold) is never near.

    Parameters
    ----------
    row : mapping
        A row of the verdicts table.
    rows : iterable of mappings
        All rows of the run.
    """
    if row["verdict"] != Verdict.PASS or not row["due"] or row["margin"] is None:
        return False
    if row["statistic"] == "count" or row["measure"] == "hold_time":
        return False
    others = [row["other_value"]] if row.get("other_value") is not None else []
    others += [r["value"] for r in rows if _same(r, row) and r["operator"] != row["operator"]]
    scale = min((abs(value - row["value"]) for value in others), default=abs(row["value"]))
    return bool(row["margin"] < max(NEAR_PART * scale, row["expanded_u"] or 0.0))


def _same(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    return all(one[name] == other[name] for name in ("block", "measure", "statistic"))


def dated(alarms: Iterable[Alarm], said: Mapping[tuple[str, str, str], datetime], now: datetime) -> tuple[Alarm, ...]:
    """Alarms with what the nights before said of them; new ones first, one of each identity.

    Parameters
    ----------
    said : mapping
        Identity of each alarm of the last night, and since when it is on.
    now : datetime
        UTC. A time that lies ahead of it (the clock was wrong that night) counts as now.
    """
    now = now.replace(microsecond=0)
    found: dict[tuple[str, str, str], Alarm] = {}
    for alarm in alarms:
        since = min(said.get(alarm.identity, now), now)
        found.setdefault(alarm.identity, replace(alarm, since=since, new=now - since < NEW_FOR))
    return tuple(sorted(found.values(), key=lambda alarm: not alarm.new))
