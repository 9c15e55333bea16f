"""The log's time column as whole microseconds."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.config.rig import TimeConfig
from benchpipe.kernels.compiled import compiled
from benchpipe.units import find_unit

FARTHEST_US = 1 << 61  # no clock goes on for 70,000 years


def native_time(raw: NDArray[Any], config: TimeConfig) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """The log's times [µs], and which of them are times at all.

    Parameters
    ----------
    raw : array, shape (n,)
        As in :class:`~benchpipe.readers.batch.RawBatch`.
    """
    if config.kind == "datetime":
        native = raw.astype(np.int64)
        return native, np.abs(native) < FARTHEST_US
    counted = config.kind == "sample" or config.unit == "samples"
    factor = 1e6 / config.sample_rate if counted else 1e6 * find_unit(config.unit).factor
    native, good = _scaled(raw, factor)
    if config.origin_us:
        native[good] += config.origin_us
    return native, good


@compiled
def _scaled(raw: NDArray[Any], factor: float) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Numbers times a factor, to the nearest whole one; 0 for what is too far."""
    native, good = np.empty(raw.size, np.int64), np.empty(raw.size, np.bool_)
    for k in range(raw.size):
        value = raw[k] * factor
        good[k] = abs(value) < FARTHEST_US
        native[k] = np.int64(np.rint(value)) if good[k] else 0
    return native, good
