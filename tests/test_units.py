"""Units: every factor and offset against pint, texts that must be read and texts that must be refused."""

from __future__ import annotations

import math

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.errors import ConfigError
from benchpipe.units import _ALIASES, INSIDE_UNIT, UNITS, find_unit, parse_quantity, parse_value

PINT = pint.UnitRegistry()
PINT_TEXT = {"%": "percent", "1": "dimensionless", "lbf*in": "lbf*inch", "in": "inch"}  # as pint writes them
VALUES = st.floats(-1e6, 1e6)
MEASURED = sorted(set(UNITS) - {"cycles", "times"})  # pint takes a cycle for a turn of 2 pi, and knows no times


@pytest.mark.parametrize("text", MEASURED)
@pytest.mark.parametrize("value", [0.0, 1.0, -37.5, 1234.5])
def test_every_unit_is_what_pint_says(text: str, value: float) -> None:
    unit = UNITS[text]
    inside = INSIDE_UNIT[unit.quantity]
    asked = PINT.Quantity(value, PINT_TEXT.get(text, text)).to(PINT_TEXT.get(inside, inside)).magnitude
    assert value * unit.factor + unit.offset == pytest.approx(asked, rel=1e-14, abs=1e-11)


@pytest.mark.parametrize("quantity", sorted(INSIDE_UNIT))
def test_the_inside_unit_has_factor_one(quantity: str) -> None:
    unit = UNITS[INSIDE_UNIT[quantity]]
    assert (unit.quantity, unit.factor, unit.offset) == (quantity, 1.0, 0.0)


def test_an_alias_means_a_unit_and_hides_none() -> None:
    for alias, text in _ALIASES.items():
        assert text in UNITS
        assert alias not in UNITS
        assert find_unit(f" {alias} ") is UNITS[text]


@given(VALUES, st.sampled_from(sorted(UNITS)))
def test_a_value_read_and_taken_back_is_itself(value: float, text: str) -> None:
    unit = UNITS[text]
    inside, quantity = parse_value(f"{value!r} {text}", unit.quantity)
    assert quantity == unit.quantity
    assert (inside - unit.offset) / unit.factor == pytest.approx(value, rel=1e-12, abs=1e-9)


@given(VALUES, st.sampled_from(["degC", "K", "degF"]), st.sampled_from(["degC", "K", "degF"]))
def test_temperatures_agree_with_pint_both_ways(value: float, here: str, there: str) -> None:
    inside = parse_quantity(f"{value!r} {here}", "temperature")
    back = (inside - UNITS[there].offset) / UNITS[there].factor
    assert back == pytest.approx(PINT.Quantity(value, here).to(there).magnitude, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(("text", "kelvin"), [("0.5 K", 0.5), ("0.5 degC", 0.5), ("0.9 degF", 0.5)])
def test_a_difference_of_temperatures_takes_no_offset(text: str, kelvin: float) -> None:
    assert parse_value(text, "temperature", difference=True)[0] == pytest.approx(kelvin)


@pytest.mark.parametrize(
    ("text", "quantity", "expected"),
    [
        ("80 mm", "length", 80.0),
        ("80mm", "length", 80.0),
        ("  80   mm ", "length", 80.0),
        ("8 cm", "length", 80.0),
        ("+.5 N·m", "torque", 0.5),
        ("5. Nm", "torque", 5.0),
        ("-1.5e3 N mm", "torque", -1.5),
        ("2_000_000 cycles", "count", 2e6),
        ("1E2 %", "ratio", 1.0),
        ("0.25", "ratio", 0.25),
        ("20 °C", "temperature", 20.0),
        ("90 1/min", "frequency", 1.5),
        ("0.1 °/h", "angle rate", 0.1),
        ("0.2 GPa", "stress", 200.0),
        ("250 N/mm²", "stress", 250.0),
        ("1500 microstrain", "ratio", 0.0015),
        ("0.4 mm/mm", "ratio", 0.4),
        ("0.3 strain", "ratio", 0.3),
    ],
)
def test_ways_to_write_a_value(text: str, quantity: str, expected: float) -> None:
    assert parse_quantity(text, quantity) == pytest.approx(expected, rel=1e-15)


@pytest.mark.parametrize(
    "text",
    ["", "mm", "1,5 mm", "1.234,5 mm", "1.2.3 mm", "2_ mm", "1__0 mm", "_1 mm", "nan mm", "inf mm", "--1 mm", "1e mm",
     "0x10 mm", "٣ mm", "80 mm 5", "80 m m"],
)  # fmt: skip
def test_what_is_no_value_is_refused(text: str) -> None:
    with pytest.raises(ConfigError):
        parse_quantity(text, "length")


def test_a_value_beyond_all_numbers_is_refused() -> None:
    with pytest.raises(ConfigError, match="too large"):
        parse_quantity("1e999 mm", "length")


def test_an_unknown_unit_names_the_nearest() -> None:
    with pytest.raises(ConfigError) as caught:
        find_unit("degc")
    assert caught.value.what == "unknown unit 'degc'"
    assert caught.value.expected is not None
    assert caught.value.expected.startswith("did you mean 'degC'?")


def test_a_unit_of_another_quantity_says_what_it_is_and_what_is_wanted() -> None:
    with pytest.raises(ConfigError) as caught:
        parse_quantity("80 mm", ("torque", "force"))
    assert caught.value.what == "'80 mm' is a length"
    assert caught.value.expected == "a torque, such as '1 N*m' or a force, such as '1 N'"


def test_an_angle_is_an_angle() -> None:
    with pytest.raises(ConfigError, match="'5 deg' is an angle"):
        parse_quantity("5 deg", "length")


@given(st.text(max_size=20))
def test_any_text_gives_a_finite_value_or_a_config_error(text: str) -> None:
    try:
        value, _ = parse_value(text, tuple(INSIDE_UNIT))
    except ConfigError:
        return
    assert math.isfinite(value)
