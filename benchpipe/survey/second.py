"""Logs of a second logger beside those of the first: its channels at the first one's times, for a survey."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.config.rig import RigConfig, SecondConfig
from benchpipe.kernels.clock_offset import find_offset

REACH = 1.5  # steps of the slower logger: neighbours that are farther apart have nothing between them
LOOKED_AT_US = 600_000_000  # of the first log, for the offset
Columns = dict[str, NDArray[Any]]


@dataclass(frozen=True)
class SecondRows:
    """Rows of one log, by its own clock [µs]."""

    name: str
    time_us: NDArray[np.int64]
    columns: Columns


def join_second(rig: RigConfig, second: SecondConfig, logs: list[SecondRows]) -> list[SecondRows]:
    """Logs of the first logger with all channels; those of the second are interpolated, NaN where it has no rows.

    Logs with dates are joined by their times. Elapsed clocks begin again with each log: there the first log of one
    logger goes with the first of the other, and so on.
    """
    first, others = ([log for log in logs if rig.is_second(log.name) == one] for one in (False, True))
    if not others:
        return []
    pairs = zip(first, others, strict=False)
    if rig.time.dated:
        whole = _together(others)
        pairs = zip(first, [whole] * len(first), strict=True)
    held = {name for name in (rig.mode, rig.counter) if name is not None}
    reach_us = round(REACH * 1e6 / rig.time.sample_rate)
    return [_joined(log, other, _offset_us(second, log, other), held, reach_us) for log, other in pairs]


def _together(logs: list[SecondRows]) -> SecondRows:
    time_us = np.concatenate([log.time_us for log in logs])
    order = np.argsort(time_us, kind="stable")
    columns = {name: np.concatenate([log.columns[name] for log in logs])[order] for name in logs[0].columns}
    return SecondRows("", time_us[order], columns)


def _offset_us(second: SecondConfig, log: SecondRows, other: SecondRows) -> float:
    """Offset of the second clock: as stated, or found from what both show; NaN where it is not found."""
    stated = 1e6 * second.offset
    if second.same is None:
        return stated
    begin = slice(0, int(np.searchsorted(log.time_us, log.time_us[0] + LOOKED_AT_US)))
    one, same = log.columns[second.same[0]][begin], other.columns[second.same[1]]
    found, _, sure = find_offset(log.time_us[begin], one, other.time_us, same, stated, 1e6 * second.search)
    return found if sure else float("nan")


def _joined(log: SecondRows, other: SecondRows, offset_us: float, held: set[str], reach_us: int) -> SecondRows:
    at = log.time_us + offset_us
    rising = np.flatnonzero(np.diff(other.time_us, prepend=other.time_us[:1] - 1) > 0)
    time_us = other.time_us[rising]
    after = np.searchsorted(time_us, at)
    inside = (after > 0) & (after < time_us.size) & np.isfinite(at)
    before = np.where(inside, after - 1, 0)
    after = np.where(inside, after, 0)
    inside &= time_us[after] - time_us[before] <= reach_us
    columns = dict(log.columns)
    for name, values in other.columns.items():
        own = values[rising].astype(np.float64)
        shown = own[before] if name in held else np.interp(np.where(inside, at, time_us[0]), time_us, own)
        columns[name] = np.where(inside, shown, np.nan)
    return SecondRows(log.name, log.time_us, columns)
