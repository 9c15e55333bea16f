"""Bad input: a remark and no number, or a wider one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchpipe.drift.night import DriftResult, drift_night
from benchpipe.drift.watched import DAY_US
from tests.drift.drawn import CYCLES, DAY, STATED, block_of, cycles_of


def since_baseline(result: DriftResult, measure: str = "secant_stiffness") -> dict[str, object]:
    return next(r for r in result.phases if (r["measure"], r["phase"]) == (measure, "since baseline"))


def width(result: DriftResult) -> float:
    row = since_baseline(result)
    return float(row["high"]) - float(row["low"])  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def sound() -> DriftResult:
    return drift_night(block_of(), cycles_of(), complete=True)


def test_a_thermometer_that_sticks_takes_its_days_out_of_the_trend() -> None:
    cycles = cycles_of()
    assert cycles.temperature_c is not None
    stuck = cycles.temperature_c.copy()
    stuck[6 * DAY : 7 * DAY] = 23.0
    result = drift_night(block_of(), replace(cycles, temperature_c=stuck), complete=True)
    assert result.events == []
    assert any("thermometer" in remark for remark in result.remarks)
    assert any("not separable" in remark for remark in result.remarks)
    assert not result.trends["separable"].all()


def test_a_thermometer_that_jumps_makes_no_event(sound: DriftResult) -> None:
    cycles = cycles_of()
    assert cycles.temperature_c is not None
    jumped = cycles.temperature_c + 5.0 * (cycles.cycle > 8 * DAY)
    result = drift_night(block_of(), replace(cycles, temperature_c=jumped), complete=True)
    assert not any(row["found"] == "online" for row in result.events)
    assert any("jumped" in remark for remark in result.remarks)
    assert sound.events == []


@pytest.mark.parametrize("after", [-4, -1, 0, 1, 4])
def test_a_thermometer_that_jumps_about_midnight_makes_no_event(after: int) -> None:
    cycles = cycles_of()
    assert cycles.temperature_c is not None
    midnight = int(np.flatnonzero(np.diff(cycles.start_us // DAY_US))[7]) + 1
    jumped = cycles.temperature_c + 10.0 * (np.arange(cycles.cycle.size) >= midnight + after)
    result = drift_night(block_of(), replace(cycles, temperature_c=jumped), complete=True)
    assert result.events == []
    assert any("jumped" in remark for remark in result.remarks)


def test_without_a_thermometer_the_interval_is_wider_and_warmth_no_event(sound: DriftResult) -> None:
    result = drift_night(block_of(), cycles_of(temperature=False), complete=True)
    assert not any(row["found"] == "online" for row in result.events)
    assert width(result) > width(sound)
    assert since_baseline(result)["coefficient_per_k"] is None
    assert "time of day" in str(since_baseline(result)["remark"])


def test_a_plan_may_state_the_coefficient() -> None:
    result = drift_night(block_of(coefficients=STATED), cycles_of(), complete=True)
    assert since_baseline(result)["coefficient_per_k"] == -0.005
    assert "plan" in str(since_baseline(result)["remark"])


@pytest.mark.parametrize("n", [1, 2, 10, 200])
def test_a_run_of_few_cycles_has_remarks_and_no_numbers(n: int) -> None:
    result = drift_night(block_of(), cycles_of(n), complete=True)
    assert result.events == []
    assert result.phases == []
    assert result.forecasts[0]["cycle"] is None
    assert any("are needed to look for events" in remark for remark in result.remarks)
    assert int(result.trends["used"][result.trends["measure"] == "energy_j"].sum()) == n


def test_no_cycles_at_all() -> None:
    result = drift_night(block_of(), cycles_of(0), complete=True)
    assert result.remarks == ["no whole day yet: drift looks at a day's border"]


def test_a_gap_of_a_week_makes_no_event() -> None:
    result = drift_night(block_of(), cycles_of(gap=(5 * DAY, 7 * 86400.0)), complete=True)
    assert not any(row["found"] == "online" for row in result.events)


def test_a_step_over_a_gap_names_the_gap_as_its_interval() -> None:
    cycles = cycles_of(gap=(5 * DAY, 7 * 86400.0), step_at=5 * DAY + 1)
    result = drift_night(block_of(), cycles, complete=True)
    row = next(row for row in result.events if row["found"] == "online")
    assert row["cycle_low"] <= 5 * DAY + 1 <= row["cycle_high"]


def test_a_baseline_that_was_never_reached() -> None:
    result = drift_night(block_of(baseline=(CYCLES + 1, CYCLES + 500)), cycles_of(), complete=True)
    assert since_baseline(result)["change"] is None
    assert result.forecasts[0]["remark"] == "the baseline was not reached"
    assert any("no baseline yet" in remark for remark in result.remarks)


def test_a_measure_that_is_null_in_half_of_the_cycles_still_shows_its_step() -> None:
    cycles = cycles_of(step_at=7 * DAY)
    half = cycles.values["secant_stiffness"].copy()
    half[::2] = np.nan
    result = drift_night(block_of(), replace(cycles, values={**cycles.values, "secant_stiffness": half}), complete=True)
    row = next(row for row in result.events if row["found"] == "online")
    assert row["cycle_low"] <= 7 * DAY <= row["cycle_high"]


def test_a_measure_with_hardly_a_value_is_named_and_one_without_any_is_none() -> None:
    cycles = cycles_of()
    energy, backlash = np.full(CYCLES, np.nan), np.full(CYCLES, np.nan)
    energy[:20] = cycles.values["energy_j"][:20]
    values = {**cycles.values, "energy_j": energy, "loss_factor": backlash}
    result = drift_night(block_of(), replace(cycles, values=values), complete=True)
    assert result.events == []
    assert any("too few usable bins: energy_j" in remark for remark in result.remarks)
    assert not any("loss_factor" in remark for remark in result.remarks)


def with_values(**values: np.ndarray) -> DriftResult:
    cycles = cycles_of()
    return drift_night(block_of(), replace(cycles, values={**cycles.values, **values}), complete=True)


def part_of(part: slice) -> np.ndarray:
    """The stiffness without a part of its cycles."""
    values = cycles_of().values["secant_stiffness"].copy()
    values[part] = np.nan
    return values


def test_a_measure_without_any_value_is_named_and_so_is_one_that_is_scaled_by_it() -> None:
    result = with_values(secant_stiffness=np.full(CYCLES, np.nan))
    assert {row["measure"] for row in result.phases} == {"energy_j"}
    assert result.forecasts[0]["cycle"] is None
    assert "no value in any cycle: secant_stiffness" in result.remarks
    assert any("no level" in r and "motion_mean (by secant_stiffness)" in r for r in result.remarks)


def test_a_measure_that_is_zero_is_named() -> None:
    assert any("no level" in r and "energy_j" in r for r in with_values(energy_j=np.zeros(CYCLES)).remarks)


def test_a_measure_that_begins_late_has_the_level_of_its_own_first_day(sound: DriftResult) -> None:
    result = with_values(secant_stiffness=part_of(slice(CYCLES // 3)))
    assert not any(row["found"] == "online" for row in result.events)
    row = since_baseline(result)
    assert row["baseline_first"] >= CYCLES // 3 - 72  # type: ignore[operator]
    assert abs(float(row["change"])) < 0.002  # type: ignore[arg-type]
    assert width(result) > width(sound)


def test_a_measure_that_ended_is_not_forecast() -> None:
    result = with_values(secant_stiffness=part_of(slice(CYCLES // 2, None)))
    assert result.forecasts[0]["cycle"] is None
    assert not result.forecasts[0]["expected"]
    assert result.forecasts[0]["remark"] == "no usable bins in the last day"
    assert since_baseline(result)["change"] is None


def test_a_thermometer_that_jumps_each_day_is_not_used_and_makes_no_event() -> None:
    cycles = cycles_of()
    assert cycles.temperature_c is not None
    jumped = cycles.temperature_c.copy()
    for day in range(2, 13):
        jumped[day * DAY :] += 6.0 * (-1) ** day
    result = drift_night(block_of(), replace(cycles, temperature_c=jumped), complete=True)
    assert result.events == []
    assert "thermometer jumped 11 times: it is not used" in result.remarks
    assert since_baseline(result)["coefficient_per_k"] is None


@pytest.mark.parametrize("hours", [0.5, 1.5])
def test_a_step_in_the_last_hours_is_a_remark(sound: DriftResult, hours: float) -> None:
    result = drift_night(block_of(), cycles_of(step_at=CYCLES - round(36 * hours)), complete=True)
    assert not any(row["found"] == "online" for row in result.events)
    assert any("the last hours depart" in r and "secant_stiffness" in r for r in result.remarks)
    assert sound.remarks == []


def test_a_constant_measure_makes_no_event() -> None:
    cycles = cycles_of()
    values = {**cycles.values, "energy_j": np.full(CYCLES, 3.0)}
    result = drift_night(block_of(), replace(cycles, values=values), complete=True)
    assert not any(row["found"] == "online" for row in result.events)


@pytest.mark.parametrize("at", [10, CYCLES - 20, CYCLES])
def test_a_step_in_the_first_or_last_bin_makes_no_alarm(at: int) -> None:
    result = drift_night(block_of(), cycles_of(step_at=at), complete=True)
    assert not any(row["alarm"] for row in result.events)


def test_outliers_make_no_event() -> None:
    cycles = cycles_of()
    wild = cycles.values["secant_stiffness"].copy()
    wild[::97] *= 1.5
    result = drift_night(block_of(), replace(cycles, values={**cycles.values, "secant_stiffness": wild}), complete=True)
    assert not any(row["found"] == "online" for row in result.events)
