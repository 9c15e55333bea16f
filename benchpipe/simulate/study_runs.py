"""Runs of an invented study: three bumper sets, three specimens each, on one rig.

Everything here is invented, as in :mod:`benchpipe.simulate.scenarios`. "medium" is as stiff as "soft" within the margin
that matters, "firm" is not.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from benchpipe.simulate.blocks import CyclicConfig
from benchpipe.simulate.log import WrittenLogConfig
from benchpipe.simulate.rig import RoomConfig, SimulatedChannelConfig, SimulatedRigConfig
from benchpipe.simulate.scenario import ScenarioConfig
from benchpipe.simulate.scenarios import NOTE, preamble_lines
from benchpipe.simulate.specimen import BacklashConfig, LossConfig, SpecimenConfig, SpringConfig

CYCLES = 115
STIFFNESS = {"soft": 14.0, "medium": 14.1, "firm": 16.6}
DAMPING = {"soft": 0.10, "medium": 0.13, "firm": 0.14}
# Of the three specimens of each set, in parts of its stiffness.
SPECIMENS = {"soft": (-0.012, 0.004, 0.009), "medium": (0.011, -0.009, -0.003), "firm": (0.002, 0.013, -0.014)}
START = datetime(2031, 6, 2, 9, 0, 0)


def study_runs() -> dict[str, ScenarioConfig]:
    """The nine scenarios by the names of their runs, in the order of the tests: sets in turn."""
    found: dict[str, ScenarioConfig] = {}
    for k in range(3):
        for variant in STIFFNESS:
            name = f"{variant}-{k + 1}"
            start = START + timedelta(hours=len(found))
            found[name] = _scenario(name, variant, 1.0 + SPECIMENS[variant][k], start, seed=20 + len(found))
    return found


def _scenario(name: str, variant: str, size: float, start: datetime, seed: int) -> ScenarioConfig:
    return ScenarioConfig(
        name=name,
        seed=seed,
        note=NOTE,
        specimen=SpecimenConfig(
            name=f"Elder-{name}",
            spring=SpringConfig(stiffness=STIFFNESS[variant] * size, cubic=0.2, per_k=-0.001),
            loss=LossConfig(damping=DAMPING[variant] * (2.0 - size), friction=0.7),
            backlash=BacklashConfig(play=0.05, take_up=1.5),
        ),
        rig=SimulatedRigConfig(
            name="Rig One",
            sample_rate_hz=50.0,
            start=start,
            room=RoomConfig(mean_c=22.0, swing_k=0.5),
            channels=(
                SimulatedChannelConfig(source="time", name="Time", unit="s", decimals=2),
                SimulatedChannelConfig(source="load", name="Torque", unit="N·m", decimals=2, noise=0.06),
                SimulatedChannelConfig(source="motion", name="Angle", unit="deg", decimals=3, noise=0.003),
                SimulatedChannelConfig(source="temperature", name="Temperature", unit="°C", decimals=1, noise=0.03),
                SimulatedChannelConfig(source="counter", name="Cycle", decimals=0),
                SimulatedChannelConfig(source="mode", name="Locked", decimals=0),
            ),
        ),
        log=WrittenLogConfig(preamble=preamble_lines(","), units_row=True, gzip=True),
        block=(
            CyclicConfig(
                name="main", cycles=CYCLES, frequency_hz=1.0, valley=5.0, peak=70.0, ramp_up_cycles=5, scatter=0.002
            ),
        ),
    )
