"""Calibration of raw numbers, against formulas and published calibration fits."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.config.rig import LogConfig, RigConfig
from benchpipe.errors import ConfigError
from benchpipe.ingest.calibrate import calibrated, channel_settings, without_sentinels
from benchpipe.kernels.polynomials import polynomial

# NIST StRD, Pontius (LOAD_CELL_CAL.DAT of the e-Handbook): certified coefficients of the quadratic.
PONTIUS = (6.73565789473684e-04, 7.32059160401003e-07, -3.16081871345029e-15)
# NIST/SEMATECH e-Handbook 2.3.6, LOADCELL.DAT: coefficients and their standard deviations as printed there
# ([M] from memory, not verified; the fit below gives the same digits).
LOADCELL = ((-0.183980e-04, 0.100102, 0.703186e-05), (0.2450e-04, 0.4838e-05, 0.2013e-06))


def rig(missing: tuple[str, ...] = (), **channel: Any) -> RigConfig:
    """A rig with one channel of force, in kN unless said otherwise."""
    return RigConfig.model_validate({
        "name": "rig", "log": {"missing": missing},
        "time": {"kind": "datetime", "format": "%Y-%m-%d %H:%M:%S", "column": "t", "sample_rate": "100 Hz"},
        "channel": [
            {"name": "force", "column": "F", "unit": "kN", **channel}, {"name": "x", "column": "x", "unit": "mm"},
        ],
        "load": {"channel": "force"}, "motion": {"channel": "x"},
    })  # fmt: skip


def values(raw: Any, time_us: Any = None, **channel: Any) -> np.ndarray:
    """Calibrated values of raw numbers."""
    raw = np.asarray(raw, np.float64)
    time = np.zeros(raw.size, np.int64) if time_us is None else np.asarray(time_us)
    return calibrated(raw, rig(**channel).find("force"), time)


def us(text: str) -> int:
    """Microseconds of a date and time."""
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * 1_000_000


def test_scale_and_offset_are_in_the_channels_unit() -> None:
    np.testing.assert_allclose(values([0.0, 1.0, -2.0], scale=2.5, offset=0.1), [100.0, 2600.0, -4900.0])
    celsius = rig().channel[1].model_copy(update={"unit": "degF"})
    np.testing.assert_allclose(calibrated(np.array([212.0, 32.0]), celsius, np.zeros(2, np.int64)), [100, 0], atol=1e-5)


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=30), st.lists(st.floats(-9, 9), min_size=1, max_size=5))
def test_a_polynomial_is_what_it_says(raw: list[float], terms: list[float]) -> None:
    expected = sum(c * np.array(raw) ** k for k, c in enumerate(terms)) * 1e3
    scale = sum(abs(c) * np.abs(raw) ** k for k, c in enumerate(terms)) * 1e3
    with np.errstate(over="ignore"):
        single = np.where(np.abs(expected) < 3e38, expected, np.nan)
    got = values(raw, calibration=[{"polynomial": terms}])
    near = np.abs(got - single) <= 1e-6 * scale + 1e-30
    assert (near | np.isnan(single)).all()


def test_a_table_is_interpolated_and_ends_where_it_ends() -> None:
    got = values([-0.1, 0.0, 0.5, 2.0, 3.0, 3.01], calibration=[{"table": [[0.0, 0.0], [1.0, 2.0], [3.0, 10.0]]}])
    np.testing.assert_allclose(got, [np.nan, 0.0, 1000.0, 6000.0, 10_000.0, np.nan])


def test_each_stretch_of_time_gets_the_calibration_that_held() -> None:
    ways = [
        {"scale": 2.0},
        {"valid_from": date(2026, 6, 1), "scale": 3.0},
        {"valid_from": date(2026, 6, 3), "polynomial": [1.0]},
    ]
    times = ["2026-05-31 23:59:59", "2026-06-01 00:00:00", "2026-06-02 23:59:59", "2026-06-03 00:00:00"]
    got = values([1.0] * 4, [us(t) for t in times], calibration=ways)
    np.testing.assert_allclose(got, [2000.0, 3000.0, 3000.0, 1000.0])


@given(st.integers(0, 40))
def test_where_a_batch_ends_changes_nothing(cut: int) -> None:
    ways = [{"scale": 2.0}, {"valid_from": date(2026, 6, 1), "scale": 3.0}]
    raw, time = np.arange(40.0), us("2026-06-01 00:00:00") + (np.arange(40) - 17) * 10_000
    whole = values(raw, time, calibration=ways)
    parts = [values(raw[s], time[s], calibration=ways) for s in (slice(0, cut), slice(cut, None))]
    np.testing.assert_array_equal(np.concatenate(parts), whole)


@pytest.mark.parametrize("text", ["-999", "1e38", "-999.25"])
def test_numbers_that_stand_for_no_value(text: str) -> None:
    number = float(text)
    made = rig(missing=(text,))
    raw = np.array([1.0, number, float(np.float32(number)), number * 1.001])
    np.testing.assert_array_equal(
        np.isnan(without_sentinels(raw, made, made.find("force"))), [False, True, True, False]
    )


@pytest.mark.parametrize(("text", "marks", "number"), [
    ("-999,00", {"decimal": ",", "separator": ";"}, -999.0),
    ("-999.5", {"decimal": ",", "separator": ";"}, -999.5),
    ("9.999", {"decimal": ",", "separator": ";", "thousands": "."}, 9999.0),
    ("-9.999,5", {"decimal": ",", "separator": ";", "thousands": "."}, -9999.5),
    ("9\u202f999", {"thousands": " "}, 9999.0),
    ("9,999", {"thousands": ",", "separator": ";"}, 9999.0),
    ("\u2212999", {}, -999.0),
    ("1,0E+38", {"decimal": ",", "separator": ";"}, 1e38),
])  # fmt: skip
def test_a_number_for_no_value_may_stand_as_the_log_writes_it(text: str, marks: dict[str, Any], number: float) -> None:
    of = rig((text,)).model_copy(update={"log": LogConfig(missing=(text,), **marks)})
    got = without_sentinels(np.array([number, 1.0, np.float32(number)]), of, of.channel[0])
    assert np.isnan(got).tolist() == [True, False, True]


@pytest.mark.parametrize("text", ["9,9", "OVER", ".", "1.2.3", "99.99,5"])
def test_what_is_no_number_of_the_log_stays_a_text(text: str) -> None:
    of = rig((text,))
    np.testing.assert_array_equal(without_sentinels(np.array([9.9, 99.0, 1.0]), of, of.channel[0]), [9.9, 99.0, 1.0])


def test_a_channels_own_sentinel_is_its_own() -> None:
    force, other = rig().channel
    own = rig().model_copy(update={"channel": (force.model_copy(update={"missing": ("-1",)}), other)})
    raw = np.array([-1.0])
    assert np.isnan(without_sentinels(raw, own, own.find("force"))).all()
    assert without_sentinels(raw, own, own.find("x")) == [-1.0]


def test_too_large_for_a_sample_is_no_value() -> None:
    assert np.isnan(values([1e36], scale=1.0)).tolist() == [True]


def test_a_table_that_no_polynomial_fits_is_refused() -> None:
    with pytest.raises(ConfigError, match="no polynomial of degree 2"):
        values([1.0], calibration=[{"table": [[0.0, 1.0], [0.0, 1.1], [1.0, 2.0], [1.0, 2.1]], "degree": 2}])


def test_settings_follow_what_decides_the_samples_and_nothing_else() -> None:
    plain = channel_settings(rig().find("force"))
    assert channel_settings(rig(certificate="new", uncertainty="1 %").find("force")) == plain
    for change in ({"stuck_after": 9}, {"calibration": [{"polynomial": [1.0, 2.0]}]}, {"scale": 2.0}, {"column": "G"}):
        assert channel_settings(rig(**change).find("force")) != plain
    assert channel_settings(rig().find("force").model_copy(update={"missing": ("x",)})) != plain


def test_fit_of_a_table_gives_the_certified_values_of_pontius(open_data: Path) -> None:
    rows = (open_data / "nist_ehandbook" / "LOAD_CELL_CAL.DAT").read_text().splitlines()[4:]
    deflection, load = np.array([[float(cell) for cell in row.split()] for row in rows]).T
    table = [[float(a), float(b)] for a, b in zip(load, deflection, strict=True)]
    at = np.linspace(150_000, 3_000_000, 50)
    certified = sum(c * at**k for k, c in enumerate(PONTIUS))
    np.testing.assert_allclose(values(at, unit="N", calibration=[{"table": table, "degree": 2}]), certified, rtol=1e-7)
    np.testing.assert_allclose(polynomial(load, deflection, 2).coefficients, PONTIUS, rtol=1e-9)


def test_fit_of_a_table_gives_the_published_values_of_loadcell(open_data: Path) -> None:
    lines = (open_data / "nist_ehandbook" / "LOADCELL.DAT").read_text().splitlines()
    rows = [line.split() for line in lines[25:] if line.strip()]
    load, response = np.array([[float(a), float(b)] for a, b in rows]).T
    fit = polynomial(load, response, 2)
    np.testing.assert_allclose(fit.coefficients, LOADCELL[0], rtol=2e-5)
    np.testing.assert_allclose(fit.standard_errors, LOADCELL[1], rtol=1e-3)
    table = [[float(a), float(b)] for a, b in zip(load, response, strict=True)]
    got = values(load, unit="N", calibration=[{"table": table, "degree": 2}])
    np.testing.assert_allclose(got, fit.predict(load), rtol=1e-7)
