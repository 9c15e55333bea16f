"""Lines, polynomials and Theil-Sen against certified values and their own laws."""

from __future__ import annotations

from math import inf, isnan
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.kernels.lines import straight_line
from benchpipe.kernels.polynomials import polynomial

# M. G. Natrella, Experimental Statistics, NBS Handbook 91 (1963), §5-4.1: Young's modulus, temperature.
NATRELLA_T = [30, 100, 200, 300, 400, 500, 600, 700, 800, 900, 1000, 1100, 1200, 1300, 1400, 1500]
NATRELLA_E = [
    4642, 4612, 4565, 4513, 4476, 4433, 4389, 4347, 4303, 4251, 4201, 4140, 4100, 4073, 4024, 3999,
]  # fmt: skip

# NIST StRD linear regression, set Norris (itl.nist.gov/div898/strd); data typed from memory, and proved
# by the certified values, which they give to 12 digits. Pairs of y, x.
NORRIS = [
    (0.1, 0.2), (338.8, 337.4), (118.1, 118.2), (888.0, 884.6), (9.2, 10.1), (228.1, 226.5),
    (668.5, 666.3), (998.5, 996.3), (449.1, 448.6), (778.9, 777.0), (559.2, 558.2), (0.3, 0.4),
    (0.1, 0.6), (778.1, 775.5), (668.8, 666.9), (339.3, 338.0), (448.9, 447.5), (10.8, 11.6),
    (557.7, 556.0), (228.3, 228.1), (998.0, 995.8), (888.8, 887.6), (119.6, 120.2), (0.3, 0.3),
    (0.6, 0.3), (557.6, 556.8), (339.3, 339.1), (888.0, 887.2), (998.5, 999.0), (778.9, 779.0),
    (10.2, 11.1), (117.6, 118.3), (228.9, 229.2), (668.4, 669.1), (449.2, 448.9), (0.2, 0.5),
]  # fmt: skip


def test_natrella_line_with_its_variances() -> None:
    # Values recomputed from the handbook's data; s, slope and intercept are also printed there.
    line = straight_line(NATRELLA_T, NATRELLA_E)
    assert line.slope == pytest.approx(-0.44985482, rel=2e-8)
    assert line.intercept == pytest.approx(4654.9846, rel=2e-8)
    assert line.s == pytest.approx(9.277617, rel=1e-7)
    assert line.var_slope == pytest.approx(2.5649045e-5, rel=2e-8)
    assert line.var_intercept == pytest.approx(19.879452, rel=1e-7)
    assert line.se_line(1200.0) ** 2 == pytest.approx(10.53, abs=0.005)
    assert line.se_reading(750.0) ** 2 == pytest.approx(91.45, abs=0.005)
    assert line.n_used == 16
    assert line.dof == 14
    assert line.converged


def test_natrella_interval_uses_student_t() -> None:
    line = straight_line(NATRELLA_T, NATRELLA_E)
    low, high = line.interval(1200.0)
    # t(0.975, 14) = 2.145, Natrella table A-4
    assert float(high - low) / 2 == pytest.approx(2.145 * np.sqrt(10.53), rel=1e-3)
    assert line.slope_interval[1] - line.slope == pytest.approx(2.145 * np.sqrt(2.5649045e-5), rel=1e-3)


def test_the_strain_life_line_of_astm_e739() -> None:
    # ASTM E739, worked example: plastic strain and cycles to failure [M] (from memory, not verified); the line was
    # recomputed from the data. Cycles are the dependent one; both as common logarithms.
    strain = [0.01636, 0.01609, 0.00675, 0.00682, 0.00179, 0.00160, 0.00165, 0.00053, 0.00054]
    life = [168, 200, 1000, 1180, 4730, 8035, 5254, 28617, 32650]
    line = straight_line(np.log10(strain), np.log10(life))
    assert line.intercept == pytest.approx(-0.24474, abs=6e-6)
    assert line.slope == pytest.approx(-1.45144, abs=6e-6)
    assert line.s**2 == pytest.approx(0.011195, abs=6e-7)
    at_zero = [float(end) for end in line.interval(0.0)]
    assert at_zero == pytest.approx([-0.6435, 0.1540], abs=1.1e-4)
    assert line.slope_interval == pytest.approx([-1.6054, -1.2974], abs=1.1e-4)


def test_strd_norris() -> None:
    data = np.array(NORRIS)
    for fit in (straight_line(data[:, 1], data[:, 0]), polynomial(data[:, 1], data[:, 0], 1)):
        # NIST StRD Norris: certified values
        pair = fit.coefficients if hasattr(fit, "coefficients") else (fit.intercept, fit.slope)
        assert pair == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-11)
        errors = np.sqrt(np.diag(fit.covariance))
        assert errors == pytest.approx([0.232818234301152, 0.429796848199937e-3], rel=1e-11)


def test_strd_pontius_quadratic(open_data: Path) -> None:
    # NIST StRD Pontius is the e-Handbook's load cell (LOAD_CELL_CAL.DAT, §4.6.2).
    deflection, load = np.loadtxt(open_data / "nist_ehandbook" / "LOAD_CELL_CAL.DAT", skiprows=4).T
    fit = polynomial(load, deflection, 2)
    certified = [6.73565789473684e-4, 7.32059160401003e-7, -3.16081871345029e-15]
    assert fit.coefficients == pytest.approx(certified, rel=1e-11)
    assert fit.s == pytest.approx(2.0518e-4, rel=1e-4)  # §4.6.2.7
    assert straight_line(load, deflection).s == pytest.approx(2.1713e-3, rel=1e-4)  # §4.6.2.3
    # The last two standard errors of StRD, [M] from memory, not verified against the document.
    assert fit.standard_errors[1:] == pytest.approx([1.57817399981659e-10, 4.86652849992036e-17], rel=1e-11)


