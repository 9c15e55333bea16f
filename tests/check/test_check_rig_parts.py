"""Budget parts of the rig file: each against its formula, or against differences of the figure itself (invented)."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from benchpipe.blocks.values import Through, Typical, Values, values_of
from benchpipe.check.budget import BudgetPart
from benchpipe.check.measures import our_measures
from benchpipe.check.rig_parts import (
    calibrations_at,
    channels_of,
    day_of,
    not_stated,
    recalibrated,
    rig_parts,
    sensitivity_of,
)
from benchpipe.config.channel import CalibrationConfig
from benchpipe.config.model import Quantity, load_model
from benchpipe.config.rig import AxisConfig, ChannelConfig, RigConfig, SecondConfig, TimeConfig
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


def parts_of(name: str, rig: RigConfig, value: float, values: Values = VALUES) -> list[tuple[str, float, str]]:
    """Name, standard uncertainty and note of each part."""
    found = rig_parts(our_measures()[name], rig, value, values)
    assert all((part.dof, part.kind) == (math.inf, "B") for part in found)
    return [(part.name, pytest.approx(part.u), part.note) for part in found]


def stated_rig(load: dict[str, object], motion: dict[str, object], **axis: object) -> RigConfig:
    """A rig with a load cell at a lever of 250 mm and an angle sensor; what is not given is not stated."""
    return RigConfig(
        name="r",
        time=TimeConfig(column="t", sample_rate="50 Hz"),
        channel=(
            ChannelConfig(name="load", column="f", unit="N", **load),  # type: ignore[arg-type]
            ChannelConfig(name="motion", column="x", unit="deg", **motion),  # type: ignore[arg-type]
        ),
        load=AxisConfig(channel="load", lever_arm="250 mm", **axis),  # type: ignore[arg-type]
        motion=AxisConfig(channel="motion"),
    )


CELL = {
    "uncertainty": 0.006, "uncertainty_floor": "2 N", "certificate": "INV-1",
    "resolution": "0.4 N", "drift_per_day": "0.3 N",
}  # fmt: skip
DAY = 86_400_000_000
OVER_DAYS = replace(VALUES, between_us=(5 * DAY, 8 * DAY), begun_us=4 * DAY)
GEOMETRY = ("lever arm of the load", 40.0 * 0.004 / 2.0, "geometry_uncertainty of the rig file")


def test_every_part_of_a_reading_has_its_name_its_size_and_where_it_is_from() -> None:
    rig = stated_rig(CELL, {}, geometry_uncertainty=0.004)
    certificate = ("calibration of 'load'", math.hypot(0.006 * 40.0, 0.25 * 2.0) / 2.0, "certificate INV-1")
    digit = ("resolution of 'load'", 0.25 * 0.4 / 2.0 / math.sqrt(3.0), "one digit, declared")
    drift = ("zero drift of 'load'", 0.25 * 0.3 * 4.0 / math.sqrt(3.0), "over 4 d")
    assert parts_of("peak_load", rig, 40.0, OVER_DAYS) == [certificate, GEOMETRY, digit, drift]
    since_window = ("zero drift of 'load'", 0.25 * 0.3 * 3.0 / math.sqrt(3.0), "over 3 d")
    at_once = replace(OVER_DAYS, between_us=(4 * DAY, 4 * DAY))
    assert parts_of("peak_load", rig, 40.0, at_once) == [certificate, GEOMETRY, digit]
    no_start = replace(OVER_DAYS, begun_us=None)
    assert parts_of("peak_load", rig, 40.0, no_start) == [certificate, GEOMETRY, digit, since_window]


def test_a_range_has_two_digits_and_no_drift_of_the_zero() -> None:
    rig = stated_rig(CELL, {}, geometry_uncertainty=0.004)
    certificate = ("calibration of 'load'", math.hypot(0.006 * 40.0, 0.25 * 2.0) / 2.0, "certificate INV-1")
    digits = ("resolution of 'load'", math.sqrt(2.0) * 0.25 * 0.4 / 2.0 / math.sqrt(3.0), "one digit, declared")
    assert parts_of("load_range", rig, 40.0, OVER_DAYS) == [certificate, GEOMETRY, digits]


def test_the_geometry_of_either_axis_is_named() -> None:
    rig = stated_rig({"uncertainty": 0.0}, {"uncertainty": 0.0}, geometry_uncertainty=0.004)
    rig = rig.model_copy(update={"motion": AxisConfig(channel="motion", geometry_uncertainty=0.006)})
    of_motion = ("geometry of the motion", 40.0 * 0.006 / 2.0, "geometry_uncertainty of the rig file")
    assert parts_of("energy_j", rig, 40.0) == [GEOMETRY, of_motion]


def test_a_digit_that_is_not_declared_is_that_of_the_samples() -> None:
    rig = stated_rig({"uncertainty": 0.0}, {"uncertainty": 0.0})
    seen = replace(VALUES, typical=replace(TYPICAL, load_digit=0.8, motion_digit=0.03))
    as_seen = "one digit, as the samples show it"
    assert parts_of("valley_load", rig, 5.0, seen) == [
        ("resolution of 'load'", 0.25 * 0.8 / 2.0 / math.sqrt(3.0), as_seen)
    ]
    assert parts_of("motion_max", rig, 5.0, seen) == [("resolution of 'motion'", 0.03 / 2.0 / math.sqrt(3.0), as_seen)]
    assert parts_of("valley_load", rig, 5.0) == []
    assert parts_of("creep_end", rig, 5.0, seen) == []  # a fit to many readings


def test_a_temperature_has_the_certificate_and_the_digit_of_its_channel() -> None:
    warm = {"uncertainty": 0.01, "uncertainty_floor": "0.4 K"}
    plain = stated_rig({"uncertainty": 0.1}, {"uncertainty": 0.1})

    def rig(**more: object) -> RigConfig:
        channel = ChannelConfig(name="warmth", column="c", unit="degC", **warm, **more)  # type: ignore[arg-type]
        return plain.model_copy(update={"channel": (*plain.channel, channel), "temperature": "warmth"})

    certificate = ("calibration of 'warmth'", math.hypot(0.3, 0.4) / 2.0, "")
    digit = ("resolution of 'warmth'", 0.1 / 2.0 / math.sqrt(3.0), "one digit, declared")
    assert parts_of("temperature_c", rig(), 30.0) == [certificate]
    declared = rig(resolution="0.1 K")
    assert parts_of("temperature_c", declared, 30.0, OVER_DAYS) == [certificate, digit]


def test_a_figure_of_other_channels_follows_each_by_its_own_factor() -> None:
    rig = stated_rig({"uncertainty": 0.006, "uncertainty_floor": "2 N"}, {"uncertainty": 0.008})
    through = (Through("load", -2.0, 50.0), Through("motion", 3.0, math.nan), Through("load", 1.0, 0.0))
    assert parts_of("rocker_curvature", rig, 10.0, replace(OVER_DAYS, through=through)) == [
        ("calibration of 'load'", 20.0 * math.hypot(0.006, 2.0 / 50.0) / 2.0, ""),
        ("calibration of 'motion'", 30.0 * 0.008 / 2.0, ""),
        ("calibration of 'load'", 10.0 * 0.006 / 2.0, ""),  # of no range, a floor is no part
    ]


def test_a_difference_of_two_readings_of_one_channel_has_the_error_of_its_zero_twice() -> None:
    rig = stated_rig({"uncertainty_floor": "2 N"}, {"uncertainty": 0.0})
    assert parts_of("free_resistance", rig, 0.0) == [("calibration of 'load'", 0.25 * 2.0 / 2.0, "")]
    assert parts_of("asymmetry", rig, 0.0) == [("calibration of 'load'", 2.0 * 0.25 * 2.0 / 2.0, "")]


def test_behind_a_soft_machine_the_error_of_the_motions_zero_is_enlarged() -> None:
    rig = stated_rig({"uncertainty": 0.0}, {"uncertainty_floor": "0.2 deg"})
    soft = AxisConfig(channel="motion", machine_stiffness="400 N/mm")
    rig = rig.model_copy(update={"load": AxisConfig(channel="load"), "motion": soft})
    values = replace(VALUES, typical=Typical(load_range=LOAD, motion_range=MOTION, period_s=1.0))
    enlarged = (1.0 + LOAD / 400.0 / MOTION) * 0.2 / 2.0
    assert parts_of("motion_range", rig, 4.0, values) == [("calibration of 'motion'", enlarged, "")]


def test_channels_are_those_a_measure_is_made_of() -> None:
    plain = stated_rig({}, {})
    warm = ChannelConfig(name="warmth", column="c", unit="degC")
    rig = plain.model_copy(update={"channel": (*plain.channel, warm), "temperature": "warmth"})
    soft = rig.model_copy(update={"motion": MACHINE})

    def names(measure: str, of: RigConfig = rig, block: object = None) -> list[str]:
        return [channel.name for channel in channels_of(our_measures()[measure], of, block)]

    assert (names("peak_load"), names("motion_max"), names("period_s")) == (["load"], ["motion"], [])
    assert names("energy_j") == names("loss_factor") == names("secant_stiffness") == ["load", "motion"]
    assert (names("temperature_c"), names("temperature_c", plain)) == (["warmth"], [])
    assert (names("peak_load", soft), names("motion_max", soft)) == (["load"], ["motion", "load"])
    block = SimpleNamespace(measured_by={"cop": ("motion",), "ankle": (), "tilt": ("warmth", "motion")})
    assert names("rocker_curvature", rig, block) == ["motion", "warmth"]
    assert names("rocker_curvature") == []
    assert not_stated(our_measures()["rocker_curvature"], rig, block) == ("motion", "warmth")


def test_a_day_ends_at_midnight() -> None:
    assert [str(day_of(us("2031-03-01") + more)) for more in (-1, 0, DAY - 1, DAY)] == [
        "2031-02-28", "2031-03-01", "2031-03-01", "2031-03-02"
    ]  # fmt: skip
    assert str(day_of(-1)) == "1969-12-31"


def test_a_floor_of_a_rate_or_an_energy_is_a_part_of_the_range() -> None:
    rig = stated_rig({"uncertainty": 0.0}, {"uncertainty_floor": "0.02 deg"})
    for name, span in (("rate_end_per_h", 3.6), ("rate_end_per_h", 0.5), ("energy_j", 0.5)):
        values = replace(VALUES, typical=replace(TYPICAL, motion_range=span))
        assert parts_of(name, rig, -2.0, values) == [("calibration of 'motion'", 2.0 * 0.02 / span / 2.0, "")]


def test_what_is_not_of_cycles_follows_its_channel_alone() -> None:
    rig = stated_rig({}, {}).model_copy(update={"load": AxisConfig(channel="load"), "motion": MACHINE})
    for name in ("permanent_set", "creep_end"):
        found = sensitivity_of(our_measures()[name], rig, 1.0, TYPICAL)
        assert (found.load, found.motion, found.machine) == (0.0, 1.0, 0.0)
    found = sensitivity_of(our_measures()["motion_range"], rig, 1.0, replace(TYPICAL, motion_range=math.nan))
    assert (found.load, found.motion, found.machine) == (0.0, 1.0, 0.0)


def test_what_is_known_of_a_machine_is_a_part_of_its_own() -> None:
    channels = {"uncertainty": 0.0}
    rig = stated_rig(channels, channels).model_copy(update={"load": AxisConfig(channel="load"), "motion": MACHINE})
    values = replace(VALUES, typical=Typical(load_range=LOAD, motion_range=MOTION, period_s=1.0))
    moved = LOAD / 400.0 / MOTION  # of the machine over that of the specimen
    assert parts_of("motion_range", rig, 4.0, values) == [("machine stiffness", 4.0 * moved * 0.1 / 2.0, "rig file")]
    # a stiffness says itself how far the machine moves, whatever cycles usually do
    found = sensitivity_of(our_measures()["secant_stiffness"], rig, -100.0, values.typical)
    assert (found.load, found.motion, found.machine) == pytest.approx((1.25, -1.25, -0.25))
    sure = {channel: {"uncertainty": 0.005} for channel in ("load", "motion")}
    stated = stated_rig(sure["load"], sure["motion"]).model_copy(update={"load": rig.load, "motion": MACHINE})
    assert parts_of("secant_stiffness", stated, -100.0, values) == [
        ("calibration of 'load'", 125.0 * 0.005 / 2.0, ""), ("calibration of 'motion'", 125.0 * 0.005 / 2.0, ""),
        ("machine stiffness", 25.0 * 0.1 / 2.0, "rig file"),
    ]  # fmt: skip
    for span, machine in ((0.0, 0.0), (0.5, LOAD / 400.0 / 0.5)):
        typical = Typical(load_range=LOAD, motion_range=span, period_s=1.0)
        assert sensitivity_of(our_measures()["motion_range"], rig, 4.0, typical).machine == pytest.approx(machine)


def test_a_delay_turns_energy_and_loss_factor_and_the_second_logger_adds_that_of_its_clock() -> None:
    late = {"uncertainty": 0.0, "delay_uncertainty": 3e-3}
    rig = stated_rig(late, {"uncertainty": 0.0, "delay_uncertainty": 4e-3})
    angle = 2.0 * math.pi * 2.5e-3 / 0.5  # half of 5 ms, at 2 Hz
    values = replace(VALUES, typical=replace(TYPICAL, period_s=0.5))
    name = "delay between load and motion"
    energy = 0.25 * math.pi * 75.0 * 3.6 * math.pi / 180.0 * angle  # N*m and deg: J
    assert parts_of("energy_j", rig, 10.0, values) == [(name, energy, "rig file")]
    assert parts_of("loss_factor", rig, 0.1, values) == [(name, angle, "rig file")]
    assert parts_of("period_s", rig, 0.1, values) == []
    for unknown in (math.nan, 0.0):
        no_period = replace(VALUES, typical=replace(TYPICAL, period_s=unknown))
        assert parts_of("loss_factor", rig, 0.1, no_period) == []
    second = SecondConfig(files=("b*.csv",), time=rig.time, offset_uncertainty=12e-3)
    one_logger = rig.model_copy(update={"second": second})
    assert parts_of("loss_factor", one_logger, 0.1, values) == [(name, angle, "rig file")]
    moved = rig.channel[1].model_copy(update={"logger": "second"})
    both = one_logger.model_copy(update={"channel": (rig.channel[0], moved)})
    assert parts_of("loss_factor", both, 0.1, values) == [(name, 13.0 / 5.0 * angle, "rig file")]


def test_a_clock_is_a_part_of_times_and_of_rates_and_says_so() -> None:
    channels = {"uncertainty": 0.0}
    rig = stated_rig(channels, channels)
    rig = rig.model_copy(update={"time": rig.time.model_copy(update={"uncertainty": 0.01, "resolution": 0.1})})
    clock = ("clock", 2.0 * 0.01 / 2.0, "uncertainty of [time]")
    steps = ("resolution of the clock", 0.1 / math.sqrt(6.0), "the steps in which it counts")
    assert parts_of("period_s", rig, -2.0) == [clock, steps]
    at_once = replace(VALUES, between_us=(7, 7))  # a rate that was not taken over any time has no such part
    assert parts_of("rate_end_per_h", rig, -2.0, at_once) == [clock]
    assert parts_of("rate_end_per_h", rig, -2.0) == [clock]
    over = replace(VALUES, between_us=(5_000_000, 25_000_000))
    rate = ("resolution of the clock", 2.0 * 0.1 / 20.0 / math.sqrt(6.0), "the steps in which it counts")
    assert parts_of("loading_rate", rig, -2.0, over) == [clock, rate]


OLD = CalibrationConfig(uncertainty=0.003, certificate="INV-1")
NEW = CalibrationConfig(valid_from=datetime(2031, 3, 1).date(), uncertainty=0.004, certificate="INV-2")


def twice_calibrated() -> RigConfig:
    made = stated_rig({}, {"uncertainty": 0.0})
    load = ChannelConfig.model_construct(**{**dict(made.channel[0]), "calibration": (OLD, NEW)})
    time = TimeConfig(kind="datetime", column="t", format="%Y-%m-%d %H:%M:%S", sample_rate="50 Hz")
    return made.model_copy(update={"channel": (load, made.channel[1]), "time": time})


def test_calibrations_that_share_a_window_count_with_the_larger_and_are_both_named() -> None:
    rig = twice_calibrated()
    both = replace(VALUES, between_us=(us("2031-02-28"), us("2031-03-01")))
    assert parts_of("load_range", rig, 40.0, both) == [
        ("calibration of 'load'", 40.0 * 0.004 / 2.0, "certificate INV-1, INV-2")
    ]
    for day, relative, name in (("2031-02-27", 0.003, "INV-1"), ("2031-03-02", 0.004, "INV-2")):
        alone = replace(VALUES, between_us=(us(day), us(day)))
        expected = ("calibration of 'load'", 40.0 * relative / 2.0, f"certificate {name}")
        assert parts_of("load_range", rig, 40.0, alone) == [expected]
    load = rig.channel[0]
    assert calibrations_at(load, rig, (us("2031-02-27"), us("2031-02-28"))) == (OLD,)
    assert calibrations_at(load, rig, (us("2031-03-01"), us("2031-03-01"))) == (NEW,)
    assert calibrations_at(load, rig, None) == (OLD, NEW)
    undated = rig.model_copy(update={"time": TimeConfig(column="t", sample_rate="50 Hz")})
    assert calibrations_at(load, undated, (us("2031-03-01"), us("2031-03-01"))) == (OLD, NEW)


def test_a_recalibration_is_named_in_the_budget_of_a_change() -> None:
    before, after = (replace(VALUES, between_us=(us(day), us(day))) for day in ("2031-02-01", "2031-04-01"))
    found = recalibrated(our_measures()["load_range"], twice_calibrated(), 0.5, before, after)
    note = "recalibrated since the baseline: the errors do not cancel"
    assert found == (BudgetPart("calibrations of 'load'", found[0].u, math.inf, "B", note),)
    assert found[0].u == pytest.approx(1.5 * 0.0025)
    floors = ("0.1 N", "0.2 N")  # a change is a ratio: a floor alone says nothing of it
    older, newer = (one.model_copy(update={"uncertainty": None, "uncertainty_floor": floor})
                    for one, floor in zip((OLD, NEW), floors, strict=True))  # fmt: skip
    rig = twice_calibrated()
    load = ChannelConfig.model_construct(**{**dict(rig.channel[0]), "calibration": (older, newer)})
    rig = rig.model_copy(update={"channel": (load, rig.channel[1])})
    (part,) = recalibrated(our_measures()["load_range"], rig, 0.5, before, after)
    assert part.u == 0.0
