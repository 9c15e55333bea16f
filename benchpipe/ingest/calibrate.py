"""Raw numbers → calibrated samples in the channels' inside units.

Sentinels become no value, each stretch of time gets the calibration that held then, and the
result is float32: 7 digits, a hundred times finer than any load cell (energy and stiffness
differ from float64 by at most 1.4e-7).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from functools import lru_cache

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from benchpipe.config.channel import CalibrationConfig
from benchpipe.config.rig import ChannelConfig, RigConfig
from benchpipe.errors import ConfigError
from benchpipe.ingest.rows import Rows
from benchpipe.kernels.compiled import compiled
from benchpipe.kernels.polynomials import polynomial
from benchpipe.readers.batch import RawBatch, is_number, missing_texts
from benchpipe.tables import schema
from benchpipe.units import INSIDE_UNIT, Unit, find_unit

Floats = NDArray[np.float64]
Curve = Callable[[Floats], Floats]


def samples_schema(rig: RigConfig) -> pa.Schema:
    """Schema of the samples of a rig: time, row, then a float32 column for each channel."""
    fixed = schema("samples")
    channels = [
        pa.field(c.name, pa.float32(), True, {"unit": INSIDE_UNIT[c.quantity], "meaning": f"column {c.column!r}"})
        for c in rig.channel
    ]
    return pa.schema([*fixed, *channels])


def to_rows(batch: RawBatch, native_us: NDArray[np.int64], rig: RigConfig) -> Rows:
    """Calibrate the rows of a batch; ``native_us`` is their time by the log's own clock."""
    values: dict[str, NDArray[np.float32]] = {}
    outside: dict[str, int] = {}
    for channel in rig.channel:
        raw = without_sentinels(batch.channels[channel.name], rig, channel)
        values[channel.name] = calibrated(raw, channel, native_us)
        if table_ends(channel):
            lost = int((np.isnan(values[channel.name]) & ~np.isnan(raw)).sum())
            outside |= {channel.name: lost} if lost else {}
    return Rows(batch.row, native_us, values, outside)


def table_ends(channel: ChannelConfig) -> list[tuple[float, float]]:
    """First and last raw number of each table between whose points a channel is interpolated: no value beyond."""
    return [(way.table[0][0], way.table[-1][0]) for way in channel.calibrations if way.table and way.degree is None]


def without_sentinels(raw: Floats, rig: RigConfig, channel: ChannelConfig) -> Floats:
    """NaN for numbers that stand for no value. Those of single precision are known in double too (1e38)."""
    for sentinel, single in _sentinels(missing_texts(rig, channel.name)):
        raw = np.where((raw == sentinel) | (raw == single), np.nan, raw)
    return raw


@lru_cache(maxsize=1024)
def _sentinels(texts: tuple[str, ...]) -> tuple[tuple[float, float], ...]:
    """The numbers among texts for no value, in double and in single precision."""
    with np.errstate(over="ignore"):
        return tuple((float(text), float(np.float32(text))) for text in texts if is_number(text))


def calibrated(raw: Floats, channel: ChannelConfig, time_us: NDArray[np.int64]) -> NDArray[np.float32]:
    """Values of a channel in its inside unit.

    Parameters
    ----------
    raw : float64 array, shape (n,)
    channel : ChannelConfig
    time_us : int64 array, shape (n,)
        By the rig's clock, where the calibrations have dates.
    """
    unit, ways = find_unit(channel.unit), channel.calibrations
    if len(ways) == 1:
        line = _line(ways[0], unit)
        return _single(_curve(ways[0], unit)(raw)) if line is None else _on_line(raw, *line)
    holds = np.searchsorted(np.array([_midnight_us(way) for way in ways[1:]]), time_us, "right")
    values = np.empty(raw.size, np.float32)
    for number in np.unique(holds).tolist():
        values[holds == number] = _single(_curve(ways[number], unit)(raw[holds == number]))
    return values


def _single(values: Floats) -> NDArray[np.float32]:
    """float32, NaN for what is too large for it."""
    with np.errstate(over="ignore"):
        single = values.astype(np.float32)
    if np.isinf(single).any():
        single[np.isinf(single)] = np.nan
    return single


@compiled
def _on_line(raw: Floats, factor: float, shift: float) -> NDArray[np.float32]:
    """What :func:`_single` makes of ``raw * factor + shift``, in one go."""
    values = np.empty(raw.size, np.float32)
    for k in range(raw.size):
        value = np.float32(raw[k] * factor + shift)
        values[k] = np.float32(np.nan) if abs(value) == np.float32(np.inf) else value
    return values


def _midnight_us(way: CalibrationConfig) -> int:
    """First moment of a calibration, by the rig's clock."""
    day = way.valid_from
    return 0 if day is None else int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()) * 1_000_000


def _curve(way: CalibrationConfig, unit: Unit) -> Curve:
    """Raw number → value in the inside unit."""
    if way.table and way.degree is None:
        at, values = np.array(way.table).T
        values = values * unit.factor + unit.offset
        return lambda raw: np.interp(raw, at, values, left=np.nan, right=np.nan)
    line = _line(way, unit)
    if line is not None:
        return lambda raw: raw * line[0] + line[1]
    at, scale, terms = (0.0, 1.0, np.array(way.polynomial)) if way.polynomial else _fitted(way)
    terms = terms * unit.factor
    terms[0] += unit.offset

    def curve(raw: Floats) -> Floats:
        z = (raw - at) / scale
        value = np.full(raw.shape, terms[-1])
        for term in terms[-2::-1]:
            value = value * z + term
        return value

    return curve


def _line(way: CalibrationConfig, unit: Unit) -> tuple[float, float] | None:
    """Factor and shift of a calibration that is a straight line through no table."""
    if way.polynomial or way.table:
        return None
    factor, shift = way.scale * unit.factor, way.offset * unit.factor + unit.offset
    return factor, -0.0 if (factor, shift) == (1.0, 0.0) else shift  # a number less zero is itself, minus zero too


def _fitted(way: CalibrationConfig) -> tuple[float, float, Floats]:
    """Polynomial through the points of a table: shift and scale of the raw number, and coefficients."""
    raw, value = np.array(way.table).T
    fit = polynomial(raw, value, way.degree or 1)
    if not fit.converged:
        raise ConfigError(
            f"no polynomial of degree {way.degree} fits the calibration's table",
            expected=f"points at more than {way.degree} different raw numbers",
            where=way.certificate,
        )
    return fit.x_shift, fit.x_scale, fit.scaled


def last_change_us(channels: Iterable[ChannelConfig], until_us: int | None) -> int | None:
    """The last time up to another at which a calibration began to hold: the settings are the same from then on."""
    if until_us is None:
        return None
    began = (_midnight_us(way) for channel in channels for way in channel.calibrations[1:])
    return max((us for us in began if us <= until_us), default=-(1 << 62))


def channel_settings(channel: ChannelConfig, until_us: int | None = None) -> dict[str, object]:
    """What of a channel decides its samples (a new certificate number does not).

    With ``until_us``, a calibration that holds only from later on is left out: it changes no sample up to there.
    """
    keys = {"valid_from", "scale", "offset", "polynomial", "table", "degree"}
    first, *later = channel.calibrations
    held = [first, *(way for way in later if until_us is None or _midnight_us(way) <= until_us)]
    ways = [way.model_dump(mode="json", include=keys) for way in held]
    own = channel.model_dump(mode="json", include={"name", "column", "unit", "missing", "stuck_after"})
    own |= {"map": channel.map} if channel.map else {}
    return {**own, "calibrations": ways}
