"""What a limit can be set on: the measures of all kinds of blocks, and those of a run as a whole."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache

from benchpipe.blocks.base import BlockKind
from benchpipe.blocks.measures import COUNTED, Measure
from benchpipe.blocks.registry import KINDS, kinds_of
from benchpipe.run import RunConfig

OF_RUN: tuple[Measure, ...] = (
    Measure("logs_out_of_calibration", "run", "", (), "times", 0, 0,
            "logs dated before a channel was calibrated, or after that was due again", statistics=COUNTED),
    Measure("plan_order_broken", "run", "", (), "times", 0, 0, "blocks out of turn, or after a pause not allowed",
            statistics=COUNTED),
    Measure("leak_exponent", "run", "holds", (), "1", 0, 0, "exponent of the leak's rate over levels of load"),
    Measure("days_to_calibration", "run", "", (), "s", 0, 0, "time until the first calibration is due", today=True),
)  # fmt: skip


def _gathered(kinds: Iterable[BlockKind]) -> dict[str, Measure]:
    return {measure.name: measure for kind in kinds for measure in kind.measures()} | {m.name: m for m in OF_RUN}


@cache
def our_measures() -> dict[str, Measure]:
    """Measures of our kinds and of the run, by name."""
    return _gathered(KINDS)


def measures_of(run: RunConfig) -> dict[str, Measure]:
    """Measures that a limit of a run can be set on: ours, and those of the plan's kinds."""
    return our_measures() | _gathered(kinds_of(block.kind for block in run.plan.block))
