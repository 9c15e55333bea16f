"""The text of a message: short, plain, worst first, with the caution."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

from benchpipe.escapes import visible
from benchpipe.views.caution import CAUTION
from benchpipe.views.model import Alarm, RunView

MOST = 12  # alarms that are given in full
# Worst first; what is not named here comes after.
ORDER = ("broken", "limit-fail", "rig-stopped", "sensor-stuck", "load-not-reached", "disk-space")


def ordered(alarms: Iterable[Alarm]) -> list[Alarm]:
    """Alarms, worst first."""
    return sorted(alarms, key=lambda a: ORDER.index(a.code) if a.code in ORDER else len(ORDER))


def title(lab: str, new: Sequence[Alarm]) -> str:
    """One line: which lab, how much, and the worst of it."""
    if not new:
        return visible(f"{lab}: night finished, nothing new")
    worst = ordered(new)[0]
    place = f"{worst.run}: " if worst.run else ""
    more = f" and {len(new) - 1} more" if len(new) > 1 else ""
    return visible(f"{lab}: {place}{worst.code.replace('-', ' ')}{more}")


def body(
    lab: str, began: datetime, views: Sequence[RunView], new: Sequence[Alarm], do_next: dict[tuple[str, str, str], str],
    still: int, head: str = "",
) -> str:  # fmt: skip
    """All of a message.

    Parameters
    ----------
    new : sequence of Alarm
        Alarms that are sent for the first time.
    do_next : dict
        Identity of an alarm → what to do about it, where that is known.
    still : int
        Alarms that were sent before and go on.
    head : str
        End of the store's ledger; empty where there is none. A person who has the message can tell that it was cut.
    """
    lines = [f"{lab}, night of {began.astimezone():%Y-%m-%d %H:%M}", ""]
    for alarm in ordered(new)[:MOST]:
        lines.append(f"{alarm.run + ': ' if alarm.run else ''}{alarm.text}")
        lines += [f"  next: {do_next[alarm.identity]}"] if alarm.identity in do_next else []
    if len(new) > MOST:
        lines.append(f"and {len(new) - MOST} more")
    if not new:
        lines.append("Nothing new.")
    lines += [f"{still} alarm(s) that were sent before still hold."] if still else []
    failed = sum(view.failed is not None for view in views)
    lines += ["", f"{len(views)} run(s), {failed} could not be processed."]
    lines += [f"Ledger: {head}."] if head else []
    lines += ["", CAUTION]
    return "\n".join(map(visible, lines))
