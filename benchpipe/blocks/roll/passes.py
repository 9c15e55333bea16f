"""A stretch under load → its passes: where each begins and ends, and the samples of its window."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchpipe.blocks.roll.plan import RollBlock
from benchpipe.blocks.roll.reading import FORCE, OPPOSITE, TILT, RollSamples
from benchpipe.blocks.roll.stretches import RollStretch
from benchpipe.kernels.repeats import stuck_samples
from benchpipe.kernels.rocker_cuts import Traverse, traverses

SHARE = 0.5
"""A way through less than this part of the window by tilt is on its way to a pass, and none."""
REACHED = 0.05
"""Part of the window by tilt that a pass may miss at an end."""
RUNS = 20
"""Runs of one value that are looked at, of each channel: the longest."""
OFFSET_DEG = 30.0
"""Middle of the tilt of a pass beyond which the shank's zero is wrong (common practice, no source)."""
STEEPEST_DEG = 80.0
"""No foot rolls as far: another unit."""


@dataclass(frozen=True, eq=False)
class Pass:
    """One way of the foot over the plate.

    ``lost``: samples between the first and the last of the window that lack a channel; ``stuck``: those in which one
    repeats one value, none of which enters a figure. ``why``: no figure is made of it, and why.
    """

    samples: RollSamples
    forward: bool
    peak_n: float
    lost: int = 0
    stuck: int = 0
    why: str = ""


def passes_of(stretch: RollStretch, block: RollBlock) -> Iterator[Pass]:
    """Passes of a stretch, in order."""
    stuck = _stuck(stretch.samples)
    own = stretch.samples.without(stuck)
    usable = own.usable
    if not usable.any():
        peak = float(np.nanmax(stretch.samples.values[FORCE]))
        lost, still = int(np.sum(~stuck)), int(stuck.sum())
        yield Pass(stretch.samples, True, peak, lost, still, "a channel of the block has no value in it")
        return
    place = np.flatnonzero(usable)
    tilt = np.degrees(own.values[TILT][place])
    peak = float(np.nanmax(own.values[FORCE]))
    found = traverses(tilt)
    if block.window == "opposite-contact" and found:  # the way through stance is one, however it begins
        main = max(found, key=lambda t: abs(tilt[t.last] - tilt[t.first]))
        found = [Traverse(0, int(place.size) - 1, main.forward, False, False)]
    for one in found:
        first, last = int(place[one.first]), int(place[one.last])
        part = own.part(first, last + 1)
        span = float(np.ptp(tilt[one.first : one.last + 1]))
        if block.window == "tilt" and span < SHARE * (block.tilts[1] - block.tilts[0]):
            continue
        whole = (one.begins or stretch.begun) and (one.ends or stretch.ended)
        window = _window(part, block, peak, stretch)
        inside = slice(window[0], window[-1]) if window.size else slice(0, 0)
        still = int(stuck[first : last + 1][inside].sum())
        lost = int(np.sum(~part.usable[inside])) - still
        why = _refused(part, block, window, whole=whole)
        yield Pass(_chosen(part, window) if window.size else part, one.forward, peak, lost, still, why)


def _stuck(own: RollSamples) -> NDArray[np.bool_]:
    """Samples in which a channel repeats one value for longer than its noise leaves by chance."""
    found = np.zeros(len(own), bool)
    for values in own.raw:
        known = np.isfinite(values)
        found[known] |= stuck_samples(values[known], longest=RUNS)
    return found


def _chosen(part: RollSamples, window: NDArray[np.intp]) -> RollSamples:
    return RollSamples(part.time_us[window], part.values[:, window])


def _window(part: RollSamples, block: RollBlock, peak_n: float, stretch: RollStretch) -> NDArray[np.intp]:
    """Places of the samples in the window."""
    values = part.values
    keep = part.usable & (values[FORCE] >= block.force_from * peak_n)
    if block.window == "tilt":
        tilt, (low, high) = np.degrees(values[TILT]), block.tilts
        keep &= (tilt >= low) & (tilt <= high)
    elif block.window == "opposite-contact":
        if block.opposite_force is not None:
            alone = ~(values[OPPOSITE] >= block.contact_force)
            keep &= _first_run(alone)
        else:
            begin, end = block.stance_part
            time = (part.time_us - stretch.contact_us) / max(stretch.lift_us - stretch.contact_us, 1.0)
            keep &= (time >= begin) & (time <= end)
    return np.flatnonzero(keep)


def _first_run(alone: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """From the first sample on which the other foot is off the ground to its contact."""
    if not alone.any():
        return alone
    begin = int(np.argmax(alone))
    off = np.flatnonzero(~alone[begin:])
    found = np.zeros(alone.size, bool)
    found[begin : begin + int(off[0]) if off.size else alone.size] = True
    return found


def _refused(part: RollSamples, block: RollBlock, window: NDArray[np.intp], *, whole: bool) -> str:
    """Why no figure can be made of a pass; empty where one can."""
    if not window.size:
        return f"no sample in the window ({block.window_words})"
    tilt = np.degrees(part.values[TILT][window])
    low, high = float(tilt.min()), float(tilt.max())
    if block.window == "tilt":
        begin, end = block.tilts
        missed = REACHED * (end - begin)
        if low > begin + missed or high < end - missed:
            return f"cut off: the tilt covers {low:.3g} to {high:.3g} deg of {begin:g} to {end:g}"
    elif not whole:
        return "cut off: the log begins, ends or has a gap while the foot is loaded"
    if abs(0.5 * (low + high)) > OFFSET_DEG or max(-low, high) > STEEPEST_DEG:
        return (
            f"the tilt runs from {low:.3g} to {high:.3g} deg, far from upright: verify its zero, its sign and its unit"
        )
    return ""