def test_quadratic_is_exact_on_a_far_off_axis() -> None:
    x = 1e6 + np.linspace(0.0, 10.0, 50)
    fit = polynomial(x, 2.0 + 3.0 * (x - 1e6) + 0.5 * (x - 1e6) ** 2, 2)
    assert fit.predict(1e6 + 4.0) == pytest.approx(22.0, rel=1e-12)
    assert fit.s < 1e-9


def test_weight_two_equals_the_row_twice() -> None:
    x, y = np.array([1.0, 2.0, 3.0, 5.0]), np.array([1.1, 1.9, 3.2, 4.8])
    doubled = straight_line(np.append(x, x[1]), np.append(y, y[1]))
    weighted = straight_line(x, y, [1, 2, 1, 1])
    assert weighted.slope == pytest.approx(doubled.slope, rel=1e-14)
    assert weighted.intercept == pytest.approx(doubled.intercept, rel=1e-13)
    assert polynomial(x, y, 1, [1, 2, 1, 1]).coefficients[1] == pytest.approx(doubled.slope, rel=1e-13)


@given(st.floats(-1e3, 1e3), st.floats(-1e3, 1e3), st.floats(0.1, 1e4), st.floats(-1e4, 1e4))
def test_line_follows_a_change_of_units(slope: float, intercept: float, scale: float, shift: float) -> None:
    x = np.linspace(0.0, 1.0, 12)
    noise = np.array([3, -1, -4, 1, 5, -9, 2, 6, -5, 3, 0, -1.0])
    here = straight_line(x, intercept + slope * x + noise)
    there = straight_line(shift + scale * x, intercept + slope * x + noise)
    assert there.slope * scale == pytest.approx(here.slope, rel=1e-7, abs=1e-7)
    assert there.predict(shift + 0.3 * scale) == pytest.approx(here.predict(0.3), rel=1e-7, abs=1e-7)
    assert there.se_line(shift + 0.3 * scale) == pytest.approx(here.se_line(0.3), rel=1e-6)


def test_missing_rows_are_left_out_and_counted() -> None:
    line = straight_line([0, 1, 2, np.nan, 4], [0, 1, 2, 3, np.nan])
    assert (line.slope, line.n_used) == (pytest.approx(1.0), 3)


@pytest.mark.parametrize("x", [[], [1.0, 2.0], [1.0, 1.0, 1.0, 1.0]])
def test_too_little_to_fit_is_not_converged(x: list[float]) -> None:
    for fit in (straight_line(x, x), polynomial(x, x, 1)):
        assert not fit.converged
    assert isnan(straight_line(x, x).slope)
    assert isnan(straight_line(x, x).crossing(1.0).at)


def _ar1(rng: np.random.Generator, shape: tuple[int, int], rho: float) -> np.ndarray:
    noise = rng.standard_normal(shape)
    for k in range(1, shape[1]):
        noise[:, k] = rho * noise[:, k - 1] + np.sqrt(1 - rho**2) * noise[:, k]
    return noise


def test_correlated_noise_is_not_taken_for_information() -> None:
    rng = np.random.default_rng(20)
    x = np.arange(300.0)
    hits = {False: 0, True: 0}
    for noise in _ar1(rng, (400, 300), 0.7):
        for correlated in hits:
            low, high = straight_line(x, 0.01 * x + noise, correlated=correlated).slope_interval
            hits[correlated] += low <= 0.01 <= high
    assert hits[False] / 400 < 0.75  # what plain least squares would claim to be 95 %
    assert 0.92 <= hits[True] / 400 <= 0.98


def test_crossing_inverts_the_band() -> None:
    line = straight_line(NATRELLA_T, NATRELLA_E)
    crossing = line.crossing(3800.0, after=1500.0)
    assert line.predict(crossing.at) == pytest.approx(3800.0)
    assert line.interval(crossing.low)[0] == pytest.approx(3800.0)
    assert line.interval(crossing.high)[1] == pytest.approx(3800.0)
    assert line.crossing(4800.0, after=1500.0).at == inf  # the line runs the other way
    assert line.crossing(4800.0, after=1500.0).low == inf


def test_crossing_of_a_flat_line_may_never_come() -> None:
    x = np.arange(10.0)
    line = straight_line(x, [1, -1, 1, -1, 1, -1, 1, -1, 1, -1.0])
    crossing = line.crossing(5.0, after=9.0)
    assert crossing.high == inf
    assert line.interval(crossing.low)[1] == pytest.approx(5.0)


def test_covariances_of_a_line_are_those_of_its_normal_equations() -> None:
    x, y = np.array([30.0, 32.0, 35.0, 41.0, 47.0]), np.array([1.0, 1.3, 1.2, 1.9, 2.2])
    line = straight_line(x, y, correlated=False)
    design = np.column_stack([np.ones(5), x])
    covariance = np.linalg.inv(design.T @ design) * line.s**2
    found = [[line.var_intercept, line.cov_intercept_slope], [line.cov_intercept_slope, line.var_slope]]
    assert np.array(found) == pytest.approx(covariance, rel=1e-9)
