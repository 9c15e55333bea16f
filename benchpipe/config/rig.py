"""Rig files: how its logs are written, what its channels measure, and its geometry."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from benchpipe.config.model import (
    AnyQuantity,
    ConfigModel,
    Hertz,
    Many,
    Millimetres,
    Pair,
    Quantity,
    Ratio,
)
from benchpipe.errors import ConfigError
from benchpipe.units import find_unit


def _known_unit(text: str) -> str:
    try:
        find_unit(text)
    except ConfigError as error:
        raise ValueError(f"{error.what}; {error.expected}") from None
    return text


UnitText = Annotated[str, AfterValidator(_known_unit)]
Column = str | int


class LogConfig(ConfigModel):
    """How a log file is written."""

    format: str = "text"
    encoding: Literal["utf-8", "utf-16", "latin-1", "cp1252", "gbk"] = "utf-8"
    separator: Literal[",", ";", "\t", "|", "space"] = ","
    decimal: Literal[".", ","] = "."
    thousands: Literal["", ".", ",", " ", "'"] = ""
    quoted: bool = False
    header: bool = True
    units_row: bool = False
    missing: Many[str] = ()
    variables: Many[str] = ()

    @model_validator(mode="after")
    def _marks_differ(self) -> Self:
        marks = [m for m in (self.separator, self.decimal, self.thousands) if m]
        if len(set(marks)) != len(marks):
            raise ValueError(
                f"separator '{self.separator}', decimal '{self.decimal}' and thousands '{self.thousands}' must differ"
            )
        return self


class TimeConfig(ConfigModel):
    """The time column and what it counts."""

    kind: Literal["elapsed", "datetime", "sample"] = "elapsed"
    column: Column | None = None
    unit: UnitText = "s"
    format: str | None = None
    sample_rate: Hertz = Field(gt=0)
    gap_samples: float = Field(default=5.0, gt=1)

    @model_validator(mode="after")
    def _complete(self) -> Self:
        if self.kind != "sample" and self.column is None:
            raise ValueError(f"kind '{self.kind}' needs 'column'")
        if self.kind == "datetime" and self.format is None:
            raise ValueError("kind 'datetime' needs 'format', such as '%Y-%m-%d %H:%M:%S.%f' (day or month first is never guessed)")
        if find_unit(self.unit).quantity != "time":
            raise ValueError(f"unit '{self.unit}' is not a time")
        return self

    @property
    def gap_s(self) -> float:
        """Longest step between samples that is not a gap [s]."""
        return self.gap_samples / self.sample_rate


class ChannelConfig(ConfigModel):
    """One measured channel: ``value = (raw * scale + offset)`` in ``unit``."""

    name: str = Field(pattern=r"^[a-z][a-z0-9_]*$")
    column: Column
    unit: UnitText
    scale: float = 1.0
    offset: float = 0.0
    range: Pair[AnyQuantity] | None = None
    certificate: str | None = None
    calibrated: date | None = None
    due: date | None = None
    uncertainty: Ratio = Field(default=0.0, ge=0)
    uncertainty_floor: AnyQuantity | None = None

    @property
    def quantity(self) -> str:
        """What it measures (a key of ``units.INSIDE_UNIT``)."""
        return find_unit(self.unit).quantity

    @model_validator(mode="after")
    def _same_quantity(self) -> Self:
        named = [("range", q) for q in self.range or ()] + [("uncertainty_floor", self.uncertainty_floor)]
        for key, value in named:
            if value is not None and value.quantity != self.quantity:
                raise ValueError(f"{key} is a {value.quantity}, the channel's unit '{self.unit}' a {self.quantity}")
        if self.range is not None and not self.range[0].value < self.range[1].value:
            raise ValueError("range: the first value must be below the second")
        return self


class AxisConfig(ConfigModel):
    """How the run's load or motion comes from a channel.

    ``lever_arm`` turns force into torque and displacement into angle (arc);
    ``sine_bar`` turns displacement into angle by asin(x / length).
    """

    channel: str
    sign: Literal[1, -1] = 1
    lever_arm: Millimetres | None = Field(default=None, gt=0)
    sine_bar: Millimetres | None = Field(default=None, gt=0)
    machine_stiffness: AnyQuantity | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if self.lever_arm is not None and self.sine_bar is not None:
            raise ValueError("give lever_arm or sine_bar, not both")
        return self


class RigConfig(ConfigModel):
    """A rig file: the whole of it."""

    name: str
    log: LogConfig = LogConfig()
    time: TimeConfig
    channel: Many[ChannelConfig] = Field(min_length=1)
    load: AxisConfig
    motion: AxisConfig
    temperature: str | None = None
    counter: str | None = None
    mode: str | None = None

    def find(self, name: str) -> ChannelConfig:
        """Return the channel of that name (checked at load: it exists)."""
        return next(c for c in self.channel if c.name == name)

    @property
    def load_quantity(self) -> str:
        """``"force"`` or ``"torque"``."""
        quantity = self.find(self.load.channel).quantity
        return "torque" if self.load.lever_arm is not None else quantity

    @property
    def motion_quantity(self) -> str:
        """``"length"`` or ``"angle"``."""
        bent = self.motion.lever_arm is not None or self.motion.sine_bar is not None
        return "angle" if bent else self.find(self.motion.channel).quantity

    @model_validator(mode="after")
    def _channels_exist(self) -> Self:
        names = [c.name for c in self.channel]
        if len(set(names)) != len(names):
            raise ValueError(f"channel names must differ: {', '.join(names)}")
        taken = {"time_us", "file", "row"} & set(names)
        if taken:
            raise ValueError(f"channel name '{taken.pop()}' is used by the samples table itself")
        used = [("load", self.load.channel), ("motion", self.motion.channel)]
        used += [("temperature", self.temperature), ("counter", self.counter), ("mode", self.mode)]
        for key, name in used:
            if name is not None and name not in names:
                raise ValueError(f"{key} names the channel '{name}', which no [[channel]] has; known: {', '.join(names)}")
        self._quantities_fit()
        return self

    def _quantities_fit(self) -> None:
        for key, axis, plain, bent in (
            ("load", self.load, ("force", "torque"), "force"),
            ("motion", self.motion, ("length", "angle"), "length"),
        ):
            quantity = self.find(axis.channel).quantity
            geared = axis.lever_arm is not None or axis.sine_bar is not None
            if geared and quantity != bent:
                raise ValueError(f"{key}: lever_arm and sine_bar need a {bent} channel, '{axis.channel}' is a {quantity}")
            if quantity not in plain:
                raise ValueError(f"{key}: '{axis.channel}' is a {quantity}, not a {' or '.join(plain)}")
        if self.load.machine_stiffness is not None:
            raise ValueError("machine_stiffness belongs to [motion]")
        stiffness: Quantity | None = self.motion.machine_stiffness
        wanted = {"torque": "stiffness (angular)", "force": "stiffness (linear)"}[self.load_quantity]
        if stiffness is not None and stiffness.quantity != wanted:
            raise ValueError(f"motion.machine_stiffness is a {stiffness.quantity}, the load is a {self.load_quantity}")
        if (self.load_quantity == "torque") != (self.motion_quantity == "angle"):
            raise ValueError(
                f"load is a {self.load_quantity} and motion is a {self.motion_quantity}: "
                "use torque with angle or force with length (geometry can turn one into the other)"
            )
