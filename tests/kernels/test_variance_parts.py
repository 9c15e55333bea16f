"""Random specimens, intraclass correlations and gauge studies against worked sets."""

from __future__ import annotations

import numpy as np
import pytest

from benchpipe.kernels.gauge import gauge_study
from benchpipe.kernels.variance_parts import intraclass, random_effect

# Sets from memory (Pinheiro and Bates; Davies; Box and Tiao; Shrout and Fleiss; the AIAG manual);
# answers recomputed and equal to those printed with them.
RAIL = [[55, 53, 54], [26, 37, 32], [78, 91, 85], [92, 100, 96], [49, 51, 50], [80, 85, 83]]
DYESTUFF = [
    [1545, 1440, 1440, 1520, 1580], [1540, 1555, 1490, 1560, 1495], [1595, 1550, 1605, 1510, 1560],
    [1445, 1440, 1595, 1465, 1545], [1595, 1630, 1515, 1635, 1625], [1520, 1455, 1450, 1480, 1445],
]  # fmt: skip
DYESTUFF2 = [
    [7.298, 3.846, 2.434, 9.566, 7.990], [5.220, 6.556, 0.608, 11.788, -0.892], [0.110, 10.386, 13.434, 5.510, 8.166],
    [2.212, 4.852, 7.092, 9.288, 4.980], [0.282, 9.014, 4.458, 9.446, 7.198], [1.722, 4.782, 8.106, 0.758, 3.758],
]  # fmt: skip
GAUGE = """
.29 -.56 1.34 .47 -.80 .02 .59 -.31 2.26 -1.36
.41 -.68 1.17 .50 -.92 -.11 .75 -.20 1.99 -1.25
.64 -.58 1.27 .64 -.84 -.21 .66 -.17 2.01 -1.31
.08 -.47 1.19 .01 -.56 -.20 .47 -.63 1.80 -1.68
.25 -1.22 .94 1.03 -1.20 .22 .55 .08 2.12 -1.62
.07 -.68 1.34 .20 -1.28 .06 .83 -.34 2.19 -1.50
.04 -1.38 .88 .14 -1.46 -.29 .02 -.46 1.77 -1.49
-.11 -1.13 1.09 .20 -1.07 -.67 .01 -.56 1.45 -1.77
-.15 -.96 .67 .11 -1.45 -.49 .21 -.49 1.87 -2.16
"""


def test_rail() -> None:
    found = random_effect(RAIL)
    assert (found.mean, found.mean_u) == pytest.approx((66.5, 10.171), abs=5e-4)
    assert np.sqrt(found.between) == pytest.approx(24.8055, abs=5e-5)
    assert np.sqrt(found.within) == pytest.approx(4.0208, abs=5e-5)
    low, high = found.between_interval
    assert np.sqrt(low) < 24.8 < np.sqrt(high)


def test_dyestuff() -> None:
    found = random_effect(DYESTUFF)
    assert (found.mean, found.mean_u) == pytest.approx((1527.5, 19.383), abs=5e-4)
    assert (found.between, found.within) == pytest.approx((1764.05, 2451.25), abs=5e-3)
    assert found.between_ml == pytest.approx(1388.33, abs=5e-3)


def test_a_negative_estimate_is_nought_and_shown() -> None:
    found = random_effect(DYESTUFF2)
    assert found.raw_between == pytest.approx(-1.3219, abs=5e-5)
    assert found.between == 0.0
    assert found.within == pytest.approx(13.8063, abs=5e-5)
    assert found.between_interval[0] == 0.0 < found.between_interval[1]


def test_unbalanced_specimens_by_their_likelihood() -> None:
    """Against a general-purpose maximum over both variances of the restricted likelihood."""
    from scipy.optimize import minimize

    groups = [np.array(g, float)[:k] for g, k in zip(DYESTUFF, (5, 3, 4, 2, 5, 3), strict=True)]
    y, unit = np.concatenate(groups), 1000.0
    z = np.repeat(np.arange(6), [g.size for g in groups])[:, None] == np.arange(6)

    def deviance(logs: np.ndarray) -> float:
        v = np.exp(logs[0]) * unit * (z @ z.T) + np.exp(logs[1]) * unit * np.eye(y.size)
        inverse, ones = np.linalg.inv(v), np.ones(y.size)
        weight = ones @ inverse @ ones
        r = y - ones @ inverse @ y / weight
        return float(np.linalg.slogdet(v)[1] + np.log(weight) + r @ inverse @ r)

    best = minimize(deviance, [0.0, 0.0], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-11})
    found = random_effect(groups)
    assert (found.between, found.within) == pytest.approx(tuple(unit * np.exp(best.x)), rel=1e-5)


def test_the_interval_between_specimens_covers() -> None:
    rng = np.random.default_rng(7)
    hits = 0
    for _ in range(800):
        groups = rng.normal(0, 2.0, (5, 1)) + rng.normal(0, 1.0, (5, 3))
        low, high = random_effect(list(groups)).between_interval
        hits += low <= 4.0 <= high
    assert 0.93 <= hits / 800 <= 0.98


def test_fewer_than_two_specimens_or_no_repeat_is_refused() -> None:
    with pytest.raises(ValueError, match="two specimens"):
        random_effect([[1.0, 2.0]])
    with pytest.raises(ValueError, match="repeats"):
        random_effect([[1.0], [2.0]])


def test_intraclass_correlations_of_shrout_and_fleiss() -> None:
    found = intraclass([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]])
    single = (found.one_1, found.two_1, found.three_1)
    assert single == pytest.approx((0.1657, 0.2898, 0.7148), abs=5e-5)
    assert (found.one_k, found.two_k, found.three_k) == pytest.approx((0.4428, 0.6201, 0.9093), abs=5e-5)


def gauge_values() -> np.ndarray:
    """Parts × appraisers × trials."""
    rows = np.array([line.split() for line in GAUGE.split("\n") if line], float)
    return rows.reshape(3, 3, 10).transpose(2, 0, 1)


def test_gauge_study_by_analysis_of_variance() -> None:
    found = gauge_study(gauge_values())
    squares = (found.part_row.squares, found.appraiser_row.squares, found.interaction_row.squares, found.error_squares)
    assert squares == pytest.approx((88.3619, 3.16726, 0.358982, 2.758933), abs=5e-5)
    assert found.interaction_row.f == pytest.approx(0.434, abs=5e-4)
    assert found.pooled
    parts = (found.repeatability, found.reproducibility, found.gauge, found.parts, found.total)
    assert parts == pytest.approx((0.199933, 0.226838, 0.302372, 1.042327, 1.085300), abs=6e-7)
    assert (100 * found.share, found.categories) == pytest.approx((27.86, 4), abs=5e-3)
    low, high = found.repeatability_interval
    assert low < 0.199933 < high


def test_an_incomplete_gauge_study_is_refused() -> None:
    with pytest.raises(ValueError, match="two parts"):
        gauge_study(np.ones((3, 1, 2)))
    with pytest.raises(ValueError, match="measured"):
        gauge_study(np.full((3, 2, 2), np.nan))
