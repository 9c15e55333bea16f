"""Comparisons of invented readings: design, families, margin, words."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from benchpipe.compare.run import compare_readings
from benchpipe.kernels.difference import paired, welch
from tests.compare.invented import reading, readings, study
from tests.kernels.test_difference import SHOES_A, SHOES_B

RNG = np.random.default_rng(3)


def compared(some: list, config: object):
    return compare_readings(some, config.measure[0], config)


def test_pairs_are_used_where_the_same_specimens_are_under_both() -> None:
    found = compared(readings({"A": SHOES_A, "B": SHOES_B}, paired=True), study("AB"))
    (one,) = found.comparisons
    by_hand = paired(np.log(SHOES_B), np.log(SHOES_A))
    assert (one.method, found.design) == ("paired, one comparison", "pairs: the same specimen under several variants")
    assert one.value == pytest.approx(math.expm1(by_hand.value))
    assert (one.low, one.high) == pytest.approx(tuple(map(math.expm1, by_hand.interval())))
    assert one.p == pytest.approx(by_hand.p)
    assert one.equivalence_p == pytest.approx(by_hand.equivalence_p(-math.log(1.077), math.log(1.077)))
    assert one.outcome == "equivalent"
    assert one.words == "within the margin of 7.7 %, and a difference is found"
    assert one.runs[:2] == ("A-0", "A-1")


def test_specimens_apart_go_by_welch() -> None:
    found = compared(readings({"A": SHOES_A, "B": SHOES_B}), study("AB"))
    (one,) = found.comparisons
    assert one.p == pytest.approx(welch(np.log(SHOES_B), np.log(SHOES_A)).p)
    assert one.outcome == "not decided"
    assert one.words == "no difference found, which does not show that they are the same within 7.7 %"
    assert one.next_pairs > 20


def test_cycles_and_mounts_of_a_specimen_are_no_specimens() -> None:
    some = [reading("A", f"a{i % 3}", 10.0 + 0.1 * (i % 3) + 0.01 * i, run=f"A{i}") for i in range(9)]
    some += [reading("B", f"b{i}", 11.0 + 0.1 * i) for i in range(3)]
    found = compared(some, study("AB"))
    assert [group.n_specimens for group in found.groups] == [3, 3]
    assert [group.n_runs for group in found.groups] == [9, 3]
    assert found.comparisons[0].n == 3
    (scatter,) = found.scatter
    assert (scatter.variant, scatter.n_specimens, scatter.n_runs) == ("A", 3, 9)
    assert scatter.between_interval[0] <= scatter.between <= scatter.between_interval[1]


def test_too_few_specimens_are_refused_and_named() -> None:
    one = compared(readings({"A": [10.0], "B": [11.0, 11.1, 11.2]}), study("AB")).comparisons[0]
    assert (one.outcome, math.isnan(one.value)) == ("not analysed", True)
    assert one.words == "1 specimen of A: scatter between specimens is not known with fewer than 2"
    none = compared(readings({"B": [11.0, 11.1, 11.2]}), study("AB")).comparisons[0]
    assert none.words == "no specimen of A has a reading"
    two = compared(readings({"A": [10.0, 10.1], "B": [11.0, 11.1, 11.2]}), study("AB")).comparisons[0]
    assert two.words == "2 specimens in a group: Welch's test needs 3"


def test_a_variant_on_a_rig_of_its_own_is_confounded_and_not_analysed() -> None:
    some = readings({"A": [10.0, 10.1, 10.2]}, rig="Rig One") + readings({"B": [12.0, 12.1, 12.2]}, rig="Rig Two")
    one = compared(some, study("AB")).comparisons[0]
    assert one.outcome == "not analysed"
    assert one.not_analysed == "confounded with rig: B only on rig Rig Two, A only on Rig One"


def test_one_day_for_each_variant_is_confounded_and_a_day_for_each_specimen_is_not() -> None:
    days = [reading(v, f"{v}{i}", 10.0 + 0.1 * i, day=f"2026-01-0{1 + (v == 'B')}") for v in "AB" for i in range(3)]
    assert "confounded with day" in compared(days, study("AB")).comparisons[0].not_analysed
    apart = [
        reading(v, f"{v}{i}", 10 + 0.1 * i, day=f"2026-01-{1 + i + 3 * (v == 'B'):02}") for v in "AB" for i in range(3)
    ]
    assert compared(apart, study("AB")).comparisons[0].not_analysed == ""


def test_rigs_are_blocks_where_they_hold_several_variants() -> None:
    some = [
        reading(v, f"{v}{i}{rig}", value * (1.3 if rig == "Two" else 1.0), rig=f"Rig {rig}")
        for rig in ("One", "Two") for v, start in (("A", 10.0), ("B", 10.5))
        for i, value in ((0, start), (1, 1.01 * start))
    ]  # fmt: skip
    found = compared(some, study("AB"))
    assert found.design == "blocks: rig"
    one = found.comparisons[0]
    assert one.value == pytest.approx(0.05)
    assert one.high - one.low < 0.05


def test_what_rigs_share_cancels_on_one_rig_and_counts_over_two() -> None:
    values = {"A": [10.0, 10.1, 10.2, 10.0], "B": [10.5, 10.6, 10.4, 10.5]}
    one_rig = compared(readings(values, shared_u=0.2), study("AB")).comparisons[0]
    assert one_rig.shared_u == pytest.approx(0.0, abs=1e-12)
    uneven = readings(values, shared_u=0.2)
    uneven[0] = reading("A", "A0", 10.0, shared_u=0.2, rig="Rig Two")
    over_two = compare_readings(uneven, study("AB").measure[0], study("AB", block="none"))
    assert over_two.comparisons[0].shared_u == pytest.approx(0.25 * np.hypot(0.02, np.median([0.2 / v for v in
        [10.1, 10.2, 10.0, 10.5, 10.6, 10.4, 10.5]])), rel=1e-9)  # fmt: skip
    assert over_two.comparisons[0].high - over_two.comparisons[0].low > one_rig.high - one_rig.low
    assert "rigs are spread unevenly over the variants" in " ".join(over_two.notes)


def test_dunnett_against_the_reference_agrees_with_scipy() -> None:
    values = {"A": [10.0, 10.4, 10.2, 9.9], "B": [10.9, 11.0, 10.7, 11.3], "C": [10.1, 10.5, 10.2, 10.6]}
    config = study("ABC", measure=[{"name": "x", "block": "b", "scale": "difference", "margin": "0.5 N*m/deg"}])
    found = compared(readings(values), config)
    other = stats.dunnett(*(np.array(values[v]) for v in "BC"), control=np.array(values["A"]), random_state=2)
    by_variant = {one.variant: one for one in found.comparisons}
    assert [by_variant[v].family_p for v in "BC"] == pytest.approx(other.pvalue, abs=5e-4)
    interval = other.confidence_interval()
    assert [by_variant[v].low for v in "BC"] == pytest.approx(interval.low, abs=2e-3)
    assert found.comparisons[0].variant == "B"  # worst first


def test_tukey_agrees_with_scipy() -> None:
    values = {"A": [10.0, 10.4, 10.2, 9.9], "B": [10.9, 11.0, 10.7, 11.3], "C": [10.1, 10.5, 10.2, 10.6]}
    found = compared(readings(values), study("ABC", family="tukey"))
    other = stats.tukey_hsd(*(np.log(v) for v in values.values()))
    at = {"A": 0, "B": 1, "C": 2}
    for one in found.comparisons:
        assert one.family_p == pytest.approx(other.pvalue[at[one.variant], at[one.reference]], rel=1e-6)
        low = other.confidence_interval().low[at[one.variant], at[one.reference]]
        assert one.low == pytest.approx(math.expm1(low), rel=1e-6)


def test_an_unbalanced_block_design_falls_back_to_holm_and_says_so() -> None:
    some = readings({"A": [10.0, 10.4, 10.2, 9.9], "B": [10.9, 11.0, 10.7, 11.3], "C": [10.1, 10.5, 10.2]}, paired=True)
    found = compared(some, study("ABC"))
    assert "Dunnett needs a balanced design: Holm in its place" in found.notes
    assert all("Holm" in one.method for one in found.comparisons)


def test_loops_at_different_amplitudes_and_ages_are_named() -> None:
    some = readings({"A": [10.0, 10.1, 10.2]}) + readings(
        {"B": [12.0, 12.1, 12.2]}, load_range=90.0, motion_range=14.0, last=200
    )
    notes = " ".join(compared(some, study("AB")).notes)
    assert "loops at different amplitudes (load range 75 to 90, motion range 10 to 14)" in notes
    assert "runs are compared at different ages: cycles 100 to 200" in notes


def test_an_order_that_is_always_the_same_is_named() -> None:
    some = [reading(v, str(i), 10.0 + i + (v == "B"), order=1 + (v == "B")) for i in range(4) for v in "AB"]
    assert (
        "A always before B on a specimen: drift and wear are in their difference" in compared(some, study("AB")).notes
    )


def test_values_that_could_not_be_measured_are_named_and_left_out() -> None:
    some = [
        *readings({"A": [10.0, 10.1, 10.2], "B": [11.0, 11.1, 11.2]}),
        reading("B", "B9", math.nan, note="50 cycles so far"),
    ]
    found = compared(some, study("AB"))
    assert "B-B9: not in the comparison: 50 cycles so far" in found.notes
    assert found.comparisons[0].n == 3


def test_a_ranking_gives_probabilities() -> None:
    config = study("ABC", question="ranking", measure=[{"name": "x", "block": "b", "better": "higher"}])
    found = compared(readings({"A": [10.0, 10.4, 10.2], "B": [10.9, 11.0, 10.7], "C": [10.1, 10.5, 10.2]}), config)
    chances = dict(found.best)
    assert sum(chances.values()) == pytest.approx(1.0)
    assert chances["B"] > 0.9
    pairs = readings({"A": [10.0, 10.4, 10.2], "B": [10.9, 11.0, 10.7], "C": [10.1, 10.5, 10.2]}, paired=True)
    assert dict(compared(pairs, config).best)["B"] > 0.8


def test_rigs_and_mounts_make_a_gauge_study() -> None:
    some = [
        reading("A", f"a{i}", (10 + i) * by * (1 + 0.005 * k), rig=f"Rig {by}", run=f"{i}{by}{k}")
        for i in range(3) for by in (1.0, 1.02) for k in range(2)
    ]  # fmt: skip
    some += readings({"B": [12.0, 12.4, 12.3]})
    gauge = compared([r for r in some if r.variant == "A"], study("AB")).gauge
    assert gauge is not None
    assert gauge.repeatability == pytest.approx(math.log(1.005) / math.sqrt(2), rel=0.3)
    assert gauge.reproducibility == pytest.approx(math.log(1.02) / math.sqrt(2), rel=0.1)


def test_scatter_below_the_noise_of_the_readings_is_named() -> None:
    some = readings({"A": [10.0, 10.001, 10.002], "B": [11.0, 11.001, 11.002]}, own_u=0.1)
    assert "specimens scatter less" in " ".join(compared(some, study("AB")).notes)


def test_bumper_sets_of_their_own_are_named_and_can_be_blocks() -> None:
    some = readings({"A": [10.0, 10.1, 10.2]}, bumper_set="X") + readings({"B": [12.0, 12.1, 12.2]}, bumper_set="Y")
    words = "B only with bumper set Y, A only with X: their difference is that of the sets too"
    assert words in compared(some, study("AB")).notes
    same = readings({"A": [10.0, 10.1, 10.2]}, bumper_set="A") + readings({"B": [12.0, 12.1, 12.2]}, bumper_set="B")
    assert not any("bumper set" in note for note in compared(same, study("AB")).notes)
    both = [
        reading(v, f"{v}{i}", x * by, bumper_set=name)
        for name, by in (("X", 1.0), ("Y", 1.4)) for v, x in (("A", 10.0), ("B", 10.5)) for i in range(2)
        for x in [x * (1.0 + 0.01 * i)]
    ]  # fmt: skip
    found = compared(both, study("AB", block="bumper_set", run=[
        {"plan": "p.toml", "variant": v, "specimen": "s", "bumper_set": "X"} for v in "AB"
    ]))  # fmt: skip
    assert found.design == "blocks: bumper set"


def test_a_next_series_is_never_smaller_than_its_own_test_allows() -> None:
    found = compared(readings({"A": [10.0, 10.01, 10.02], "B": [12.0, 12.01, 12.02]}), study("AB")).comparisons[0]
    assert (found.method.split(",")[0], found.next_pairs) == ("Welch", 3)
