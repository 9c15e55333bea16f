"""Limits that do not fit their plan: which key, what is wrong, what is allowed (invented)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from benchpipe.check.measures import our_measures
from benchpipe.check.validate_limits import blocks_of, limit_unit, limits_fit
from benchpipe.errors import ConfigError
from benchpipe.run import RunConfig
from tests.check.judged import limit, run_with
from tests.check.test_check_case import one


def wrong(folder: Path, text: str, *more: str) -> ConfigError:
    """The error of a limit file whose first limit is this one."""
    with pytest.raises(ConfigError) as caught:
        run_with(folder, text, *more)
    return caught.value


COUNT = "'count' goes with cycles_done and what is counted in times, and only with them"
SHARE = "'share' goes with off_target, and only with it"
LAST_100: dict[str, Any] = {"last_cycles": 100}
SLOPE: dict[str, Any] = {"statistic": "slope"}
AFTER: dict[str, Any] = {"at_time": "9 min"}


@pytest.mark.parametrize(
    ("text", "key", "what", "expected"),
    [
        (limit("energy_j", "1 N"), "value", "the value is in N, energy_j (median) in J", "a value in J"),
        (limit("peak_load", "1 J"), "value", "the value is in J, peak_load (median) in N*m", "a value in N*m"),
        (limit("secant_stiffness", "1 J", statistic="change"), "value",
         "the value is in J, secant_stiffness (change) in 1", "a value in 1"),
        (limit("off_target", "1 J", statistic="share"), "value",
         "the value is in J, off_target (share) in 1", "a value in 1"),
        (limit("energy_j", "1 J", operator=">=", statistic="cycles_left"), "value",
         "the value is in J, energy_j (cycles_left) in cycles", "a value in cycles"),
        (limit("cycles_done", "9 cycles"), "statistic", COUNT, None),
        (limit("peak_load", "9 cycles", statistic="count"), "statistic", COUNT, None),
        (limit("lock_failures", "0 times", block="locking"), "statistic", COUNT, None),
        (limit("peak_load", "1 %", statistic="share"), "statistic", SHARE, None),
        (limit("off_target", "1 %", statistic="median"), "statistic", SHARE, None),
        (limit("motion_mean", "1 %", statistic="change"), "statistic",
         "'change' is a ratio to the baseline, which motion_mean does not have", None),
        (limit("temperature_c", "1 %", **SLOPE), "measure",
         "'slope' is of measures whose drift is watched, which temperature_c is not", None),
        (limit("energy_j", "1 %", operator=">=", statistic="step"), "operator", "'step' goes with <=", None),
        (limit("energy_j", "1 %", **SLOPE, **LAST_100), "last_cycles", "'slope' is taken over all that was run", None),
        (limit("energy_j", "1 %", **SLOPE, cycles=[1, 9]), "cycles", "'slope' is taken over all that was run", None),
        (limit("hold_time", "1 s", block="held", **LAST_100), "last_cycles",
         "hold_time is not taken over some cycles", None),
        (limit("cycles_done", "9 cycles", statistic="count", cycles=[1, 9]), "cycles",
         "cycles_done is not taken over some cycles", None),
        (limit("creep", "1 deg", block="held"), "measure", "creep needs at_time, such as '10 min'", None),
        (limit("creep_end", "1 deg", block="held", **AFTER), "at_time",
         "at_time is for creep and load lost, not for creep_end", None),
        (limit("creep", "1 deg", block="held", **AFTER), "at_time",
         "block 'held' does not report at 540 s: add it to report_at", None),
        (limit("load_lost", "1 N*m", block="relaxation", **AFTER), "at_time",
         "block 'stiff' does not report at 540 s: add it to report_at", None),
        (limit("creep_end", "1 deg", block="durability"), "block",
         "creep_end is a measure of hold blocks, 'durability' is not one", "known: hold, held"),
        (limit("days_to_calibration", "1 d", block="held"), "block",
         "days_to_calibration is a measure of run blocks, 'held' is not one", "known: run"),
        (limit("energy_j", "9 cycles", operator=">=", statistic="cycles_left"), "statistic",
         "no other limit of energy_j can be forecast: 'cycles_left' are those to a change, median, mean or last value "
         "that is limited", None),
    ],
)  # fmt: skip
def test_a_limit_that_does_not_fit_says_which_key_and_what_is_allowed(
    tmp_path: Path, text: str, key: str, what: str, expected: str | None
) -> None:
    error = wrong(tmp_path, text)
    name = text.partition("name = '")[2].partition("'")[0]
    assert error.what == f"limit '{name}': {what}"
    assert str(error.where).endswith(f", key limit[0].{key}")
    assert error.expected == expected


def test_both_ends_of_a_limit_are_named_where_their_unit_is_another(tmp_path: Path) -> None:
    text = limit("energy_j", "x", operator="within").replace("value = 'x'", "between = ['1 N', '2 N']")
    error = wrong(tmp_path, text)
    assert error.what == "limit 'energy_j': the value is in N, energy_j (median) in J"
    assert (str(error.where).endswith(", key limit[0].between"), error.expected) == (True, "a value in J")


def test_a_name_that_is_no_measure_is_answered_by_the_nearest(tmp_path: Path) -> None:
    error = wrong(tmp_path, limit("energy", "1 J"))
    assert error.what == "limit 'energy': unknown measure 'energy'"
    assert str(error.where).endswith(", key limit[0].measure")
    assert str(error.expected).startswith("did you mean 'energy_j'? (known: ")


def test_every_limit_that_does_not_fit_is_named_and_one_that_fits_is_not(tmp_path: Path) -> None:
    wrong_unit, no_block = limit("energy_j", "1 N"), limit("creep_end", "1 deg", block="durability")
    error = wrong(tmp_path, limit("peak_load", "90 N*m"), wrong_unit, no_block)
    assert str(error.where).endswith("key limit[1].value")
    (other,) = error.also
    assert "creep_end is a measure of hold blocks" in other
    assert "key limit[2].block" in other


def test_a_change_needs_a_baseline_in_every_block_of_its_kind(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("energy_j", "5 %", statistic="change", block="cyclic"))
    second = run.plan.block[0].model_copy(update={"name": "second", "baseline": None})
    more = type(run)(**{**vars(run), "plan": run.plan.model_copy(update={"block": (*run.plan.block, second)})})
    with pytest.raises(ConfigError, match="block 'second' of the plan has no baseline to") as caught:
        limits_fit(more)
    assert str(caught.value.where).endswith(", key limit[0].statistic")


def test_cycles_left_are_those_to_another_limit_of_the_same_measure_and_block(tmp_path: Path) -> None:
    left = limit("energy_j", "9 cycles", operator=">=", statistic="cycles_left").replace("'energy_j'", "'left'", 1)
    for sub, other in (("a", {"block": "durability"}), ("b", {"block": "cyclic"})):
        run_with(tmp_path / sub, left, limit("energy_j", "1 J", **other))
    assert "no other limit of energy_j" in wrong(tmp_path / "c", left, limit("peak_load", "90 N*m")).what
    assert "no other limit of energy_j" in wrong(tmp_path / "d", left, limit("energy_j", "1 J", statistic="max")).what


def unit_of(run: RunConfig, measure: str, statistic: str = "median") -> str:
    return limit_unit(one(measure=measure, statistic=statistic), our_measures()[measure], run)


def test_a_ratio_has_no_unit_and_all_else_that_of_the_run(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("peak_load", "90 N*m"))
    assert unit_of(run, "peak_load") == "N*m"
    assert unit_of(run, "secant_stiffness", "max") == "N*m/deg"
    assert unit_of(run, "energy_j", "last") == "J"
    assert {unit_of(run, "energy_j", name) for name in ("change", "slope", "step")} == {"1"}
    assert {unit_of(run, name, "share") for name in ("off_target", "energy_j")} == {"1"}
    assert unit_of(run, "energy_j", "cycles_left") == "cycles"


def test_a_limit_is_for_the_block_it_names_or_all_of_its_kind(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("peak_load", "90 N*m"))
    more = run.plan.block[1].model_copy(update={"name": "held-2"})
    run = type(run)(**{**vars(run), "plan": run.plan.model_copy(update={"block": (*run.plan.block, more)})})

    def names(block: str) -> list[str]:
        return [b.name for b in blocks_of(one(block=block, measure="creep_end"), our_measures()["creep_end"], run)]

    assert names("hold") == ["held", "held-2"]
    assert names("held-2") == ["held-2"]
    assert names("durability") == []  # of another kind
    assert names("nowhere") == []
