"""Blocks of a simulated test, in order. Loads and motions are in the specimen's axes."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from benchpipe.config.model import ConfigModel, Many


class _Block(ConfigModel):
    name: str = Field(pattern=r"^[a-z][a-z0-9_-]*$")
    sample_rate_hz: float | None = Field(default=None, gt=0)  # else the rig's


class CyclicConfig(_Block):
    """Cycling from valley to peak and back: haversines in load, or in motion.

    ``two-step`` puts a first, lower peak (heel) before the second (toe).
    Cycles of the ramps are complete cycles with less range.
    """

    kind: Literal["cyclic"] = "cyclic"
    cycles: int = Field(ge=1)  # completed ones
    frequency_hz: float = Field(gt=0)
    control: Literal["load", "motion"] = "load"
    valley: float
    peak: float
    heel_peak: float | None = None
    heel_share: float = Field(default=0.5, gt=0, lt=1)  # of the period
    ramp_up_cycles: int = Field(default=0, ge=0)
    ramp_down_cycles: int = Field(default=0, ge=0)
    fade_to: float = Field(default=1.0, gt=0)  # part of the range at the block's end
    scatter: float = Field(default=0.0, ge=0, lt=0.2)  # relative standard deviation of the range
    approach_s: float = Field(default=1.0, gt=0)  # rest to valley, and back
    leaks: bool = True  # the lock leaks while cycled

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not self.valley < self.peak:
            raise ValueError("valley must be below peak")
        if self.heel_peak is not None and not self.valley < self.heel_peak <= self.peak:
            raise ValueError("heel_peak must lie between valley and peak: two peaks a cycle, both upward")
        return self


class HoldConfig(_Block):
    """Load held on the locked joint, then taken off and watched."""

    kind: Literal["hold"] = "hold"
    load: float
    duration_s: float = Field(gt=0)
    ramp_s: float = Field(default=1.0, gt=0)
    wobble: float = Field(default=0.0, ge=0)  # amplitude of a sine on the load
    wobble_s: float = Field(default=7.0, gt=0)
    rest_before_s: float = Field(default=5.0, ge=0)
    recovery_s: float = Field(default=5.0, ge=0)


class SweepConfig(_Block):
    """Slow motion of the unlocked joint from stop to stop, there and back, at each speed in turn.

    With a pause each leg, and the end, stands still where the locked joint rests.
    """

    kind: Literal["sweep"] = "sweep"
    speeds: Many[float] = Field(min_length=1)  # motion/s
    sweeps: int = Field(default=3, ge=1)  # there and back, at each speed
    turn_load: float = Field(default=5.0, gt=0)  # load on a stop at which the rig turns
    pause_s: float = Field(default=0.0, ge=0)

    @model_validator(mode="after")
    def _moves(self) -> Self:
        if any(not speed > 0 for speed in self.speeds):
            raise ValueError("speeds must be above zero")
        return self


class ProofConfig(_Block):
    """Settle, load at a rate, hold, back to the settling load: what set stays?"""

    kind: Literal["proof"] = "proof"
    settling_load: float = Field(gt=0)
    load: float = Field(gt=0)
    rate_per_s: float = Field(gt=0)
    hold_s: float = Field(default=30.0, gt=0)
    settle_s: float = Field(default=10.0, gt=0)

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not self.settling_load < self.load:
            raise ValueError("settling_load must be below load")
        return self


class LockingConfig(_Block):
    """Lock the moving joint again and again: it moves on until the lock holds, is loaded, unlocked and moved back.

    Load goes the way of the motion. A failing lock lets the joint move on until it is unlocked.
    """

    kind: Literal["locking"] = "locking"
    locks: int = Field(default=3, ge=1)
    angle: float = 5.0  # motion at which it is locked
    speed: float = Field(default=10.0, gt=0)  # motion/s
    resistance: float = Field(default=0.5, ge=0)  # load while it moves
    engage_s: float = Field(default=0.1, ge=0)  # it moves on for so long
    load: float = Field(gt=0)  # put on then
    load_s: float = Field(default=0.5, gt=0)  # time of loading, and of unloading
    hold_s: float = Field(default=1.0, gt=0)
    failing: Many[int] = ()  # numbers of the locks that fail, from 1
    bounces: int = Field(default=0, ge=0)  # of the mode channel at each lock
    bounce_s: float = Field(default=0.01, gt=0)

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not self.angle > 0:
            raise ValueError("angle must be above zero, where the joint rests")
        if any(not 1 <= number <= self.locks for number in self.failing):
            raise ValueError("failing holds numbers of locks, from 1")
        if 2 * self.bounces * self.bounce_s > self.engage_s:
            raise ValueError("bounces must be over before the lock engages")
        return self


class RollConfig(_Block):
    """Slow passes of the foot over a plate under load, heel to toe and back: a rigid rocker of known curvature.

    Channels of the sources ``tilt``, ``ankle_x`` and ``ankle_y`` show the shank; load is the vertical force [N],
    motion the centre of pressure [mm]. ``scatter_per_m``: standard deviation of the curvature between passes.
    """

    kind: Literal["roll"] = "roll"
    passes: int = Field(default=5, ge=1)
    curvature_per_m: float = Field(gt=0)  # 1 / radius
    scatter_per_m: float = Field(default=0.0, ge=0)
    tilt_from: float = -15.0  # deg, at the heel
    tilt_to: float = 20.0  # at the toe
    force: float = Field(gt=0)
    pass_s: float = Field(default=4.0, gt=0)
    load_s: float = Field(default=1.0, gt=0)
    rest_s: float = Field(default=1.0, gt=0)
    ahead_mm: float = 30.0  # lowest point of the rocker, from the ankle
    ankle_height_mm: float = Field(default=80.0, gt=0)
    locked: bool = False

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not self.tilt_from < self.tilt_to:
            raise ValueError("tilt_from must be below tilt_to: from heel to toe the shank leans forward")
        if not 5.0 * self.scatter_per_m < self.curvature_per_m:
            raise ValueError("scatter_per_m must be below a fifth of curvature_per_m, or a pass may be flat")
        return self


class IdleConfig(_Block):
    """Nothing on the specimen: where the zero of the load cell shows."""

    kind: Literal["idle"] = "idle"
    duration_s: float = Field(gt=0)
    locked: bool = True


Block = Annotated[
    CyclicConfig | HoldConfig | SweepConfig | ProofConfig | LockingConfig | RollConfig | IdleConfig,
    Field(discriminator="kind")
]
