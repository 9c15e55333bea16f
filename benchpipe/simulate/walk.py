"""State of rig and specimen between two stretches of a run. One walk plans one run."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np

from benchpipe.simulate.pieces import MOST_ROWS, Piece, Place, Warmth
from benchpipe.simulate.rig import SimulatedRigConfig
from benchpipe.simulate.scenario import ScenarioConfig
from benchpipe.simulate.specimen import SpecimenConfig


def samples_in(duration_s: float, rate_hz: float) -> int:
    """Samples of a stretch that begins with one: those before its end."""
    return max(1, int(np.ceil(duration_s * rate_hz - 1e-6)))


@dataclass
class Walk:
    """What one stretch leaves to the next. Only the planner changes it, in order."""

    scenario: ScenarioConfig
    time_s: float = 0.0
    row: int = 0
    cycles: int = 0  # completed in the run
    counted: int = 0  # what the rig's counter knows
    offset: float = 0.0  # motion that stays: leak, set, creep not recovered
    most_load: float = 0.0
    softness: float = 1.0  # when cycling last ended
    cycling_ended_s: float | None = None
    tare: float = 0.0
    clock_zero_s: float = 0.0
    series: int = 1
    warmth: Warmth = field(init=False)

    def __post_init__(self) -> None:
        self.counted = self.rig.counter.start * self.rig.counter.cycles_per_tick
        self.warmth = Warmth(self.rig, 0.0, 0.0, 0.0, self.specimen.self_heating_s)

    @property
    def rig(self) -> SimulatedRigConfig:
        """The rig."""
        return self.scenario.rig

    @property
    def specimen(self) -> SpecimenConfig:
        """The specimen."""
        return self.scenario.specimen

    @property
    def counter(self) -> int:
        """What the rig's counter shows now."""
        return self.counted // self.rig.counter.cycles_per_tick % self.rig.counter.rollover

    def temperature_c(self) -> float:
        """Specimen temperature now [degC]."""
        return float(self.warmth.temperature_c(np.asarray(self.time_s)))

    def heat(self, to_k: float) -> Warmth:
        """From now on the specimen tends to ``to_k`` above the room."""
        now = float(self.warmth.own_k(np.asarray(self.time_s)))
        self.warmth = Warmth(self.rig, self.time_s, now, to_k, self.specimen.self_heating_s)
        return self.warmth

    def softness_now(self) -> float:
        """Part of the virgin elastomer stiffness there is now: it comes back at rest."""
        if self.cycling_ended_s is None:
            return 1.0
        rest = (self.time_s - self.cycling_ended_s) / self.specimen.ageing.recovery_s
        return 1.0 - (1.0 - self.softness) * float(np.exp(-rest))

    def spring_now(self) -> tuple[float, float]:
        """Both spring constants as they are now."""
        factor = self.specimen.stiffness_factor(
            np.asarray(float(self.cycles)), np.asarray(self.softness_now()), np.asarray(self.temperature_c())
        )
        spring = self.specimen.spring
        return spring.stiffness * float(factor), spring.cubic * float(factor)

    def rest_motion(self) -> float:
        """Motion of the locked joint with no load, now."""
        return self.offset + float(self.specimen.expansion(np.asarray(self.temperature_c())))

    def place(self, rate_hz: float, first: int, count: int, *, locked: bool) -> Place:
        """Place of a piece that comes next, in the stretch whose sample 0 is at ``time_s``."""
        return Place(
            self.row, self.time_s, rate_hz, first, count, self.clock_zero_s, self.series, self.tare,
            locked, self.cycles, self.counted,
        )  # fmt: skip

    def stretch(
        self, duration_s: float, rate_hz: float, make: Callable[[Place], Piece], *, locked: bool = True
    ) -> Iterator[Piece]:
        """Walk through a stretch in pieces, then stand at its end."""
        total = samples_in(duration_s, rate_hz)
        for first in range(0, total, MOST_ROWS):
            count = min(MOST_ROWS, total - first)
            piece = make(self.place(rate_hz, first, count, locked=locked))
            self.row += count
            yield piece
        self.time_s += total / rate_hz
