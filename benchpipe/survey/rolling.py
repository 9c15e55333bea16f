"""Passes of a roll in all stretches → evidence for a block."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np

from benchpipe.survey.roll_ways import RollWays
from benchpipe.survey.seen import RollSeen, Where
from benchpipe.survey.stretches import Stretch


def rolls_seen(stretches: Iterable[Stretch]) -> Iterator[RollSeen]:
    """Passes of all stretches, by mode and channels."""
    groups: dict[tuple[Any, ...], list[tuple[Stretch, RollWays]]] = {}
    for one in stretches:
        if one.rolling is not None:
            ways = one.rolling
            groups.setdefault((one.mode, ways.force, ways.tilt, tuple(ways.travel)), []).append((one, ways))
    for (mode, force, tilt, _), group in groups.items():
        own = [ways for _, ways in group]
        travel = {name: float(np.median([ways.travel[name] for ways in own])) for name in own[0].travel}
        yield RollSeen(
            Where((group[0][0].number, 0), mode), sum(ways.count for ways in own), force, tilt, travel, own[0].others,
            (max(ways.low for ways in own), min(ways.high for ways in own)), max(ways.peak for ways in own),
        )  # fmt: skip
