"""Medians of values that come part by part."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.blocks.cyclic import bins
from benchpipe.blocks.cyclic.bins import lengths, median, median_between, total, with_values
from benchpipe.blocks.cyclic.running import Bins

VALUE = st.one_of(st.integers(-5000, 5000).map(float), st.floats(-1e150, 1e150), st.sampled_from([np.nan, np.inf]))
VALUES = st.lists(VALUE, max_size=60)


def in_parts(values: list[float], cuts: list[int]) -> Bins:
    found, ends = Bins(), sorted(min(cut, len(values)) for cut in cuts)
    for first, last in zip([0, *ends], [*ends, len(values)], strict=True):
        found = with_values(found, values[first:last])
    return found


@given(VALUES, st.lists(st.integers(0, 60), max_size=4), st.sampled_from([16, 40, 1024]))
def test_cutting_changes_nothing_however_few_bins_there_may_be(values: list[float], cuts: list[int], most: int) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(bins, "MOST_BINS", most)
        found = in_parts(values, cuts)
        assert found == with_values(Bins(), values)
        assert len(found.counts) <= most
    finite = np.array(values)[np.isfinite(values)]
    assert total(found) == finite.size
    if finite.size:
        low, high = median_between(found)
        assert low <= np.median(finite) <= high
        assert low <= median(found) <= high


@given(st.lists(st.integers(0, 2047), min_size=1))
def test_whole_numbers_below_2048_have_bins_of_their_own(values: list[int]) -> None:
    found = with_values(Bins(), values)
    assert median(found) == np.median(values)
    known, counts = np.unique(values, return_counts=True)
    assert [list(some) for some in lengths(found)] == [known.tolist(), counts.tolist()]


@given(st.lists(st.floats(1e-150, 1e150), min_size=1))
def test_of_all_others_a_median_is_right_to_a_thousandth(values: list[float]) -> None:
    found = with_values(Bins(), values)
    assert median(found) == pytest.approx(np.median(values), rel=1e-3)
    assert median(found) == median_between(found)[0]


def test_of_none_there_is_no_median() -> None:
    none = with_values(Bins(), [np.nan, np.inf])
    assert none == Bins()
    assert np.isnan([median(none), *median_between(none)]).all()


def test_bins_that_are_far_apart_and_many_that_are_near() -> None:
    far = with_values(Bins(), [-1e150, 0.0, -0.0, 1e-150, 1e150])
    assert lengths(far)[1].tolist() == [1, 2, 1, 1]
    near = with_values(Bins(), np.linspace(1.0, 4.0, 100_000))
    assert (near.coarse, len(near.counts)) == (2, 513)
