"""Rig files: how its logs are written, what its channels measure, and its geometry."""

from __future__ import annotations

from itertools import pairwise
from typing import Literal, Self

from pydantic import Field, model_validator

from benchpipe.config.channel import ChannelConfig
from benchpipe.config.log import LogConfig, SecondConfig, TimeConfig, name_matches
from benchpipe.config.model import AnyQuantity, AtKeyError, ConfigModel, Many, Millimetres, Pair, Quantity, Ratio
from benchpipe.units import a_quantity

__all__ = ["AxisConfig", "ChannelConfig", "LogConfig", "RigConfig", "SecondConfig", "TimeConfig"]


class AxisConfig(ConfigModel):
    """How the run's load or motion comes from a channel.

    ``lever_arm`` turns force into torque and displacement into angle (arc);
    ``sine_bar`` turns displacement into angle by asin(x / length); ``table`` turns either
    by pairs of channel value and axis value, interpolated, and without a value outside them.
    ``valley`` is the channel of the valleys where each row of the log is a cycle.
    ``geometry_uncertainty`` is that of the lever arm, sine bar or table, ``machine_uncertainty`` that of
    ``machine_stiffness``: expanded (k = 2), as a part of it.
    """

    channel: str
    valley: str | None = None
    sign: Literal[1, -1] = 1
    lever_arm: Millimetres | None = Field(default=None, gt=0)
    sine_bar: Millimetres | None = Field(default=None, gt=0)
    table: Many[Pair[AnyQuantity]] = ()
    machine_stiffness: AnyQuantity | None = None
    geometry_uncertainty: Ratio = Field(default=0.0, ge=0)
    machine_uncertainty: Ratio = Field(default=0.0, ge=0)

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if sum([self.lever_arm is not None, self.sine_bar is not None, bool(self.table)]) > 1:
            raise ValueError("give lever_arm, sine_bar or table: one of them")
        at = [pair[0].value for pair in self.table]
        if self.table and (len(at) < 2 or any(a >= b for a, b in pairwise(at))):
            raise ValueError("table needs at least two pairs, with rising channel values")
        if len({(a.quantity, b.quantity) for a, b in self.table}) > 1:
            raise ValueError("table: all pairs must be of the same two quantities")
        return self

    @property
    def direct(self) -> bool:
        """Whether the axis is the channel itself, but for its sign."""
        geared = self.lever_arm is not None or self.sine_bar is not None or bool(self.table)
        return not geared and self.machine_stiffness is None

    def quantity_of(self, channel: str, bent: str) -> str:
        """Quantity of the axis; ``bent`` is what lever arm and sine bar turn the channel's into."""
        if self.table:
            return self.table[0][1].quantity
        return channel if self.lever_arm is None and self.sine_bar is None else bent


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
    second: SecondConfig | None = None

    @property
    def loggers(self) -> tuple[bool, ...]:
        """Whether it is the second, for each logger there is."""
        return (False,) if self.second is None else (False, True)

    def is_second(self, file: str) -> bool:
        """Whether a log, by its name relative to the plan, is the second logger's."""
        return self.second is not None and name_matches(file, self.second.files)

    def of_file(self, file: str) -> RigConfig:
        """The rig file as one log needs it."""
        return self.of_log(second=self.is_second(file))

    def of_log(self, *, second: bool) -> RigConfig:
        """The rig file as the logs of one logger need it: their dialect, clock and channels."""
        if self.second is None:
            return self
        logger = self.second if second else self
        own = tuple(c for c in self.channel if (c.logger == "second") == second)
        return self.model_copy(update={"log": logger.log, "time": logger.time, "channel": own, "second": None})

    def find(self, name: str) -> ChannelConfig:
        """Return the channel of that name (checked at load: it exists)."""
        return next(c for c in self.channel if c.name == name)

    @property
    def load_quantity(self) -> str:
        """``"force"`` or ``"torque"``."""
        return self.load.quantity_of(self.find(self.load.channel).quantity, "torque")

    @property
    def motion_quantity(self) -> str:
        """``"length"`` or ``"angle"``."""
        return self.motion.quantity_of(self.find(self.motion.channel).quantity, "angle")

    @model_validator(mode="after")
    def _channels_exist(self) -> Self:
        names = [c.name for c in self.channel]
        if len(set(names)) != len(names):
            raise ValueError(f"channel names must differ: {', '.join(names)}")
        taken = {"time_us", "file", "row"} & set(names)
        if taken:
            raise ValueError(f"channel name '{taken.pop()}' is used by the samples table itself")
        used = {
            "load": self.load.channel, "motion": self.motion.channel,
            "temperature": self.temperature, "counter": self.counter, "mode": self.mode,
            "load.valley": self.load.valley, "motion.valley": self.motion.valley,
        }  # fmt: skip
        known = ", ".join(names)
        for key, name in used.items():
            if name is not None and name not in names:
                raise ValueError(f"{key} names the channel '{name}', which no [[channel]] has; known: {known}")
        self._quantities_fit()
        self._columns_fit()
        self._second_fits()
        for second in self.loggers:
            self.of_log(second=second)._time_fits()
        return self

    def _columns_fit(self) -> None:
        """In a text log without a header a column is its number."""
        for second in self.loggers:
            one, above = self.of_log(second=second), ("second",) if second else ()
            if one.log.header or one.log.format != "text":
                continue
            columns: dict[tuple[str | int, ...], str | int | None] = {
                (*above, "time", "column"): one.time.column, (*above, "time", "date_column"): one.time.date_column,
                **{("channel", self.channel.index(c), "column"): c.column for c in one.channel},
            }  # fmt: skip
            for keys, column in columns.items():
                if isinstance(column, str) or (column is not None and column < 1):
                    number = str(column) if str(column).isdigit() and str(column) != "0" else "1"
                    text = "the log has no header (header = false), so it is a number from 1, without quotes"
                    raise AtKeyError(f"{text}, such as {number}", *keys)

    def _second_fits(self) -> None:
        """What the second logger and the first one say of one another."""
        loggers = {c.name: c.logger for c in self.channel}
        second = self.second
        if second is None:
            if "second" in loggers.values():
                raise ValueError('a channel has logger = "second", and there is no [second]')
            return
        if set(loggers.values()) != {"first", "second"}:
            raise ValueError('[second]: each logger needs a channel; those of the second have logger = "second"')
        times = (self.time, second.time)
        clocks = {(time.shown_as_dates, time.dated) for time in times}
        if len(clocks) > 1 or any(time.kind == "sample" for time in times):
            raise ValueError("[second]: logs are joined by time: both need dates with times, or both elapsed times")
        if second.time.sample_rate < self.time.sample_rate:
            raise ValueError(
                "[second] must not be the slower logger: rows are joined at the times of the slower one, so that no "
                "value is made up between two of its samples; describe that one in [log] and [time]"
            )
        if second.same is not None:
            for name, logger in zip(second.same, ("first", "second"), strict=True):
                if loggers.get(name) != logger:
                    raise ValueError(f"second.same: '{name}' is no channel of the {logger} logger")
            if len({self.find(name).quantity for name in second.same}) > 1:
                raise ValueError("second.same: the two channels must measure the same quantity")

    def _time_fits(self) -> None:
        """What only log, time and channels together can say."""
        whole = self.time.format or ""
        cells = whole.split(" ", 1) if self.time.date_column is not None else [whole]
        if self.log.format == "text" and any(self.log.separator_text in cell for cell in cells):
            raise ValueError(
                f"time.format '{self.time.format}' holds the separator: where date and time stand in two columns, "
                "give date_column too"
            )
        aged = [c.name for c in self.channel if any(one.valid_from is not None for one in c.calibration)]
        if aged and not self.time.dated:
            raise ValueError(f"channel '{aged[0]}' has calibrations by date, and the log's time has no dates")

    def _quantities_fit(self) -> None:
        for key, axis, plain, bent in (
            ("load", self.load, ("force", "torque"), "force"),
            ("motion", self.motion, ("length", "angle"), "length"),
        ):
            quantity = self.find(axis.channel).quantity
            if axis.valley is not None and (other := self.find(axis.valley).quantity) != quantity:
                of = f"'{axis.channel}' is {a_quantity(quantity)}, its valley '{axis.valley}' {a_quantity(other)}"
                raise ValueError(f"{key}: {of}")
            geared = axis.lever_arm is not None or axis.sine_bar is not None
            if geared and quantity != bent:
                raise ValueError(
                    f"{key}: lever_arm and sine_bar need a {bent} channel, '{axis.channel}' is {a_quantity(quantity)}"
                )
            if axis.table and axis.table[0][0].quantity != quantity:
                of = a_quantity(axis.table[0][0].quantity)
                raise ValueError(f"{key}: table is for {of}, '{axis.channel}' is {a_quantity(quantity)}")
            result = axis.quantity_of(quantity, plain[1])
            if result not in plain:
                raise ValueError(f"{key}: it is {a_quantity(result)}, not a {' or '.join(plain)}")
        if self.temperature is not None and (found := self.find(self.temperature).quantity) != "temperature":
            raise ValueError(f"temperature: '{self.temperature}' is {a_quantity(found)}")
        if self.load.machine_stiffness is not None:
            raise ValueError("machine_stiffness belongs to [motion]")
        if self.load.sine_bar is not None:
            raise ValueError("sine_bar belongs to [motion]")
        stiffness: Quantity | None = self.motion.machine_stiffness
        wanted = {"torque": "stiffness (angular)", "force": "stiffness (linear)"}[self.load_quantity]
        if stiffness is not None and stiffness.quantity != wanted:
            raise ValueError(f"motion.machine_stiffness is a {stiffness.quantity}, the load is a {self.load_quantity}")
        if stiffness is not None and stiffness.value <= 0.0:
            raise ValueError("motion.machine_stiffness must be above zero")
        if (self.load_quantity == "torque") != (self.motion_quantity == "angle"):
            raise ValueError(
                f"load is a {self.load_quantity} and motion is {a_quantity(self.motion_quantity)}: "
                "use torque with angle or force with length (geometry can turn one into the other)"
            )
