"""Figures as printed: the GUM's examples, and that no rounding makes a statement stronger than it is."""

from __future__ import annotations

import math
import warnings
from decimal import Decimal
from math import inf, nan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.check.rounding import bound, decimal_of, decimals_of, probability_text, risk_text, rounded

VALUE = st.floats(-1e12, 1e12)
U = st.floats(1e-10, 1e12)


def number(text: str) -> Decimal:
    """Return a printed number as a decimal."""
    return Decimal(text.replace(",", ""))


# JCGM 100:2008, 7.2.6 [from memory]: 10.47 up to 11, 28.05 down to 28, 10.057 62 with 0.027 to 10.058.
@pytest.mark.parametrize(
    ("value", "u", "printed"),
    [
        (10.05762, 0.027, ("10.058", "0.027")),
        (150.0, 10.47, ("150", "11")),
        (150.0, 28.05, ("150", "28")),
        (50_000_838.0, 92.5, ("50,000,838", "93")),  # GUM H.1
        (127.732, 0.0711, ("127.732", "0.071")),  # GUM H.2
        (-0.1494, 0.0041, ("-0.1494", "0.0041")),  # GUM H.3
        (-3.93, 0.0996, ("-3.93", "0.10")),
        (12345.678, 1234.0, ("12,300", "1,300")),  # 1,200 would lose 2.8 %
        (56.0, 9960.0, ("0", "10,000")),
        (-0.0004, 0.02, ("0.000", "0.020")),
        (0.0, 0.5, ("0.00", "0.50")),
        (1e-15, 1e-17, ("1.000e-15", "1.0e-17")),
    ],
)
def test_value_and_uncertainty_go_to_the_same_decimal(value: float, u: float, printed: tuple[str, str]) -> None:
    assert rounded(value, u) == printed


@given(VALUE, U)
def test_an_uncertainty_has_two_digits_and_is_never_understated(value: float, u: float) -> None:
    text, of = rounded(value, u)
    exact, short = Decimal(repr(u)), number(of)
    assert short >= exact * Decimal("0.975")
    assert short <= exact * Decimal("1.1")
    assert len(f"{short:E}".partition("E")[0].replace(".", "").rstrip("0")) <= 2
    last = Decimal(1).scaleb(short.adjusted() - 1)
    assert abs(number(text) - Decimal(repr(value))) <= last / 2
    if "e" not in text + of:
        assert len(text.partition(".")[2]) == len(of.partition(".")[2])


@pytest.mark.parametrize(
    ("value", "printed"),
    [(3.14159, "3.142"), (123456.7, "123,500"), (0.00001234567, "0.00001235"), (0.0, "0"), (-9.99996, "-10.000")],
)
def test_a_value_without_an_uncertainty_has_four_digits(value: float, printed: str) -> None:
    for u in (None, nan, inf, -1.0):
        assert rounded(value, u) == (printed, "not known")


def test_a_value_with_an_uncertainty_is_rounded_as_it_is() -> None:
    below = float(np.float32(2.675))  # 2.67499995
    assert rounded(below, 0.1) == ("2.67", "0.10")
    assert rounded(below, 0.0) == ("2.675", "0")


def test_an_exact_value_keeps_its_digits() -> None:
    assert rounded(1_999_970.0, 0.0) == ("1,999,970", "0")
    assert rounded(0.125, 0.0) == ("0.125", "0")


@pytest.mark.parametrize("value", [None, nan, inf, -inf])
def test_what_was_not_measured_is_said(value: float | None) -> None:
    assert rounded(value, 0.1) == ("not measured", "not known")
    assert bound(value, 0.1, "at least") == "not measured"


def test_bounds() -> None:
    assert bound(4.8896, None, "at least") == "at least 4.889"
    assert bound(4.8896, None, "at most") == "at most 4.890"
    assert bound(4.889, 0.12, "at least") == "at least 4.88"
    assert bound(-4.881, 0.12, "at most") == "at most -4.88"
    for no_width in (0.0, nan, inf, -1.0):
        assert bound(4.8896, no_width, "at least") == "at least 4.889"


