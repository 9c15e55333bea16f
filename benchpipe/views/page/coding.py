"""Coding of a trend: every cycle in 2 to 8 bits, each decoded within half a step.

A value is a whole number of steps above the smallest. The residual from the median of its block of :data:`BLOCK`
values is one byte: ``2 r`` for ``r >= 0`` and ``-2 r - 1`` below (zig-zag), :data:`NULL` for no value,
:data:`ESCAPE` for one that a byte cannot hold, which follows in a list of its own. The bytes are deflated with Huffman
codes alone: residuals are noise, in which no text repeats. A browser inflates them without a library.

The step is the robust scatter of one cycle about the next for a million cycles or more, and a part of it for fewer,
so that a value is off by half of that scatter at most. It is no smaller than the range over 65,536.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
BLOCK = 256
NULL, ESCAPE = 254, 255
MANY = 1_000_000  # cycles from which a step is a whole scatter
FINEST = 1.0 / 16.0
LEVELS = 65_536.0
MAD_TO_SD = 1.4826  # of a normal distribution


@dataclass(frozen=True, eq=False)
class CodedTrend:
    """A coded trend.

    Attributes
    ----------
    n : int
        Values.
    low, step : float
        Value of step 0, and size of a step.
    codes, escapes, medians : bytes
        Deflated without header: uint8 residuals, uint32 residuals beyond a byte, and int32 differences of the medians
        of the blocks, both little-endian.
    scatter : float
        Robust standard deviation of a single cycle about its neighbour; 0 where most are equal.
    worst_error : float
        Largest error of a decoded value.
    """

    n: int
    low: float
    step: float
    codes: bytes
    escapes: bytes
    medians: bytes
    scatter: float
    worst_error: float

    @property
    def part_of_scatter(self) -> float | None:
        """The largest error as a part of one cycle's scatter; None where that is 0."""
        return self.worst_error / self.scatter if self.scatter else None


def scatter_of(values: Floats) -> float:
    """Robust standard deviation of one value about the next: 1.4826 MAD(differences) / sqrt(2); 0 without any."""
    steps = np.diff(values[np.isfinite(values)])
    if not steps.size:
        return 0.0
    return float(MAD_TO_SD * np.median(np.abs(steps - np.median(steps))) / np.sqrt(2.0))


def code_trend(values: Floats) -> CodedTrend:
    """Code a trend.

    Parameters
    ----------
    values : float64 array, shape (n,)
        NaN for no value.
    """
    n, known = values.size, np.isfinite(values)
    low = float(values[known].min()) if known.any() else 0.0
    span = float(values[known].max()) - low if known.any() else 0.0
    scatter = scatter_of(values)
    step = max(scatter * float(np.clip(n / MANY, FINEST, 1.0)), span / LEVELS) or 1.0
    whole = np.rint((np.where(known, values, low) - low) / step).astype(np.int64)
    count = -(-n // BLOCK)
    padded = np.pad(whole, (0, count * BLOCK - n), mode="edge").reshape(count, BLOCK) if n else whole.reshape(0, BLOCK)
    medians = np.median(padded, axis=1).astype(np.int64)
    residual = (padded - medians[:, None]).ravel()[:n]
    zigzag = (residual << 1) ^ (residual >> 63)
    small = zigzag < NULL
    codes = np.where(small, zigzag, ESCAPE).astype(np.uint8)
    codes[~known] = NULL
    error = np.abs(low + step * whole - values)[known]
    return CodedTrend(
        n, low, step, _deflated(codes.tobytes()), _deflated(zigzag[~small & known].astype("<u4").tobytes()),
        _deflated(np.diff(medians, prepend=0).astype("<i4").tobytes()), scatter,
        float(error.max()) if error.size else 0.0,
    )  # fmt: skip


def decode_trend(coded: CodedTrend) -> Floats:
    """The values of a coded trend, as the page's script decodes them; shape (n,)."""
    codes = np.frombuffer(zlib.decompress(coded.codes, -15), np.uint8)
    escapes = np.frombuffer(zlib.decompress(coded.escapes, -15), "<u4").astype(np.int64)
    medians = np.cumsum(np.frombuffer(zlib.decompress(coded.medians, -15), "<i4").astype(np.int64))
    zigzag = codes.astype(np.int64)
    zigzag[codes == ESCAPE] = escapes
    whole = np.repeat(medians, BLOCK)[: coded.n] + ((zigzag >> 1) ^ -(zigzag & 1))
    return np.where(codes == NULL, np.nan, coded.low + coded.step * whole)


def _deflated(data: bytes) -> bytes:
    packer = zlib.compressobj(9, zlib.DEFLATED, -15, 9, zlib.Z_HUFFMAN_ONLY)
    return packer.compress(data) + packer.flush()
