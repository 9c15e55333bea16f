"""A stretch of numbers is called finite only if all of it is."""

from __future__ import annotations

import numpy as np
import pytest

from benchpipe.kernels.finite import surely_finite


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("odd", [np.nan, np.inf, -np.inf])
def test_one_number_that_is_not_finite_is_seen_wherever_it_stands(dtype: type, odd: float) -> None:
    for size in (1, 7, 64, 1001):
        values = np.linspace(-5, 9, size).astype(dtype)
        assert surely_finite(values)
        for at in {0, size // 2, size - 1}:
            spoiled = values.copy()
            spoiled[at] = odd
            assert not surely_finite(spoiled)
    assert surely_finite(np.empty(0, dtype))


def test_infinities_of_both_signs_do_not_hide_each_other() -> None:
    assert not surely_finite(np.array([np.inf, 1.0, -np.inf]))


def test_a_sum_beyond_the_largest_number_is_not_sure() -> None:
    assert not surely_finite(np.full(4, np.finfo(np.float64).max))
