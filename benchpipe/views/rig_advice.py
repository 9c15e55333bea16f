"""Advice that agrees with how the rig is: no run is left running whose rig has stopped or is off its target."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

from benchpipe.health.finding import Finding
from benchpipe.views.model import RunView

LET_RUN = "nothing to do: let it run"
# Findings on a rig that is not to be left running as it is.
NOT_LEFT = frozenset(
    {"clock", "rig-stopped", "sensor-stuck", "load-not-reached", "dropped-samples", "rig-slow", "counter-apart"}
)
OFF_TARGET_PART = 0.05  # of the cycles: a remark on so many says that the rig is off its target


def with_health(view: RunView, health: tuple[Finding, ...]) -> RunView:
    """The run with what is not well with its rig; the advice agrees with it."""
    return replace(view, health=health, do_next=tuple(_agreeing(view.do_next, view, health)))


def _agreeing(steps: Iterable[str], view: RunView, health: tuple[Finding, ...]) -> Iterator[str]:
    """Advice without "let it run" where the rig has stopped or is off its target."""
    wrong = [one for one in health if one.code in NOT_LEFT]
    done = {block.name: block.done for block in view.blocks}
    many = {name: OFF_TARGET_PART * max(count, 1) for name, count in done.items()}
    off = [r for r in view.remarks if r.code == "off-target" and r.count > many.get(r.where, 0.0)]
    for step in steps:
        if step != LET_RUN or not (wrong or off):
            yield step
        elif wrong:
            yield f"see to the rig: {wrong[0].code}: {wrong[0].do_next}"
        else:
            yield f"see to the rig: {off[0].count:,} cycles of '{off[0].where}' are off target: check its control"
