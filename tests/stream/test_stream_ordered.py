"""Work side by side: results in order, a few items ahead and no more, errors where they belong."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.stream.ordered import default_workers, ordered_map


@given(st.lists(st.integers(), max_size=50), st.integers(1, 6))
def test_it_is_map_whatever_the_workers(items: list[int], workers: int) -> None:
    assert list(ordered_map(lambda x: x * 3 - 1, items, workers)) == [x * 3 - 1 for x in items]


def test_results_keep_their_order_though_the_first_is_slow() -> None:
    def work(x: int) -> int:
        time.sleep(0.05 if x == 0 else 0.0)
        return x

    assert list(ordered_map(work, range(20), 4)) == list(range(20))


@pytest.mark.parametrize(("workers", "ahead"), [(1, None), (2, None), (4, None), (2, 1), (2, 9)])
def test_only_a_few_items_are_taken_ahead(workers: int, ahead: int | None) -> None:
    taken = 0

    def items() -> Iterator[int]:
        nonlocal taken
        for x in range(100):
            taken += 1
            yield x

    most = 0
    for done, _ in enumerate(ordered_map(lambda x: x, items(), workers, ahead)):
        most = max(most, taken - done)
    assert most == (ahead or workers + 1) + 1
    assert taken == 100


def test_work_is_done_on_several_threads_at_once() -> None:
    meeting = threading.Barrier(2, timeout=30.0)
    assert len(list(ordered_map(lambda _: meeting.wait(), range(2), 2))) == 2  # both must be there to go on


def test_an_error_comes_where_its_item_stands() -> None:
    def work(x: int) -> int:
        if x == 3:
            raise ValueError("the third")
        return x

    found = []
    with pytest.raises(ValueError, match="the third"):
        found.extend(ordered_map(work, range(10), 2))
    assert found == [0, 1, 2]


def test_an_error_of_the_items_comes_through() -> None:
    def items() -> Iterator[int]:
        yield 1
        raise OSError("the log ended")

    with pytest.raises(OSError, match="the log ended"):
        list(ordered_map(lambda x: x, items(), 2))


def test_a_reader_that_leaves_early_stops_the_work() -> None:
    done = []
    results = ordered_map(done.append, iter(range(1000)), 2)
    next(results)
    results.close()  # type: ignore[attr-defined]
    assert len(done) < 20


def test_there_are_always_two_workers_or_more() -> None:
    assert 2 <= default_workers() <= 8


@pytest.mark.parametrize("fails", ["work", "taker"])
def test_an_error_ends_the_items_though_somebody_holds_it(fails: str) -> None:
    ended = []

    def items() -> Iterator[int]:
        try:
            yield from range(100)
        finally:
            ended.append(True)

    def work(x: int) -> int:
        if fails == "work" and x == 3:
            raise ValueError("the third")
        return x

    results = ordered_map(work, (x for x in items()), 2)
    if fails == "taker":
        next(results)
        results.close()  # type: ignore[attr-defined]
        assert ended
        return
    with pytest.raises(ValueError, match="the third") as held:
        list(results)
    assert held.value.__traceback__ is not None
    assert ended
