"""The rig: sampling, channels with their faults of measurement, room, counter, clock, stops."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import BeforeValidator, Field, model_validator

from benchpipe.config.model import ConfigModel, Many

Floats = NDArray[np.float64]
ChannelSource = Literal["time", "load", "motion", "temperature", "counter", "mode", "tilt", "ankle_x", "ankle_y"]
_DateTime = Annotated[datetime, BeforeValidator(lambda v: datetime.fromisoformat(v) if isinstance(v, str) else v)]


class SimulatedChannelConfig(ConfigModel):
    """One log column: ``true value x scale + offset``, then what the measuring chain adds.

    Noise, drift, wander, quantum and full scale are in the column's own unit.
    """

    source: ChannelSource
    name: str
    unit: str = ""
    scale: float = 1.0
    offset: float = 0.0
    decimals: int = Field(default=3, ge=0, le=9)
    noise: float = Field(default=0.0, ge=0)  # standard deviation, white
    drift_per_h: float = 0.0
    wander: float = Field(default=0.0, ge=0)  # standard deviation of a slow wander
    wander_s: float = Field(default=60.0, gt=0)  # between its knots
    quantum: float = Field(default=0.0, ge=0)  # 0: the last decimal
    full_scale: float | None = Field(default=None, gt=0)  # readings saturate at +-
    skew_s: float = 0.0  # the value is that of this much earlier
    row: Literal["last", "largest", "smallest"] = "last"  # value of a cycle, in a log with a row a cycle

    @model_validator(mode="after")
    def _can_skew(self) -> Self:
        if self.skew_s and self.source not in ("load", "motion"):
            raise ValueError("only a load or motion channel can have skew_s")
        return self


class RoomConfig(ConfigModel):
    """Temperature round the specimen: a daily swing, and a step or some warm days if they are wanted."""

    mean_c: float = 22.0
    swing_k: float = Field(default=0.0, ge=0)  # half the daily range
    warmest_at_s: float = 15 * 3600.0  # of the clock's day
    step_k: float = 0.0
    step_at_s: float = 0.0  # after the run's start
    warm_k: float = 0.0  # warmer for some days, with a day to rise and a day to fall in them
    warm_from_s: float = Field(default=0.0, ge=0)  # after the run's start
    warm_for_s: float = Field(default=7 * 86_400.0, ge=2 * 86_400.0)

    def temperature_c(self, time_s: Floats, day_offset_s: float) -> Floats:
        """Temperature [degC] at run times [s], any shape; ``day_offset_s`` is the clock at time 0."""
        turn = 2.0 * np.pi * (time_s + day_offset_s - self.warmest_at_s) / 86_400.0
        step = np.where(time_s >= self.step_at_s, self.step_k, 0.0) if self.step_k else 0.0
        warm: Floats | float = 0.0
        if self.warm_k:
            since = (time_s - self.warm_from_s) / 86_400.0
            left = self.warm_for_s / 86_400.0 - since
            warm = self.warm_k * np.clip(np.minimum(since, left), 0.0, 1.0)
        return np.asarray(self.mean_c + self.swing_k * np.cos(turn) + step + warm)


class CounterConfig(ConfigModel):
    """The rig's own cycle counter. It counts a cycle when it is complete."""

    start: int = Field(default=0, ge=0)
    rollover: int = Field(default=2**31, ge=2, le=2**31)
    cycles_per_tick: int = Field(default=1, ge=1)


class StopConfig(ConfigModel):
    """A stop inside a cyclic block. A part of a cycle (1200.4) stops in mid-cycle.

    The broken cycle is started and never completed; after ``off_s`` without rows
    the rig starts again and goes on to the block's number of completed cycles.
    """

    block: str
    after_cycles: float = Field(gt=0)  # cycles of the block
    off_s: float = Field(default=600.0, ge=0, le=1e9)
    counter_resets: bool = False
    tare_shift: float = 0.0  # load
    new_file: bool = True


class ClockJumpConfig(ConfigModel):
    """The log's clock is moved by so much (daylight saving, a wrong battery): rows go on as before."""

    at_s: float = Field(ge=0)
    by_s: float


class SimulatedRigConfig(ConfigModel):
    """One rig with all it adds to a log."""

    name: str
    sample_rate_hz: float = Field(gt=0)
    channels: Many[SimulatedChannelConfig] = Field(min_length=2)
    start: _DateTime = datetime(2031, 3, 3, 8, 0, 0)
    room: RoomConfig = RoomConfig()
    counter: CounterConfig = CounterConfig()
    compliance: float = Field(default=0.0, ge=0)  # motion per load of the machine, in the motion channel
    stops: Many[StopConfig] = ()
    clock_jumps: Many[ClockJumpConfig] = ()
    elapsed_restarts: bool = False  # elapsed time is zero again after each stop

    @model_validator(mode="after")
    def _channels_fit(self) -> Self:
        names = [c.name for c in self.channels]
        sources = [c.source for c in self.channels]
        if len(set(names)) != len(names):
            raise ValueError(f"channel names must differ: {', '.join(names)}")
        missing = {"time", "load", "motion"} - set(sources)
        if missing:
            raise ValueError(f"no channel has the source {' or '.join(sorted(missing))}")
        if sources.count("time") != 1:
            raise ValueError("exactly one channel must have the source time")
        if self.start.tzinfo is not None:
            raise ValueError("start is the rig's own clock: give it without a time zone")
        return self

    @property
    def day_offset_s(self) -> float:
        """Seconds from midnight to the start."""
        midnight = self.start.replace(hour=0, minute=0, second=0, microsecond=0)
        return (self.start - midnight).total_seconds()

    def skew_s(self, source: ChannelSource) -> float:
        """Skew of the first channel of ``source`` [s]."""
        return next((c.skew_s for c in self.channels if c.source == source), 0.0)
