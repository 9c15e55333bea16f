"""Find passes of a roll in a stretch: under load a tilt goes from one angle to another, and a length follows it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.config.rig import RigConfig
from benchpipe.kernels.rocker_cuts import traverses

LOADED = 0.5  # of the largest force
UNLOADED = 0.1  # of it: a foot is taken off the plate between passes
SPRING = 0.8  # share of the force's variance that a line over the tilt explains: more is a spring, no roll
LEAST_SAMPLES = 20
LEAST_DEG = 1.5
WHOLE = 0.7  # of the usual way: a shorter one is cut off
STRAIGHT = 0.98  # share of a length's variance that a line over the tilt explains
FEWEST = 2
Columns = dict[str, NDArray[Any]]


@dataclass(frozen=True)
class RollWays:
    """Passes of a stretch: their channels, tilts [deg] and largest force [N].

    ``travel`` [mm] is that of each length which follows the tilt; ``others`` are lengths that do not.
    """

    force: str
    tilt: str
    travel: dict[str, float]
    others: tuple[str, ...]
    low: float
    high: float
    count: int
    peak: float


def roll_ways(rig: RigConfig, columns: Columns) -> RollWays | None:
    """Passes that a stretch of rows shows; None where it shows none."""
    of = {q: [c.name for c in rig.channel if c.quantity == q] for q in ("force", "angle", "length")}
    if not of["length"]:
        return None
    found = [
        ways for force in of["force"] for tilt in of["angle"]
        if (ways := _ways(force, tilt, of["length"], columns)) is not None
    ]  # fmt: skip
    return max(found, key=lambda ways: (len(ways.travel), ways.count), default=None)


def _ways(force: str, tilt: str, lengths: list[str], columns: Columns) -> RollWays | None:
    load, angle = columns[force], columns[tilt]
    top = float(np.nanmax(load, initial=0.0))
    loaded = np.flatnonzero((load >= LOADED * top) & np.isfinite(angle))
    if not (top > 0.0 and loaded.size and float(np.nanmin(load)) <= UNLOADED * top):
        return None
    parts = []
    for run in np.split(loaded, np.flatnonzero(np.diff(loaded) > 1) + 1):
        for one in traverses(angle[run].astype(np.float64)) if run.size >= LEAST_SAMPLES else []:
            part = run[one.first : one.last + 1]
            wide = part.size >= LEAST_SAMPLES and float(np.ptp(angle[part])) >= LEAST_DEG
            if wide and _line(angle[part], load[part])[1] < SPRING:
                parts.append(part)
    spans = [float(np.ptp(angle[part])) for part in parts]
    parts = [part for part, span in zip(parts, spans, strict=True) if span >= WHOLE * float(np.median(spans))]
    if len(parts) < FEWEST:
        return None
    travel = {}
    for name in lengths:
        moved = [_line(angle[part], columns[name][part]) for part in parts]
        if all(explained >= STRAIGHT for _, explained in moved) and len({by > 0 for by, _ in moved}) == 1:
            travel[name] = float(np.median([abs(by) for by, _ in moved]))
    if not travel:
        return None
    low, high = max(float(angle[p].min()) for p in parts), min(float(angle[p].max()) for p in parts)
    others = tuple(name for name in lengths if name not in travel)
    return RollWays(force, tilt, travel, others, low, high, len(parts), top) if low < high else None


def _line(angle: NDArray[Any], other: NDArray[Any]) -> tuple[float, float]:
    """How far another channel goes with an angle that grows, and the share of its variance that this line explains."""
    x, y = np.asarray(angle, np.float64), np.asarray(other, np.float64)
    x, y = x - x.mean(), y - y.mean()
    if not (np.isfinite(y).all() and float(y @ y) > 0.0):
        return 0.0, 0.0
    both = float(x @ y)
    return both / float(x @ x) * float(np.ptp(x)), both**2 / (float(x @ x) * float(y @ y))
