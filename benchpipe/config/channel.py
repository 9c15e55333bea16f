"""Channels of a rig: their columns in the log, and their calibrations over the years."""

from __future__ import annotations

import math
from datetime import date
from itertools import pairwise
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from benchpipe.config.model import AnyDifference, AnyQuantity, ConfigModel, Many, Pair, Quantity, Ratio, Seconds
from benchpipe.errors import ConfigError
from benchpipe.units import a_quantity, find_unit


def _known_unit(text: str) -> str:
    try:
        find_unit(text)
    except ConfigError as error:
        raise ValueError(f"{error.what}; {error.expected}") from None
    return text


def _not_zero(value: float) -> float:
    if value == 0.0:
        raise ValueError("it must not be 0: every value would be the same")
    return value


def _word_numbers(value: object) -> object:
    """A table of words as pairs: a model is hashed, and a table cannot be."""
    return tuple(value.items()) if isinstance(value, dict) else value


WordNumbers = Annotated[Many[tuple[str, float]], BeforeValidator(_word_numbers)]
ChannelScale = Annotated[float, AfterValidator(_not_zero)]
UnitText = Annotated[str, AfterValidator(_known_unit)]
ColumnId = str | int


class CalibrationConfig(ConfigModel):
    """One calibration of a channel: how a raw number becomes a value in the channel's unit.

    One of ``scale`` with ``offset`` (value = raw * scale + offset), ``polynomial``
    (coefficients of the raw number, lowest power first), or ``table`` (pairs of raw number
    and value, raw rising). Between the points of a table the value is interpolated, and
    outside them there is none; with ``degree`` a polynomial is fitted to the points.

    ``valid_from`` is the first day (midnight by the rig's clock) it holds; without it the
    calibration holds from the beginning. ``uncertainty`` and ``uncertainty_floor`` are
    expanded (k = 2): a part of the value, and a least value. Without either, no uncertainty is
    stated, and the channel does not count as exact.
    """

    valid_from: date | None = None
    certificate: str | None = None
    due: date | None = None
    scale: ChannelScale = 1.0
    offset: float = 0.0
    polynomial: Many[float] = ()
    table: Many[Pair[float]] = ()
    degree: int | None = Field(default=None, ge=1, le=6)
    uncertainty: Ratio | None = Field(default=None, ge=0)
    uncertainty_floor: AnyDifference | None = None

    @property
    def stated(self) -> bool:
        """Whether it states how uncertain it is."""
        return self.uncertainty is not None or self.uncertainty_floor is not None

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        ways = [bool(self.polynomial), bool(self.table), (self.scale, self.offset) != (1.0, 0.0)]
        if sum(ways) > 1:
            raise ValueError("give scale and offset, or polynomial, or table: one of them")
        if self.degree is not None and len(self.table) < self.degree + 2:
            raise ValueError(f"degree {self.degree} needs a table of at least {self.degree + 2} points")
        if self.table and self.degree is None:
            raw = [point[0] for point in self.table]
            if len(raw) < 2 or any(a >= b for a, b in pairwise(raw)):
                raise ValueError("table needs at least two points, with rising raw numbers")
        return self


# What a channel says itself where it has had one calibration only.
_OF_ONE = ("certificate", "due", "scale", "offset", "uncertainty", "uncertainty_floor")


