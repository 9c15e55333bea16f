"""Cycles in a part of which a channel repeats one value: a stuck sensor, or a clipped signal.

A cycle's longest run of equal samples is compared with what is usual in its block, and with what the noise of the
channel leaves by chance. Coarse digits, dwells, slow cycles and logs written on change have long runs in each cycle:
they make the usual long. Where that itself is longer than chance, a value that most cycles have as one and the same
extreme is where the signal is clipped, as long as its other extreme is not one value too (then the noise that was
learnt is none, or not everywhere).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from benchpipe.blocks.cyclic.bins import lengths, median, with_values
from benchpipe.blocks.cyclic.running import Bins, CycleSums, Longest, RepeatSums
from benchpipe.blocks.cyclic.state import Digits, UsualRepeats
from benchpipe.blocks.cyclic.tables import CycleFlag
from benchpipe.blocks.state import SampleNoise
from benchpipe.columns import floats
from benchpipe.config.rig import RigConfig
from benchpipe.kernels.repeats import chance_repeats, unusual_repeats
from benchpipe.samples.signals import gearing

REPEAT_COLUMNS = [
    "complete", "flags", "samples", "load_repeats", "motion_repeats", "peak_load", "valley_load", "motion_max",
    "motion_min",
]  # fmt: skip
SHARED = 0.5  # of the cycles with a long run have the same extreme: it is clipped there
LEAST_SHARED = 5  # cycles
LEAST_SWING = 0.01  # of the usual one: what swings less is not compared by its swing
REST = 0.1  # of the usual range: a load that comes so near zero may rest there
_ENDS = {"load": ("valley_load", "peak_load"), "motion": ("motion_min", "motion_max")}
Floats = NDArray[np.float64]
ReadRows = Callable[[list[str]], pa.Table]


def _held(usual: UsualRepeats, repeats: Floats, samples: Floats, low: Floats, high: Floats) -> NDArray[np.bool_]:
    """Which cycles hold one value for longer than is explained.

    Parameters
    ----------
    repeats, samples, low, high : float64 arrays, shape (k,)
        Most repeats in a row, number of samples, smallest and largest value of each cycle.
    """
    part = np.clip((high - low) / usual.range, LEAST_SWING, 1.0) if usual.range > 0.0 else np.ones(repeats.size)
    longer = np.maximum(samples / max(usual.samples, 1.0), 1.0) / np.sqrt(part)
    most = _bound(usual.usual) * longer
    if _explained(usual):
        most = np.minimum(most, _bound(usual.chance))
    at_end = np.zeros(repeats.size, bool)
    for level, extreme in zip(usual.clipped, (low, high), strict=True):
        at_end |= extreme == level if level is not None else False
    return np.asarray((repeats > most) | (at_end & (repeats > _bound(usual.chance))))


def _explained(usual: UsualRepeats) -> bool:
    """Whether noise explains the usual: then it has to explain each."""
    return usual.middle <= _bound(usual.chance) < math.inf


def _bound(value: float | None) -> float:
    return math.inf if value is None else value


def repeats_then(sums: CycleSums, rows: pa.Table) -> tuple[Bins, dict[str, RepeatSums]]:
    """Numbers of samples, and sums of repeats by signal, that go on with the next rows.

    Parameters
    ----------
    sums : CycleSums
        Of all rows before.
    rows : pyarrow Table
        Columns :data:`REPEAT_COLUMNS`.
    """
    known = _measured(rows)
    if not known.any():
        return sums.samples, sums.repeats
    found = {}
    for name in _ENDS:
        repeats, low, high = _runs(rows, name, known)
        old = sums.repeats.get(name, RepeatSums())
        largest = max(old.largest, float(np.abs(high[np.isfinite(high)]).max(initial=0.0)))
        found[name] = RepeatSums(with_values(old.repeats, repeats), with_values(old.range, high - low), largest)
    return with_values(sums.samples, floats(rows.column("samples"))[known]), found


def _measured(rows: pa.Table) -> NDArray[np.bool_]:
    """Which rows are complete cycles that are measured: others say nothing of what is usual."""
    odd = np.array(rows.column("flags"), np.int64) & int(CycleFlag.STOOD_STILL | CycleFlag.PEAKS_ONLY)
    return np.asarray(np.array(rows.column("complete"), bool) & (odd == 0))


def _runs(rows: pa.Table, name: str, known: NDArray[np.bool_]) -> tuple[Floats, Floats, Floats]:
    """Most repeats in a row, and smallest and largest value of a signal, of some rows."""
    repeats, low, high = (floats(rows.column(c))[known] for c in (f"{name}_repeats", *_ENDS[name]))
    return np.nan_to_num(repeats), low, high


def usual_repeats(
    sums: CycleSums, rig: RigConfig, noise: SampleNoise, digits: Digits | None, read: ReadRows
) -> dict[str, UsualRepeats]:
    """What is usual in a block, by signal.

    Parameters
    ----------
    sums : CycleSums
        Of all its cycles.
    noise : SampleNoise
    digits : Digits or None
        Steps of the channels' last digits; None where they were not looked for.
    read : callable
        Columns → a table of all its cycles: asked only where noise does not explain the usual.
    """
    found: dict[str, UsualRepeats] = {}
    count = median(sums.samples)
    for name, one in sums.repeats.items():
        middle = median(one.repeats)
        chance = _chance(name, rig, noise, digits, one.largest, count)
        clipped: tuple[float | None, float | None] = (None, None)
        if middle > chance:
            rows = read(["complete", "flags", f"{name}_repeats", *_ENDS[name]])
            repeats, low, high = _runs(rows, name, _measured(rows))
            long = repeats > chance
            shared = _shared(low[long]), _shared(high[long])
            clipped = (None, None) if None not in shared else shared
        usual = _finite(unusual_repeats(*lengths(one.repeats)))
        found[name] = UsualRepeats(middle, usual, _finite(chance), count, median(one.range), clipped)
    return found


def _chance(
    name: str, rig: RigConfig, noise: SampleNoise, digits: Digits | None, largest: float, samples: float
) -> float:
    """Most repeats that a signal's noise leaves by chance."""
    axis, own = getattr(rig, name), getattr(noise, name)
    if own is None or digits is None or axis.machine_stiffness is not None:  # the load's noise is in that motion
        return math.inf
    step = getattr(digits, name) * gearing(axis, is_load=name == "load")
    return chance_repeats(own, max(step, float(np.spacing(np.float32(largest)))), samples)


