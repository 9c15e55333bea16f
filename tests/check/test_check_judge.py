"""What a limit says of values: each branch of the judge by itself (invented figures)."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from benchpipe.blocks.left_out import NAMES, LogClock
from benchpipe.blocks.values import Values
from benchpipe.check.case import Case, Judged
from benchpipe.check.judge import judge
from benchpipe.check.measures import our_measures
from benchpipe.config.limits import LimitConfig, LimitsConfig
from benchpipe.config.rig import RigConfig
from benchpipe.kernels.window_noise import fit_block_noise
from tests.benchmarks.verdicts import BLOCK, CYCLES, RIG, Drawn, window

HISTORY = 40.0 + np.random.default_rng(5).standard_normal(CYCLES)


def judged(values: Values, rig: RigConfig = RIG, head: dict[str, Any] | None = None, **keys: Any) -> Judged:
    plain = {
        "name": "x", "block": "b", "measure": "period_s", "statistic": "median", "operator": "<=", "value": "60 s",
        "source": "invented",
    }  # fmt: skip
    limit = LimitConfig.model_validate({**plain, **keys}, context="file")
    limits = LimitsConfig.model_validate({"name": "own", "basis": "invented", "limit": (limit,), **(head or {})})
    noises: Any = Drawn(fit_block_noise(HISTORY))
    clock = LogClock(50.0, (), False)
    tables: Any = None
    return judge(Case(limit, limits, our_measures()[limit.measure], rig, BLOCK, tables, noises, clock), values)  # type: ignore[arg-type]


def some(count: int = 100, **more: Any) -> Values:
    return replace(window(HISTORY[:count], 0), names=(), **more)


def hiding(reason: str, at: int, count: int = 100) -> Values:
    values = some(count)
    codes, whole = values.reason.copy(), values.whole.copy()
    codes[at], whole[at] = NAMES.index(reason), False
    return replace(values, reason=codes, whole=whole)


OFF = {"measure": "off_target", "statistic": "share"}


@pytest.mark.parametrize(
    ("accept", "share"),
    [({}, 12 / 110), ({"uncounted": "5 %", "why": "-"}, 12 / 110), ({"uncounted": "10 %", "why": "-"}, 2 / 100)],
)
def test_cycles_that_no_log_holds_count_as_off_target_unless_so_many_are_accepted(
    accept: dict[str, Any], share: float
) -> None:
    value = np.zeros(100)
    value[:2] = 1.0
    values = replace(some(), value=value, of=110, uncounted=10.0)
    keys = {"accept": accept} if accept else {}
    found = judged(values, value="2 %", **OFF, **keys)
    assert found.figure.value == pytest.approx(share)
    assert found.verdict == ("pass" if share <= 0.02 else "fail")


def test_a_mean_of_which_too_little_could_be_measured_is_no_figure() -> None:
    found = judged(some(measured=0.8), statistic="mean")
    assert found.verdict == "not evaluated"
    assert found.remark == "only 80% of what it is a mean of could be measured, 99% are asked for"
    assert judged(some(measured=0.8, why="sampled thinly"), statistic="mean").remark.endswith("; sampled thinly")
    assert judged(some(measured=0.99), statistic="mean").verdict == "pass"


@pytest.mark.parametrize("size", [98, 99])
def test_so_many_values_of_a_window_must_be_measured(size: int) -> None:
    values = some()
    values = replace(values, whole=np.arange(100) < size)
    found = judged(values)
    assert found.verdict == ("pass" if size == 99 else "not evaluated")
    if size == 98:
        assert found.remark == "only 98 of 100 could be measured, 99% are asked for"
    assert judged(values, head={"least_measured": "90 %"}).verdict == "pass"


@pytest.mark.parametrize(("statistic", "bound"), [("max", "at least"), ("min", "at most")])
def test_an_extreme_of_a_cycle_that_may_have_gone_further_is_a_bound(statistic: str, bound: str) -> None:
    at = int(HISTORY[:100].argmax() if statistic == "max" else HISTORY[:100].argmin())
    found = judged(hiding("saturated", at), statistic=statistic)
    assert (found.bound, found.at) == (bound, f"cycle {at + 1}")
    assert judged(some(), statistic=statistic).bound == ""


@pytest.mark.parametrize(("statistic", "operator", "verdict"), [("max", "<=", "inconclusive"), ("min", "<=", "pass")])
def test_what_was_not_measured_hides_a_violation_where_no_cycle_may_break_it(
    statistic: str, operator: str, verdict: str
) -> None:
    found = judged(hiding("gap", 30), statistic=statistic, operator=operator)
    assert found.verdict == verdict
    assert ("may hide a value that breaks it" in found.remark) is (verdict == "inconclusive")


def test_a_limit_that_one_cycle_must_reach_does_not_fail_by_what_is_hidden() -> None:
    assert judged(some(), statistic="max", operator=">=", value="60 s").verdict == "fail"
    found = judged(hiding("gap", 30), statistic="max", operator=">=", value="60 s")
    assert (found.verdict, "may hide" in found.remark) == ("inconclusive", True)


def test_a_last_value_is_not_proven_where_later_cycles_were_not_measured() -> None:
    assert judged(some(), statistic="last").verdict == "pass"
    found = judged(hiding("gap", 99), statistic="last")
    assert (found.verdict, "after cycle 99" in found.remark or "gap" in found.remark) == ("inconclusive", True)
    assert judged(some(uncounted=3.0, uncounted_after=3.0), statistic="last").verdict == "inconclusive"


HOLDS = {"measure": "range_of_motion", "block": "b", "operator": ">=", "value": "10 deg"}


@pytest.mark.parametrize(
    ("reason", "lost", "accept", "verdict"),
    [
        ("lost_rows", 0.5, None, "inconclusive"),
        ("lost_rows", 0.0001, None, "pass"),
        ("lost_rows", 0.5, {"lost_rows": "60 %", "why": "-"}, "pass"),
        ("saturated", 0.5, {"lost_rows": "60 %", "why": "-"}, "inconclusive"),
    ],
)
def test_a_sweep_of_which_too_many_rows_are_lost_proves_nothing(
    reason: str, lost: float, accept: dict[str, Any] | None, verdict: str
) -> None:
    sweeps = replace(window(np.array([21.0, 21.1, 20.9]), 0), u=np.full(3, 0.05), dof=np.full(3, 20.0))
    codes, share = sweeps.reason.copy(), sweeps.lost_share.copy()
    codes[1], share[1] = NAMES.index(reason), lost
    keys = {"accept": accept} if accept is not None else {}
    found = judged(replace(sweeps, reason=codes, lost_share=share), **HOLDS, **keys)
    assert found.verdict == verdict


def test_a_channel_without_an_uncertainty_is_no_verdict_unless_the_file_accepts_it() -> None:
    bare = RIG.model_copy(update={"channel": tuple(c.model_copy(update={"uncertainty": None}) for c in RIG.channel)})
    keys = {"measure": "peak_load", "value": "60 N*m"}
    found = judged(some(), bare, **keys)
    assert found.verdict == "not evaluated"
    assert found.remark == (
        "uncertainty of 'load' not stated: give uncertainty = \"...\" in its [[channel]] of the rig file"
    )
    taken = judged(some(), bare, {"undeclared": "accept"}, **keys)
    assert taken.verdict == "pass"
    assert taken.remark == "uncertainty of 'load' not stated, counted as exact by the limit file"
    assert judged(some(), bare, {"decision": "simple"}, **keys).verdict == "pass"