class ChannelConfig(ConfigModel):
    """One measured channel: ``value = (raw * scale + offset)`` in ``unit``.

    A channel that was calibrated more than once, or not by a straight line, lists its
    calibrations as ``[[channel.calibration]]`` and leaves those keys to them; ``due`` is then
    the last one's, ``uncertainty`` and ``uncertainty_floor`` are the largest.

    ``unit_in_log`` is how the log's units row writes the unit, where that text is not one we know.
    ``missing`` holds what the log shows for "no value": texts (``"OVER"``, ``"."``), and numbers
    (``"-999"``, ``"1e38"``), which are compared as numbers. ``map`` gives the raw number of each word of a column of
    words (``{"free" = 0, "locked" = 1}``); a row with another word is not taken. After ``stuck_after`` equal raw
    numbers in a row the channel counts as dropped out, and further ones are no values. ``delay`` is how
    late the channel shows what happens (filter, digital link), ``delay_uncertainty`` how well that is known
    (expanded, k = 2). ``resolution`` is the step of its last digit: where the plan moves it by at least ten
    steps and a cycle shows no more than two, it stood still. Without it the step is learnt from the samples.
    ``drift_per_day`` is how far its reading may drift in a day while nothing moves, expanded (k = 2).
    ``zero_from`` names the idle block of the plan whose stretches give the channel's zero: each from
    its first sample on, to the next one. ``logger`` says in whose logs its column is, where the rig has two.
    """

    name: str = Field(pattern=r"^[a-z][a-z0-9_]*$")
    column: ColumnId
    unit: UnitText
    scale: ChannelScale = 1.0
    offset: float = 0.0
    unit_in_log: str | None = None
    range: Pair[AnyQuantity] | None = None
    resolution: AnyDifference | None = None
    certificate: str | None = None
    calibrated: date | None = None
    due: date | None = None
    uncertainty: Ratio | None = Field(default=None, ge=0)
    uncertainty_floor: AnyDifference | None = None
    calibration: Many[CalibrationConfig] = ()
    missing: Many[str] = ()
    map: WordNumbers = ()
    stuck_after: int | None = Field(default=None, ge=2)
    delay: Seconds = 0.0
    delay_uncertainty: Seconds = Field(default=0.0, ge=0)
    drift_per_day: AnyDifference | None = None
    zero_from: str | None = None
    logger: Literal["first", "second"] = "first"

    @property
    def quantity(self) -> str:
        """What it measures (a key of ``units.INSIDE_UNIT``)."""
        return find_unit(self.unit).quantity

    @property
    def stated(self) -> bool:
        """Whether every calibration states how uncertain it is."""
        return all(one.stated for one in self.calibrations)

    @property
    def calibrations(self) -> tuple[CalibrationConfig, ...]:
        """Every calibration, oldest first: at least one."""
        own: dict[str, Any] = {key: getattr(self, key) for key in _OF_ONE}
        return self.calibration or (CalibrationConfig.model_construct(**own),)

    @model_validator(mode="after")
    def _words_are_words(self) -> Self:
        for word, number in self.map:
            if not word.strip() or word != word.strip():
                raise ValueError(f"map: '{word}' is no word: cells are compared without blanks around them")
            if word in self.missing or not math.isfinite(number):
                raise ValueError(f"map: '{word}' must stand for a number, and not for no value too")
        return self

    @model_validator(mode="after")
    def _same_quantity(self) -> Self:
        floors = [c.uncertainty_floor for c in (self.calibration or (self,))]
        named = [("range", q) for q in self.range or ()] + [("uncertainty_floor", q) for q in floors if q is not None]
        named += [("resolution", self.resolution)] if self.resolution is not None else []
        named += [("drift_per_day", self.drift_per_day)] if self.drift_per_day is not None else []
        for key, value in named:
            if value.quantity != self.quantity:
                here, unit = a_quantity(value.quantity), a_quantity(self.quantity)
                raise ValueError(f"{key} is {here}, the channel's unit '{self.unit}' {unit}")
            if key in ("uncertainty_floor", "drift_per_day") and value.value < 0.0:
                raise ValueError(f"{key} must not be below zero")
            if key == "resolution" and value.value <= 0.0:
                raise ValueError("resolution is the step of the last digit: above zero")
        if self.range is not None and not self.range[0].value < self.range[1].value:
            raise ValueError("range: the first value must be below the second")
        if self.delay < 0:
            raise ValueError("delay is how late the channel is: zero or more")
        return self

    @model_validator(mode="after")
    def _from_calibrations(self) -> Self:
        if not self.calibration:
            return self
        both = [key for key in _OF_ONE if key in self.model_fields_set]
        if both:
            raise ValueError(f"'{both[0]}' is given beside [[channel.calibration]]: write it there")
        first, *later = [c.valid_from for c in self.calibration]
        days = ([] if first is None else [first]) + [d for d in later if d is not None]
        if None in later or any(a >= b for a, b in pairwise(days)):
            raise ValueError("each calibration after the first needs a valid_from later than the one before")
        floors = [c.uncertainty_floor for c in self.calibration if c.uncertainty_floor is not None]
        floor: Quantity | None = max(floors, key=lambda q: q.value, default=None)
        of_all = {
            "due": self.calibration[-1].due,
            "certificate": self.calibration[-1].certificate,
            "uncertainty": max((c.uncertainty for c in self.calibration if c.uncertainty is not None), default=None),
            "uncertainty_floor": floor,
        }
        return self.model_copy(update=of_all)