def _shared(values: Floats) -> float | None:
    """The value that most of some have exactly."""
    found, count = np.unique(values, return_counts=True)
    most = int(count.argmax()) if count.size else 0
    enough = count.size and count[most] >= max(LEAST_SHARED, SHARED * values.size)
    return float(found[most]) if enough else None


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def held_cycles(rows: pa.Table, usual: Mapping[str, UsualRepeats]) -> NDArray[np.bool_]:
    """Which cycles hold one value of load or motion for longer than is explained.

    Of an incomplete cycle only noise tells, and only where the load stays away from zero: a rig may rest.

    Parameters
    ----------
    rows : pyarrow Table
        Columns :data:`REPEAT_COLUMNS`, n rows.
    usual : mapping of UsualRepeats
        As :func:`usual_repeats` gives it; empty: not known.

    Returns
    -------
    bool array, shape (n,)
    """
    found = np.zeros(rows.num_rows, bool)
    complete = np.array(rows.column("complete"), bool)
    bottom, top = (floats(rows.column(name)) for name in _ENDS["load"])
    for name, one in usual.items():
        names = (f"{name}_repeats", "samples", *_ENDS[name])
        repeats, samples, low, high = (floats(rows.column(column)) for column in names)
        repeats = np.nan_to_num(repeats)
        held = _held(one, repeats, samples, low, high)
        if not complete.all():
            loaded = (bottom > REST * _load_range(usual)) | (top < -REST * _load_range(usual))
            by_noise = loaded & _explained(one) & (repeats > _bound(one.chance))
            held = np.where(complete, held, by_noise)
        found |= held
    return found


def longest_runs(rows: pa.Table) -> Longest:
    """Most repeats in a part of a block's cycles, its columns :data:`REPEAT_COLUMNS`."""
    complete = np.array(rows.column("complete"), bool)
    runs = [np.nan_to_num(floats(rows.column(f"{name}_repeats"))) for name in ("load", "motion")]
    load, motion, open_load, open_motion = (
        int(one[which].max(initial=0.0)) for which in (complete, ~complete) for one in runs
    )
    bottom, top = (floats(rows.column(name))[~complete] for name in _ENDS["load"])
    away = np.maximum(bottom, -top)
    away = away[np.isfinite(away)]
    return Longest(load, motion, open_load, open_motion, float(away.max()) if away.size else None)


def may_hold(longest: Longest, usual: Mapping[str, UsualRepeats]) -> bool:
    """Whether :func:`held_cycles` could find a cycle in a part: without one above the least bound there is none."""
    for name, one in usual.items():
        noise = _explained(one)
        least = min(_bound(one.usual), _bound(one.chance) if noise or one.clipped != (None, None) else math.inf)
        if getattr(longest, name) > least:
            return True
        loaded = longest.away is not None and longest.away > REST * _load_range(usual)
        if noise and loaded and getattr(longest, f"open_{name}") > _bound(one.chance):
            return True
    return False


def _load_range(usual: Mapping[str, UsualRepeats]) -> float:
    return usual["load"].range if "load" in usual else math.inf