def test_numbers_are_written_out_up_to_fifteen_digits() -> None:
    assert rounded(1.5e14, 1e13) == ("150,000,000,000,000", "10,000,000,000,000")
    assert rounded(1.5e15, 1e14) == ("1.50e+15", "100,000,000,000,000")
    assert rounded(1e15, 2e16) == ("1e+15", "2.0e+16")
    assert rounded(1.5e-12, None)[0] == "0.000000000001500"
    assert rounded(1.5e-13, None)[0] == "1.500e-13"


@given(VALUE, st.one_of(st.none(), st.just(0.0), U), st.sampled_from(["at least", "at most"]))
def test_a_bound_stays_true(value: float, u: float | None, side: str) -> None:
    printed = number(bound(value, u, side).removeprefix(side).strip())  # type: ignore[arg-type]
    assert printed <= Decimal(repr(value)) if side == "at least" else printed >= Decimal(repr(value))


def test_probabilities_that_no_model_can_promise_are_bounds() -> None:
    cases = {
        0.0: "< 0.1 %", 0.00099: "< 0.1 %", 0.001: "0.1 %", 0.5: "50.0 %", 0.97725: "97.7 %", 0.999: "99.9 %",
        0.99901: "> 99.9 %", 1.0: "> 99.9 %", nan: "not known", -0.1: "not known", 1.1: "not known",
    }  # fmt: skip
    assert {p: probability_text(p) for p in cases} == cases
    assert probability_text(None) == "not known"


def test_risks_are_rounded_up() -> None:
    cases = {0.02275013: "2.3 %", 0.05: "5 %", 0.0494715: "5 %", 0.5: "50 %", 0.00134990: "0.14 %", 0.001: "0.1 %"}
    assert {p: risk_text(p) for p in cases} == cases
    assert risk_text(9.9e-10) == "0.000001 %"


@given(st.floats(1e-7, 0.5))
def test_a_printed_risk_is_never_below_the_risk(risk: float) -> None:
    printed = Decimal(risk_text(risk).removesuffix(" %"))
    assert printed >= 100 * Decimal(repr(risk)) * (1 - Decimal("1e-8"))
    assert printed <= 100 * Decimal(repr(risk)) * Decimal("1.1") + Decimal("1e-6")


@given(st.floats(width=32, allow_nan=False, allow_infinity=False) | st.floats() | st.integers(-(1 << 40), 1 << 40))
def test_a_number_of_single_precision_is_its_shortest_decimal(value: float) -> None:
    found = decimal_of(float(value))
    (of_many,) = decimals_of(np.array([float(value)])).tolist()
    assert of_many == found or (math.isnan(of_many) and math.isnan(found))
    with np.errstate(over="ignore"):
        single = np.float32(value)
    if float(single) != value or float(value).is_integer():
        assert found == value or math.isnan(found)
    else:
        assert np.float32(found) == single
        assert len(repr(found)) <= len(repr(float(value)))


def test_numbers_beyond_single_precision_are_what_they_are_without_a_warning() -> None:
    beyond = [1e300, -1e300, 1e39, nan, inf, 1e-300, 4.5e15 + 0.5]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        np.testing.assert_equal(decimals_of(np.array(beyond)), beyond)
        np.testing.assert_equal([decimal_of(value) for value in beyond], beyond)


def test_what_a_rig_wrote_is_what_is_printed() -> None:
    assert [decimal_of(float(np.float32(x))) for x in (23.1, -0.3, 4.1, 1e-5)] == [23.1, -0.3, 4.1, 1e-5]
    assert decimal_of(23.1) == 23.1
    assert rounded(float(np.float32(23.1)), 0.0)[0] == "23.1"
