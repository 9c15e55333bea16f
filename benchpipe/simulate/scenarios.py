"""Scenarios that an analysis must tell apart.

Everything here is invented: specimens, rig, loads and numbers are those of no real
product, person or laboratory. The free range of about 24 deg is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from types import MappingProxyType

from benchpipe.simulate.blocks import (
    CyclicConfig,
    HoldConfig,
    IdleConfig,
    LockingConfig,
    ProofConfig,
    RollConfig,
    SweepConfig,
)
from benchpipe.simulate.log import WrittenLogConfig
from benchpipe.simulate.rig import RoomConfig, SimulatedChannelConfig, SimulatedRigConfig, StopConfig
from benchpipe.simulate.scenario import ScenarioConfig
from benchpipe.simulate.specimen import (
    AgeingConfig,
    BacklashConfig,
    DirectionConfig,
    FreeConfig,
    LockConfig,
    LossConfig,
    SpecimenConfig,
    SpringConfig,
    StepConfig,
)

NOTE = "An invented scenario with invented names: no real product, person or laboratory."


def healthy(seed: int = 1, cycles: int = 1200) -> ScenarioConfig:
    """Nothing wrong: it softens, runs in, settles a little under a held load and stays within limits."""
    return ScenarioConfig(
        name="healthy",
        seed=seed,
        note=NOTE,
        specimen=_ankle(
            "Alder-1",
            ageing=AgeingConfig(softening=0.04, wear_per_decade=0.004),
            lock=LockConfig(reference_load=60.0, creep_per_decade=0.012, expansion_per_k=0.004),
        ),
        rig=_torque_rig(datetime(2031, 3, 3, 8, 20, 0)),
        log=WrittenLogConfig(preamble=preamble_lines(","), units_row=True, gzip=True, cut="hour"),
        block=(
            IdleConfig(name="zero", duration_s=20.0),
            SweepConfig(name="free", speeds=(3.0, 8.0, 24.0), sweeps=2, turn_load=10.0, pause_s=1.0),
            _ankle_cycles(cycles),
            HoldConfig(name="hold", load=60.0, duration_s=1800.0, ramp_s=2.0, wobble=0.2, sample_rate_hz=5.0),
            HoldConfig(name="quiet-stance", load=30.0, duration_s=12.0, wobble=0.2),
            HoldConfig(name="sway", load=30.0, duration_s=35.0, wobble=8.0, wobble_s=3.0),
            ProofConfig(name="proof", settling_load=5.0, load=110.0, rate_per_s=10.0),
            LockingConfig(name="locks", locks=5, load=20.0, speed=4.0, engage_s=0.06),
        ),
    )


def wearing(seed: int = 2, cycles: int = 1500) -> ScenarioConfig:
    """Stiffness falls with the logarithm of cycles, and a screw comes loose at three quarters.

    In force and displacement; the rig stops once in mid-cycle and its counter begins again.
    Loads are those of the P4 ankle-foot cyclic test (50 and 1230 N: Lapapong et al. 2014,
    J. Adv. Res. Trans. Tech. 2:23211, Table 1).
    """
    specimen = SpecimenConfig(
        name="Birch-2",
        axes="force-length",
        spring=SpringConfig(stiffness=110.0, cubic=0.35, per_k=-0.001),
        loss=LossConfig(damping=1.4, friction=14.0, run_in_friction=10.0, run_in_cycles=250.0),
        backlash=BacklashConfig(play=0.08, take_up=20.0, growth_per_million=60.0),
        ageing=AgeingConfig(
            softening=0.06, wear_per_decade=0.06, wear_from=60.0,
            steps=(StepConfig(at_cycle=max(cycles * 3 // 4, 1), loss=0.22),),
        ),
        lock=LockConfig(reference_load=1000.0, creep_per_decade=0.02, yield_load=1700.0, set_per_load=1.2e-4),
        self_heating_k=4.0,
        self_heating_s=900.0,
    )  # fmt: skip
    rig = SimulatedRigConfig(
        name="Rig Two",
        sample_rate_hz=50.0,
        start=datetime(2031, 4, 14, 21, 30, 0),
        room=RoomConfig(mean_c=21.0, swing_k=2.0),
        channels=(
            SimulatedChannelConfig(source="time", name="Zeit", decimals=2),
            SimulatedChannelConfig(
                source="load", name="Kraft", unit="N", decimals=1, noise=1.2, drift_per_h=0.4, wander=0.4
            ),
            SimulatedChannelConfig(source="motion", name="Weg", unit="mm", decimals=3, noise=0.002),
            SimulatedChannelConfig(source="temperature", name="Temperatur", unit="°C", decimals=2, noise=0.03),
            SimulatedChannelConfig(source="counter", name="Zyklus", decimals=0),
        ),
        stops=(StopConfig(block="main", after_cycles=cycles * 2 // 5 + 0.4, off_s=2700.0, counter_resets=True,
                          tare_shift=1.5),),
    )  # fmt: skip
    return ScenarioConfig(
        name="wearing",
        seed=seed,
        note=NOTE,
        specimen=specimen,
        rig=rig,
        log=WrittenLogConfig(
            preamble=preamble_lines(";"), units_row=True, separator=";", decimal=",", encoding="cp1252",
            line_end="\r\n", gzip=True, time_format="%d.%m.%Y %H:%M:%S,%f",
        ),
        block=(
            CyclicConfig(name="main", cycles=cycles, frequency_hz=1.0, valley=50.0, peak=1230.0, ramp_up_cycles=8,
                         scatter=0.002),
            ProofConfig(name="proof", settling_load=50.0, load=2065.0, rate_per_s=175.0),
        ),
    )  # fmt: skip


def creeping_lock(seed: int = 3, cycles: int = 400) -> ScenarioConfig:
    """The lock leaks: under a held load the angle goes on at a steady rate, where a sound one settles."""
    holds = tuple(
        HoldConfig(name=f"hold-{int(load)}", load=load, duration_s=1200.0, ramp_s=2.0, wobble=0.2,
                   recovery_s=60.0, sample_rate_hz=5.0)
        for load in (30.0, 60.0, 90.0)
    )  # fmt: skip
    return ScenarioConfig(
        name="creeping-lock",
        seed=seed,
        note=NOTE,
        specimen=_ankle(
            "Cedar-3",
            ageing=AgeingConfig(softening=0.04, wear_per_decade=0.004),
            lock=LockConfig(
                reference_load=60.0, creep_per_decade=0.012, leak_per_h=0.9, leak_exponent=1.0, expansion_per_k=0.004
            ),
        ),
        rig=_torque_rig(datetime(2031, 5, 5, 9, 0, 0)),
        log=WrittenLogConfig(format="parquet"),
        block=(
            IdleConfig(name="zero", duration_s=20.0),
            SweepConfig(name="free", speeds=(3.0, 8.0, 24.0), sweeps=2, turn_load=10.0, pause_s=1.0),
            _ankle_cycles(cycles),
            *holds,
        ),
    )


def two_weeks(seed: int = 4, cycles: int = 12_096) -> ScenarioConfig:
    """A fortnight of slow cycles, a row for each: a screw comes loose, days are warm, then something wears out.

    In force and displacement. The warm days soften the springs as much as the screw did, and nothing else.
    """
    day = 864  # cycles
    specimen = SpecimenConfig(
        name="Dogwood-4",
        axes="force-length",
        spring=SpringConfig(stiffness=60.0, cubic=0.05, per_k=-0.004),
        loss=LossConfig(damping=0.2, friction=8.0, run_in_friction=3.0, run_in_cycles=250.0),
        backlash=BacklashConfig(play=0.05, take_up=20.0),
        ageing=AgeingConfig(
            softening=0.02, softening_cycles=200.0, wear_out_per_million=14.0, wear_out_from=10 * day,
            steps=(StepConfig(at_cycle=3 * day + 400, loss=0.025),),
        ),
    )  # fmt: skip
    rig = SimulatedRigConfig(
        name="Rig Three",
        sample_rate_hz=0.2,
        start=datetime(2031, 9, 1, 0, 0, 0),
        room=RoomConfig(mean_c=22.0, swing_k=2.5, warm_k=3.0, warm_from_s=4.5 * 86_400.0, warm_for_s=5 * 86_400.0),
        channels=(
            SimulatedChannelConfig(source="time", name="Time", unit="s", decimals=0),
            SimulatedChannelConfig(source="load", name="Fmax", unit="N", decimals=1, noise=0.5, row="largest"),
            SimulatedChannelConfig(source="load", name="Fmin", unit="N", decimals=1, noise=0.5, row="smallest"),
            SimulatedChannelConfig(source="motion", name="smax", unit="mm", decimals=4, noise=0.002, row="largest"),
            SimulatedChannelConfig(source="motion", name="smin", unit="mm", decimals=4, noise=0.002, row="smallest"),
            SimulatedChannelConfig(source="temperature", name="Air", unit="°C", decimals=2, noise=0.02),
            SimulatedChannelConfig(source="counter", name="Cycle", decimals=0),
        ),
    )  # fmt: skip
    return ScenarioConfig(
        name="two-weeks",
        seed=seed,
        note=NOTE,
        specimen=specimen,
        rig=rig,
        log=WrittenLogConfig(units_row=True, gzip=True, rows="cycles"),
        block=(
            CyclicConfig(name="main", cycles=cycles, frequency_hz=0.01, valley=50.0, peak=650.0, scatter=0.0005),
        ),
    )  # fmt: skip


def flat_when_locked(seed: int = 4) -> ScenarioConfig:
    """A foot whose rocker is curved when free, and flat enough to stand on when locked."""
    return _rolled("flat-when-locked", "Dogwood-4", seed, locked=RollConfig(
        name="rolled-locked", passes=5, curvature_per_m=0.25, scatter_per_m=0.02, tilt_from=-1.5, tilt_to=1.5,
        force=785.0, locked=True,
    ))  # fmt: skip


def curved_when_locked(seed: int = 5) -> ScenarioConfig:
    """A foot whose lock yields: locked it is flatter than free, and still too curved to stand on."""
    return _rolled("curved-when-locked", "Elm-5", seed, locked=RollConfig(
        name="rolled-locked", passes=5, curvature_per_m=1.6, scatter_per_m=0.08, tilt_from=-8.0, tilt_to=10.0,
        force=785.0, locked=True,
    ))  # fmt: skip


def _rolled(name: str, specimen: str, seed: int, *, locked: RollConfig) -> ScenarioConfig:
    """Passes of the free foot, then of the locked one, on a rig with a force plate."""
    return ScenarioConfig(
        name=name,
        seed=seed,
        note=NOTE,
        specimen=SpecimenConfig(name=specimen, axes="force-length", spring=SpringConfig(stiffness=110.0)),
        rig=SimulatedRigConfig(
            name="Rig Four",
            sample_rate_hz=50.0,
            start=datetime(2031, 6, 2, 8, 0, 0),
            room=RoomConfig(mean_c=22.0),
            channels=(
                SimulatedChannelConfig(source="time", name="Time", unit="s", decimals=2),
                SimulatedChannelConfig(source="load", name="Fz", unit="N", decimals=1, noise=1.0),
                SimulatedChannelConfig(
                    source="motion", name="CoP", unit="mm", decimals=2, noise=0.3, wander=0.5, wander_s=0.2
                ),
                SimulatedChannelConfig(source="tilt", name="Tilt", unit="deg", decimals=3, noise=0.005),
                SimulatedChannelConfig(source="ankle_x", name="AnkleX", unit="mm", decimals=2, noise=0.1),
                SimulatedChannelConfig(source="ankle_y", name="AnkleY", unit="mm", decimals=2, noise=0.1),
                SimulatedChannelConfig(source="mode", name="Locked", decimals=0),
            ),
        ),
        log=WrittenLogConfig(units_row=True, gzip=True),
        block=(
            IdleConfig(name="zero", duration_s=10.0, locked=False),
            RollConfig(name="rolled-free", passes=5, curvature_per_m=3.2, scatter_per_m=0.15, force=785.0),
            locked,
        ),
    )


BUILDERS: Mapping[str, Callable[[], ScenarioConfig]] = MappingProxyType(
    {"healthy": healthy, "wearing": wearing, "creeping-lock": creeping_lock, "two-weeks": two_weeks}
)
ROLLED: Mapping[str, Callable[[], ScenarioConfig]] = MappingProxyType(
    {"flat-when-locked": flat_when_locked, "curved-when-locked": curved_when_locked}
)


def _ankle(name: str, *, ageing: AgeingConfig, lock: LockConfig) -> SpecimenConfig:
    return SpecimenConfig(
        name=name,
        spring=SpringConfig(stiffness=16.0, cubic=0.25, per_k=-0.001),
        loss=LossConfig(damping=0.12, friction=0.8, run_in_friction=0.4, run_in_cycles=300.0),
        backlash=BacklashConfig(play=0.06, take_up=1.5),
        ageing=ageing,
        lock=lock,
        free=FreeConfig(
            rising=DirectionConfig(coulomb=0.5, laminar=0.02, orifice=4e-4),
            falling=DirectionConfig(coulomb=0.45, laminar=0.025, orifice=5e-4),
            lower_stop=-8.5,
            upper_stop=16.5,
            stop_stiffness=4.0,
            breakaway=0.3,
            breakaway_motion=1.0,
        ),
        self_heating_k=3.0,
        self_heating_s=1200.0,
    )


def _torque_rig(start: datetime) -> SimulatedRigConfig:
    return SimulatedRigConfig(
        name="Rig One",
        sample_rate_hz=50.0,
        start=start,
        room=RoomConfig(mean_c=22.0, swing_k=1.5),
        channels=(
            SimulatedChannelConfig(source="time", name="Time", unit="s", decimals=2),
            SimulatedChannelConfig(source="load", name="Torque", unit="N·m", decimals=2, noise=0.06, wander=0.03),
            SimulatedChannelConfig(source="motion", name="Angle", unit="deg", decimals=3, noise=0.003),
            SimulatedChannelConfig(source="temperature", name="Temperature", unit="°C", decimals=2, noise=0.03),
            SimulatedChannelConfig(source="counter", name="Cycle", decimals=0),
            SimulatedChannelConfig(source="mode", name="Locked", decimals=0),
        ),
    )


def _ankle_cycles(cycles: int) -> CyclicConfig:
    return CyclicConfig(
        name="main", cycles=cycles, frequency_hz=1.0, valley=5.0, peak=80.0, ramp_up_cycles=5, scatter=0.002
    )


def preamble_lines(separator: str) -> tuple[str, ...]:
    """Lines before the header of a log."""
    lines = ("Run|{name}", "Rig|{rig}", "Specimen|{specimen}", "File start|{start}")
    return tuple(line.replace("|", separator) for line in lines)
