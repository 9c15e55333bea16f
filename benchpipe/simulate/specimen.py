"""The specimen: the parts of its joint, and how each of them ages, warms and creeps.

Numbers are plain floats. *load* is N*m or N and *motion* deg or mm, whichever pair
``axes`` names; everything else carries its unit in the name.
"""

from __future__ import annotations

from typing import Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from benchpipe.config.model import ConfigModel, Many

Floats = NDArray[np.float64]


class SpringConfig(ConfigModel):
    """Spring: ``load = k1 x + k3 x^3``, both scaled by ageing and temperature."""

    stiffness: float = Field(gt=0)  # k1, load/motion
    cubic: float = Field(default=0.0, ge=0)  # k3, load/motion^3
    per_k: float = 0.0  # relative change per kelvin above the reference temperature


class LossConfig(ConfigModel):
    """What a cycle loses: a dashpot (load s/motion) and Coulomb friction (load), which runs in."""

    damping: float = Field(default=0.0, ge=0)
    friction: float = Field(default=0.0, ge=0)
    run_in_friction: float = Field(default=0.0, ge=0)  # on top, at cycle 0
    run_in_cycles: float = Field(default=10_000.0, gt=0)  # falls to 1/e of it


class BacklashConfig(ConfigModel):
    """Free play [motion], crossed while the load goes from -take_up to +take_up."""

    play: float = Field(default=0.0, ge=0)
    take_up: float = Field(default=1.0, gt=0)
    growth_per_million: float = Field(default=0.0, ge=0)


class StepConfig(ConfigModel):
    """A sudden loss of stiffness, such as a screw coming loose."""

    at_cycle: int = Field(ge=1)
    loss: float = Field(gt=0, lt=1)


class AgeingConfig(ConfigModel):
    """Relative losses of stiffness."""

    softening: float = Field(default=0.0, ge=0, lt=1)  # elastomer: extra stiffness of the first cycles
    softening_cycles: float = Field(default=4.0, gt=0)
    recovery_s: float = Field(default=3600.0, gt=0)  # time constant of its return at rest
    wear_per_decade: float = Field(default=0.0, ge=0, lt=0.5)  # per decade of 1 + N / wear_from
    wear_from: float = Field(default=1000.0, gt=0)
    wear_per_million: float = Field(default=0.0, ge=0, lt=0.5)
    wear_out_per_million: float = Field(default=0.0, ge=0)  # on top, from a cycle on
    wear_out_from: int = Field(default=0, ge=0)
    steps: Many[StepConfig] = ()


class LockConfig(ConfigModel):
    """Locked joint: creep in proportion to the load, leak with its power (1 laminar, 0.5 orifice)."""

    reference_load: float = Field(default=1.0, gt=0)
    creep_per_decade: float = Field(default=0.0, ge=0)  # motion per decade of time at reference_load
    creep_time_s: float = Field(default=1.0, gt=0)  # t1 in log10(1 + t / t1)
    leak_per_h: float = Field(default=0.0, ge=0)  # motion per hour at reference_load and temperature
    leak_exponent: float = Field(default=1.0, gt=0)
    expansion_per_k: float = 0.0  # motion per kelvin (trapped oil)
    yield_load: float = Field(default=1e12, gt=0)  # above it every load leaves a permanent set
    set_per_load: float = Field(default=0.0, ge=0)  # motion per load above yield_load
    break_load: float = Field(default=1e12, gt=0)  # at it something breaks in a proof:
    break_part: float = Field(default=0.4, ge=0, lt=1)  # so much of the load is left,
    break_motion: float = Field(default=0.0, ge=0)  # and the motion goes so far ahead


class DirectionConfig(ConfigModel):
    """Free resistance one way: ``coulomb + laminar w + orifice w^2``, w the speed in motion/s."""

    coulomb: float = Field(default=0.0, ge=0)
    laminar: float = Field(default=0.0, ge=0)
    orifice: float = Field(default=0.0, ge=0)


class FreeConfig(ConfigModel):
    """Unlocked joint. A range of about 24 deg is common practice, no source."""

    rising: DirectionConfig = DirectionConfig()
    falling: DirectionConfig = DirectionConfig()
    lower_stop: float = -12.0
    upper_stop: float = 12.0
    stop_stiffness: float = Field(default=10.0, gt=0)
    breakaway: float = Field(default=0.0, ge=0)  # extra load when motion starts
    breakaway_motion: float = Field(default=0.2, gt=0)  # falls to 1/e over it

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not self.lower_stop < self.upper_stop:
            raise ValueError("lower_stop must be below upper_stop")
        return self


