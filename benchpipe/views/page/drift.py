"""What the analysis of drift found, for the page: the rows of its tables, shortened."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from benchpipe.drift.words import forecast_words
from benchpipe.views.model import RunView
from benchpipe.views.page.model import Drift, ShownEvent, ShownPhase

PHASES_OF = "secant_stiffness"  # the measure whose phases a block's charts are marked with
KINDS = {
    "step": "step", "slope": "change of slope, per million cycles", "scatter": "change of scatter", "backlash": "step",
}  # fmt: skip


def drift_of(view: RunView) -> Drift | None:
    """Events, phases and forecasts of a run; None where no block was long enough to be analysed."""
    if not view.phases:
        return None
    return Drift(
        tuple(map(_event, view.events)),
        tuple(_phases(view)),
        tuple(f"{row['block']}: {forecast_words(row)}." for row in view.forecasts),
    )


def _event(row: dict[str, Any]) -> ShownEvent:
    """An event of one measure; sizes in per cent."""
    kind = KINDS.get(row["kind"], str(row["kind"]).replace("_", " "))
    found = {"online": "", "offline": ", by the whole history", "log": ", by the log"}[row["found"]]
    size, low, high = (None if row[name] is None else 100.0 * row[name] for name in ("size", "low", "high"))
    return ShownEvent(
        row["block"], row["measure"], row["cycle"], f"{kind}{found}", size, low, high, "%",
        row["near"].replace(",", ", ").replace("_", " "),
    )  # fmt: skip


def _phases(view: RunView) -> Iterator[ShownPhase]:
    for row in view.phases:
        if row["measure"] == PHASES_OF and row["phase"] != "since baseline":
            yield ShownPhase(row["block"], row["first"], row["last"], row["phase"])
