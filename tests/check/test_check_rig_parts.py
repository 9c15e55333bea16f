"""Budget parts of the rig file: each against its formula, or against differences of the figure itself (invented)."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from benchpipe.blocks.values import Typical, Values, values_of
from benchpipe.check.measures import our_measures
from benchpipe.check.rig_parts import calibrations_at, not_stated, recalibrated, rig_parts, sensitivity_of
from benchpipe.config.channel import CalibrationConfig
from benchpipe.config.model import Quantity, load_model
from benchpipe.config.rig import AxisConfig, ChannelConfig, RigConfig, TimeConfig
from benchpipe.samples.signals import gearing
from tests.config.written import write_lab

TYPICAL = Typical(load_range=75.0, motion_range=3.6, period_s=1.0, phase_deg=5.0)
ONE = np.ones(1)
VALUES = values_of(ONE, ONE, None, 1, typical=TYPICAL)
ANGLE = 'unit = "deg"\nuncertainty = "0 %"\n'


def u_of(name: str, rig: RigConfig, value: float, values: Values = VALUES) -> float:
    """Root sum of squares of the parts."""
    return math.hypot(*(part.u for part in rig_parts(our_measures()[name], rig, value, values)), 0.0)


def written(folder: Path, torque: str, angle: str) -> RigConfig:
    """The small rig with these certificates."""
    plain = 'uncertainty = "0.5 %"\nuncertainty_floor = "0.1 N*m"\n'
    write_lab(folder, rig=(plain, torque))
    text = (folder / "rig.toml").read_text().replace(ANGLE, 'unit = "deg"\n' + angle)
    (folder / "rig.toml").write_text(text)
    return load_model(RigConfig, folder / "rig.toml")[0]


def test_calibration_enters_as_the_measure_follows_its_channels(tmp_path: Path) -> None:
    made = written(tmp_path, 'uncertainty = "0.6 %"\n', 'uncertainty = "0.8 %"\n')
    for name, relative in [
        ("peak_load", 0.006), ("motion_range", 0.008), ("energy_j", 0.010), ("secant_stiffness", 0.010),
        ("loss_factor", 0.0), ("period_s", 0.0), ("rate_end_per_h", 0.008),
    ]:  # fmt: skip
        asked = 0.5 * relative * 40.0  # expanded, k = 2
        assert u_of(name, made, 40.0) == pytest.approx(asked), name
        assert u_of(name, made, -40.0) == pytest.approx(asked), name


def test_a_floor_is_a_least_uncertainty_of_a_reading(tmp_path: Path) -> None:
    made = written(tmp_path, 'uncertainty_floor = "0.3 N*m"\n', 'uncertainty_floor = "0.02 deg"\n')
    assert u_of("valley_load", made, 0.0) == pytest.approx(0.15)
    assert u_of("creep", made, 0.0) == pytest.approx(0.01)
    energy = 40.0 * math.hypot(0.3 / 75.0, 0.02 / 3.6) / 2.0  # floors as parts of the typical ranges
    assert u_of("energy_j", made, 40.0) == pytest.approx(energy)


def test_a_channel_that_states_nothing_is_named(tmp_path: Path) -> None:
    made = written(tmp_path, "", 'uncertainty = "0.8 %"\n')
    assert not_stated(our_measures()["peak_load"], made) == ("torque",)
    assert not_stated(our_measures()["secant_stiffness"], made) == ("torque",)
    assert not_stated(our_measures()["loss_factor"], made) == ("torque",)
    assert not_stated(our_measures()["motion_max"], made) == ()
    assert not_stated(our_measures()["temperature_c"], made) == ("temperature",)
    floor_only = written(tmp_path, 'uncertainty_floor = "0.3 N*m"\n', 'uncertainty = "0.8 %"\n')
    assert not_stated(our_measures()["peak_load"], floor_only) == ()


def force_rig(load: AxisConfig, motion: AxisConfig, **stated: float) -> RigConfig:
    relative = {"uncertainty": stated.get("relative", 0.0)}
    return RigConfig(
        name="r",
        time=TimeConfig(column="t", sample_rate="50 Hz"),
        channel=(
            ChannelConfig(name="load", column="f", unit="N", uncertainty_floor=Quantity(2.0, "force"), **relative),
            ChannelConfig(name="motion", column="x", unit="mm", uncertainty_floor=Quantity(0.1, "length"), **relative),
        ),
        load=load,
        motion=motion,
    )


def pairs(*points: tuple[float, float]) -> tuple[tuple[Quantity, Quantity], ...]:
    return tuple((Quantity(a, "length"), Quantity(b, "angle")) for a, b in points)


@pytest.mark.parametrize(
    ("motion", "degrees"),
    [
        (AxisConfig(channel="motion", lever_arm="100 mm"), math.degrees(0.1 / 100)),
        (AxisConfig(channel="motion", sine_bar="100 mm"), math.degrees(0.1 / 100)),
        (AxisConfig(channel="motion", table=pairs((0.0, 0.0), (1.0, 0.5), (2.0, 1.25))), 0.75 * 0.1),
    ],
)
def test_a_floor_goes_through_the_geometry(motion: AxisConfig, degrees: float) -> None:
    made = force_rig(AxisConfig(channel="load", lever_arm="250 mm"), motion)
    assert u_of("peak_load", made, 0.0) == pytest.approx(2.0 * 0.25 / 2)
    assert u_of("motion_max", made, 0.0) == pytest.approx(degrees / 2)
    assert gearing(made.load, is_load=True) == 0.25


MACHINE = AxisConfig(channel="motion", machine_stiffness="400 N/mm", machine_uncertainty=0.1)
LOAD, RAW = 1200.0, 8.0  # load range, and motion range as measured
MOTION = RAW - LOAD / 400.0


@pytest.mark.parametrize(
    ("name", "figure"),
    [
        ("secant_stiffness", lambda load, raw, machine: load / (raw - load / machine)),
        ("motion_range", lambda load, raw, machine: raw - load / machine),
        ("loss_factor", lambda load, raw, machine: load * raw / (load * (raw - load / machine))),
        ("energy_j", lambda load, raw, machine: load * raw),
    ],
)
def test_what_a_machine_takes_off_enlarges_the_certificates(name: str, figure: object) -> None:
    """Relative sensitivities against central differences of the figure itself."""
    made = force_rig(AxisConfig(channel="load"), MACHINE)
    typical = Typical(load_range=LOAD, motion_range=MOTION, period_s=1.0)
    value = figure(LOAD, RAW, 400.0)  # type: ignore[operator]
    found = sensitivity_of(our_measures()[name], made, value, typical)
    for got, at in ((found.load, 0), (found.motion, 1), (found.machine, 2)):
        ends = []
        for step in (1.0 + 1e-6, 1.0 - 1e-6):
            scaled = [x * (step if i == at else 1.0) for i, x in enumerate((LOAD, RAW, 400.0))]
            ends.append(figure(*scaled))  # type: ignore[operator]
        assert got == pytest.approx((ends[0] - ends[1]) / (2e-6 * value), abs=1e-4), at


def test_a_stiffness_behind_a_soft_machine_is_less_sure_than_its_certificates() -> None:
    """0.5 % each and a machine that moves 0.6 of the specimen: 1.6 x 0.71 %, and 0.6 x 10 % of the machine."""
    made = force_rig(AxisConfig(channel="load"), MACHINE, relative=0.005)
    made = made.model_copy(update={
        "channel": tuple(c.model_copy(update={"uncertainty_floor": None}) for c in made.channel),
    })  # fmt: skip
    c = LOAD / 400.0 / MOTION
    value = LOAD / MOTION
    values = replace(VALUES, typical=Typical(load_range=LOAD, motion_range=MOTION, period_s=1.0))
    expanded = 2.0 * u_of("secant_stiffness", made, value, values) / value
    assert expanded == pytest.approx(math.hypot((1 + c) * 0.005, (1 + c) * 0.005, c * 0.1))
    assert expanded > 0.0071


def test_geometry_delay_and_clock_enter_where_they_are_stated() -> None:
    made = force_rig(
        AxisConfig(channel="load", lever_arm="250 mm", geometry_uncertainty=0.004),
        AxisConfig(channel="motion", lever_arm="100 mm", geometry_uncertainty=0.006),
    )
    plain = force_rig(AxisConfig(channel="load", lever_arm="250 mm"), AxisConfig(channel="motion", lever_arm="100 mm"))
    more = math.sqrt(u_of("energy_j", made, 10.0) ** 2 - u_of("energy_j", plain, 10.0) ** 2)
    assert more == pytest.approx(10.0 * math.hypot(0.004, 0.006) / 2)
    late = tuple(c.model_copy(update={"delay_uncertainty": 2e-3}) for c in plain.channel)
    late_rig = plain.model_copy(update={"channel": late})
    more = math.sqrt(u_of("loss_factor", late_rig, 0.1) ** 2 - u_of("loss_factor", plain, 0.1) ** 2)
    assert more == pytest.approx(2 * math.pi * 1e-3 * math.sqrt(2), rel=1e-3)  # 2 pi f t, at 1 Hz
    slow = plain.model_copy(update={"time": plain.time.model_copy(update={"uncertainty": 0.01})})
    assert u_of("period_s", slow, 2.0) == pytest.approx(0.01)


def us(day: str) -> int:
    return int(datetime.fromisoformat(day).replace(tzinfo=UTC).timestamp() * 1e6)


def test_a_calibration_between_baseline_and_window_does_not_cancel() -> None:
    old = CalibrationConfig(uncertainty=0.003)
    new = CalibrationConfig(valid_from=datetime(2031, 3, 1).date(), uncertainty=0.004, certificate="INV-2")
    made = force_rig(AxisConfig(channel="load"), AxisConfig(channel="motion"))
    load = ChannelConfig.model_construct(**{**dict(made.channel[0]), "calibration": (old, new)})
    time = TimeConfig(kind="datetime", column="t", format="%Y-%m-%d %H:%M:%S", sample_rate="50 Hz")
    made = made.model_copy(update={"channel": (load, made.channel[1]), "time": time})
    before = replace(VALUES, between_us=(us("2031-02-01"), us("2031-02-02")))
    after = replace(VALUES, between_us=(us("2031-04-01"), us("2031-04-02")))
    assert calibrations_at(load, made, before.between_us) == (old,)
    assert calibrations_at(load, made, after.between_us) == (new,)
    assert recalibrated(our_measures()["secant_stiffness"], made, -0.1, before, before) == ()
    (part,) = recalibrated(our_measures()["secant_stiffness"], made, -0.1, before, after)
    assert part.u == pytest.approx(0.5 * 0.9 * math.hypot(0.003, 0.004))


def test_a_coarse_clock_is_a_part_of_every_time_and_of_a_rate_by_its_span(tmp_path: Path) -> None:
    rig = written(tmp_path, 'uncertainty = "0 %"\n', 'uncertainty = "0 %"\n')
    fine = u_of("period_s", rig, 2.0)
    coarse = rig.model_copy(update={"time": rig.time.model_copy(update={"resolution": 0.1})})
    assert math.sqrt(u_of("period_s", coarse, 2.0) ** 2 - fine**2) == pytest.approx(0.1 / math.sqrt(6.0))
    spans = replace(VALUES, between_us=(0, 20_000_000))
    before, after = (u_of("rate_end_per_h", one, 3.0, spans) for one in (rig, coarse))
    assert math.sqrt(after**2 - before**2) == pytest.approx(3.0 * 0.1 / 20.0 / math.sqrt(6.0))
    draw = np.random.default_rng(7)
    ends = draw.uniform(0.0, 1.0, (2, 200_000))
    seen = np.floor((ends[1] + 2.0) / 0.1) * 0.1 - np.floor(ends[0] / 0.1) * 0.1 - (ends[1] + 2.0 - ends[0])
    assert seen.std() == pytest.approx(0.1 / math.sqrt(6.0), rel=0.02)