class SpecimenConfig(ConfigModel):
    """One specimen with all its parts."""

    name: str
    axes: Literal["torque-angle", "force-length"] = "torque-angle"
    spring: SpringConfig
    loss: LossConfig = LossConfig()
    backlash: BacklashConfig = BacklashConfig()
    ageing: AgeingConfig = AgeingConfig()
    lock: LockConfig = LockConfig()
    free: FreeConfig = FreeConfig()
    reference_temperature_c: float = 25.0
    self_heating_k: float = Field(default=0.0, ge=0)  # reached by long cycling
    self_heating_s: float = Field(default=1800.0, gt=0)

    @property
    def joule(self) -> float:
        """Joules of one load x motion: N*m*deg or N*mm."""
        return float(np.pi / 180.0) if self.axes == "torque-angle" else 1e-3

    def stiffness_factor(self, cycle: Floats, softness: Floats, temperature_c: Floats) -> Floats:
        """Factor on both spring constants.

        Parameters
        ----------
        cycle : float array, shape (n,)
            Completed cycles before this one.
        softness : float array, shape (n,)
            Part of the virgin elastomer stiffness that is left, 0 to 1.
        temperature_c : float array, shape (n,)
        """
        age = self.ageing
        factor = 1.0 - age.wear_per_decade * np.log10(1.0 + cycle / age.wear_from)
        factor = factor - age.wear_per_million * 1e-6 * cycle
        if age.wear_out_per_million:
            factor = factor - age.wear_out_per_million * 1e-6 * np.maximum(cycle - age.wear_out_from, 0.0)
        for step in age.steps:
            factor = np.where(cycle >= step.at_cycle, factor * (1.0 - step.loss), factor)
        factor = factor * (1.0 + age.softening * softness)
        warmed: Floats = factor * (1.0 + self.spring.per_k * (temperature_c - self.reference_temperature_c))
        return np.maximum(warmed, 0.01)  # worn out, not turned round

    def friction(self, cycle: Floats) -> Floats:
        """Coulomb friction [load] after ``cycle`` completed cycles: the run-in falls exponentially."""
        loss = self.loss
        return loss.friction + loss.run_in_friction * np.exp(-cycle / loss.run_in_cycles)

    def play(self, cycle: Floats) -> Floats:
        """Backlash [motion] after ``cycle`` completed cycles."""
        return self.backlash.play + self.backlash.growth_per_million * 1e-6 * cycle

    def thinning(self, temperature_c: Floats) -> Floats:
        """Oil viscosity over that at the reference temperature, shape (n,)."""
        return viscosity_cst(temperature_c) / viscosity_cst(np.asarray(self.reference_temperature_c))

    def leak_per_s(self, load: Floats, temperature_c: Floats) -> Floats:
        """Rate of the locked joint's leak [motion/s]: power of the load, laminar in the oil."""
        lock = self.lock
        part = np.sign(load) * np.abs(load / lock.reference_load) ** lock.leak_exponent
        return lock.leak_per_h / 3600.0 * part / self.thinning(temperature_c)

    def permanent_set(self, most_load: Floats) -> Floats:
        """Permanent set [motion] left by the largest load ever seen."""
        return self.lock.set_per_load * np.maximum(most_load - self.lock.yield_load, 0.0)

    def expansion(self, temperature_c: Floats) -> Floats:
        """Thermal part of the locked motion [motion]."""
        return self.lock.expansion_per_k * (temperature_c - self.reference_temperature_c)


def viscosity_cst(temperature_c: Floats) -> Floats:
    """Kinematic viscosity of an ISO VG 32 oil [cSt] at a temperature [degC], any shape.

    Walther's form, log10 log10 (v + 0.7) = A - B log10 T (that of ASTM D341;
    written from memory, not checked), through 32 cSt at 40 and 5.4 cSt at 100 degC. Recomputed: 86 cSt at 20 degC, 40
    at 35 degC.
    """
    low, high = np.log10(np.log10(32.7)), np.log10(np.log10(6.1))
    slope = (low - high) / np.log10(373.15 / 313.15)
    walther = low - slope * np.log10((temperature_c + 273.15) / 313.15)
    return np.asarray(10.0 ** (10.0**walther) - 0.7)
