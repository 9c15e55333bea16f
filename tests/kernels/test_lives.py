"""Log-rank and Weibull lives of two groups against a worked set."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from benchpipe.kernels import lives
from benchpipe.kernels.lives import log_rank, two_weibulls

# Freireich et al. 1963, remission times (data from memory, as Lawless and others print them; answers recomputed).
FIRST = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]
OTHER = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
OTHER_FAILED = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]


def test_log_rank_of_the_worked_set() -> None:
    found = log_rank(OTHER, OTHER_FAILED, FIRST, [1] * 21)
    assert found.chi2 == pytest.approx(16.7929, abs=5e-5)
    assert found.chi2_p == pytest.approx(4.1688e-5, abs=5e-10)
    other = stats.logrank(
        stats.CensoredData(uncensored=FIRST),
        stats.CensoredData.right_censored(OTHER, ~np.array(OTHER_FAILED, bool)),
    )
    assert found.chi2_p == pytest.approx(other.pvalue, rel=1e-9)
    assert not found.exact
    assert found.p < 5e-4  # of 20,001 labellings


def test_few_specimens_by_all_labellings() -> None:
    found = log_rank([100, 110, 120], [1, 1, 1], [10, 20, 30], [1, 1, 1])
    assert found.exact
    assert found.p == found.least_p == pytest.approx(0.1)
    nothing = log_rank([100, 100], [0, 0], [100, 100], [0, 0])
    assert not nothing.converged


def test_two_and_two_with_run_outs_can_never_reach_five_per_cent() -> None:
    found = log_rank([2e6, 2e6], [0, 0], [4e5, 9e5], [1, 1])
    assert found.least_p > 0.3


def test_weibull_lives_of_one_shape() -> None:
    found = two_weibulls(OTHER, OTHER_FAILED, FIRST, [1] * 21)
    assert found.log_ratio == pytest.approx(1.26733, abs=5e-6)
    assert found.log_ratio_u == pytest.approx(0.31064, abs=5e-6)
    assert np.log(found.reference_scale) == pytest.approx(2.24835, abs=5e-6)
    assert 1.0 / found.shape == pytest.approx(0.732195, abs=1e-6)
    assert found.log_likelihood == pytest.approx(-106.5795, abs=5e-5)
    assert found.apart_log_likelihood == pytest.approx(-106.5788, abs=5e-5)
    assert 2 * (found.apart_log_likelihood - found.log_likelihood) == pytest.approx(0.0014, abs=5e-5)
    assert found.shapes_p > 0.9
    assert found.n_failed == (9, 21)


def test_a_group_of_run_outs_has_no_scale() -> None:
    assert not two_weibulls([2e6, 2e6], [0, 0], [4e5, 9e5], [1, 1]).converged


def test_a_life_that_was_left_before_the_first_failure_says_nothing() -> None:
    scores, times = lives._scores(np.array([1.0, 2.0, 3.0, 4.0]), np.array([False, True, False, True]))
    assert scores == pytest.approx([0.0, 1 - 1 / 3, -1 / 3, 1 - 1 / 3 - 1])
    assert times.tolist() == [2.0, 4.0]
