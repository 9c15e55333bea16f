"""Plan rolls: a rigid rocker that rolls over a plate without slip, heel to toe and back, under load.

The rocker is an arc in the axes of the shank. Its lowest point lies ``ahead`` of the ankle and ``ankle_height`` below
it; leaning by γ brings the arc's point R γ further on to the plate. What a pass of a real foot adds, another shape each
time, is a scatter of the curvature.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from benchpipe.simulate.blocks import RollConfig
from benchpipe.simulate.noise import normal, stream_key
from benchpipe.simulate.pieces import Piece, Place, TrueRows, Warmth, steady
from benchpipe.simulate.truth import RollTruth
from benchpipe.simulate.walk import Walk

Floats = NDArray[np.float64]
MM = 1e3
JUNK_MM = 400.0
"""Centre of pressure of an unloaded plate: any number, far off."""
JUNK_UNDER_N = 10.0


@dataclass(frozen=True)
class RollPiece:
    """Samples of a stretch in which the tilt goes from one angle to another, and the force from one to another."""

    place: Place
    warmth: Warmth
    duration_s: float
    tilt_deg: tuple[float, float]
    force_n: tuple[float, float]
    curvature_per_m: float
    ahead_mm: float
    ankle_height_mm: float

    def sample(self, load_skew_s: float, motion_skew_s: float) -> TrueRows:
        """Make its rows: force as load, centre of pressure as motion."""
        force = _blend(self.place.local_s(load_skew_s) / self.duration_s, *self.force_n)
        contact = self._contact(_blend(self.place.local_s(motion_skew_s) / self.duration_s, *self.tilt_deg))
        tilt = _blend(self.place.local_s() / self.duration_s, *self.tilt_deg)
        ankle = self._ankle(tilt)
        cop = contact + JUNK_MM * np.clip(1.0 - force / JUNK_UNDER_N, 0.0, 1.0)
        rows = steady(self.place, force, cop, self.warmth.temperature_c(self.place.time_s()))
        return TrueRows(
            rows.place, rows.time_s, rows.load, rows.motion, rows.temperature_c, rows.cycles, rows.counted,
            np.stack([tilt, *ankle]),
        )  # fmt: skip

    def _contact(self, tilt_deg: Floats) -> Floats:
        """Where the rocker touches the plate [mm], from where its lowest point touches it upright."""
        return np.asarray(MM * np.radians(tilt_deg) / self.curvature_per_m + self.ahead_mm)

    def _ankle(self, tilt_deg: Floats) -> tuple[Floats, Floats]:
        """Ankle in the lab [mm]: the arc's centre stays above the contact, at its radius."""
        radius, tilt = MM / self.curvature_per_m, np.radians(tilt_deg)
        down = radius - self.ankle_height_mm  # from the ankle to the centre, along the shank
        forward = self._contact(tilt_deg) - self.ahead_mm * np.cos(tilt) - down * np.sin(tilt)
        up = radius + self.ahead_mm * np.sin(tilt) - down * np.cos(tilt)
        return np.asarray(forward), np.asarray(up)


def _blend(part: Floats, before: float, after: float) -> Floats:
    """From one value to another at a constant rate."""
    return np.asarray(before + (after - before) * np.clip(part, 0.0, 1.0))


def roll(walk: Walk, block: RollConfig) -> Generator[Piece, None, RollTruth]:
    """Plan a roll block; returns its truth."""
    rate_hz = block.sample_rate_hz or walk.rig.sample_rate_hz
    key = stream_key(walk.scenario.seed, block.name, "roll")
    heel, toe = block.tilt_from, block.tilt_to
    curvatures = []
    for number in range(block.passes):
        own = block.curvature_per_m + block.scatter_per_m * float(normal(key, number))
        curvatures.append(own)
        for duration, tilts, forces in (
            (block.rest_s, (heel, heel), (0.0, 0.0)),
            (block.load_s, (heel, heel), (0.0, block.force)),
            (block.pass_s, (heel, toe), (block.force, block.force)),
            (block.pass_s, (toe, heel), (block.force, block.force)),
            (block.load_s, (heel, heel), (block.force, 0.0)),
        ):
            make = partial(
                RollPiece, warmth=walk.warmth, duration_s=duration, tilt_deg=tilts, force_n=forces, curvature_per_m=own,
                ahead_mm=block.ahead_mm, ankle_height_mm=block.ankle_height_mm,
            )  # fmt: skip
            yield from walk.stretch(duration, rate_hz, make, locked=block.locked)
    mean = float(np.mean(curvatures))
    return RollTruth(block.passes, block.curvature_per_m, tuple(curvatures), mean, 1.0 / mean)
