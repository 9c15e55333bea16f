"""Landmarks that are alike: those of a log depend on the logs before it alone, however many are searched at once."""

from __future__ import annotations

import itertools
from collections import Counter, defaultdict
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from benchpipe.ingest import landmark_pairs
from benchpipe.ingest.landmark_pairs import MOST_ALIKE, MOST_OWN, REACH, pairs_by_log

MARKS = [0, 1, 1 << 62, (1 << 62) + 1, -1, -(1 << 62), 12345 << 40]  # the first bits of some are the same
Log = list[tuple[int, int]]  # marks, and rows to the landmark before
Pairs = list[tuple[int, list[int]]]


def found(
    monkeypatch: pytest.MonkeyPatch, logs: list[Log], rows: list[int], first: int, at_once: int
) -> list[Pairs]:  # fmt: skip
    def read(_: object, source: Any) -> tuple[Any, Any]:
        marks, gaps = np.array(logs[source.place], np.int64).reshape(-1, 2).T
        return np.array(MARKS)[marks], np.cumsum(gaps) - gaps[:1]

    monkeypatch.setattr(landmark_pairs, "read_landmarks", read)
    monkeypatch.setattr(landmark_pairs, "MOST_SORTED", at_once)
    sources: Any = [
        SimpleNamespace(place=k, parts=[SimpleNamespace(table="landmarks", rows=len(log))])
        for k, log in enumerate(logs)
    ]
    begin, store = np.cumsum([0, *rows]), SimpleNamespace()
    by_log: Any = pairs_by_log(store, sources, begin, first)  # type: ignore[arg-type]
    return [[(pair.distance, pair.at.tolist()) for pair in pairs] for pairs in by_log]


def expected(logs: list[Log], rows: list[int], last: int) -> Pairs:
    """Pairs of one log, found slowly."""
    begin, all_of_them, own = list(itertools.accumulate(rows, initial=0)), [], Counter[tuple[int, int]]()
    for k, log in enumerate(logs[: last + 1]):
        at = begin[k]
        for n, (mark, gap) in enumerate(log):
            at += gap if n else 0
            all_of_them.append((mark, k, at))
            own[mark, k] += 1
    distances = defaultdict(list)
    for (mark, k, a), (other, j, b) in itertools.combinations(all_of_them, 2):
        so_far = sum(own[mark, n] for n in range(j + 1))
        rare = so_far <= MOST_ALIKE and max(own[mark, k], own[mark, j]) <= MOST_OWN
        if mark == other and rare and b >= begin[last] - REACH:
            distances[b - a].append(a)
    near = {
        distance: [a for a in some if any(0 < abs(a - other) <= REACH for other in some)]
        for distance, some in distances.items()
    }
    return sorted(((d, sorted(some)) for d, some in near.items() if some), key=lambda one: (-len(one[1]), one[0]))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@example([[(0, 1), (1, 9)], [(0, 5), (1, 9)], [], [(1, 2), (0, 3)]], 3, 1)
@example([[(0, 1)] * 2, [(0, REACH)] * 2, [(0, 1)], [(0, 1), (0, 9), (1, 2)]] * 2, 5, 3)
@given(
    st.lists(
        st.lists(st.tuples(st.integers(0, len(MARKS) - 1), st.sampled_from([1, 2, 50, 4000, REACH, 9000])), max_size=5),
        min_size=1, max_size=12,
    ),
    st.integers(0, 11), st.integers(1, 9),
)  # fmt: skip
def test_pairs_of_a_log_depend_on_the_logs_before_it(
    monkeypatch: pytest.MonkeyPatch, logs: list[Log], first: int, at_once: int
) -> None:
    rows, first = [sum(gap for _, gap in log) + 20 for log in logs], min(first, len(logs) - 1)
    slowly = [expected(logs, rows, k) for k in range(len(logs))]
    assert found(monkeypatch, logs, rows, 0, 1 << 20) == slowly
    assert found(monkeypatch, logs, rows, first, at_once) == slowly[first:]
    assert found(monkeypatch, logs[: first + 1], rows[: first + 1], first, at_once) == slowly[first : first + 1]
    assert found(monkeypatch, logs, rows, len(logs), at_once) == []


def test_places_where_the_machine_came_by_once_more_are_not_read() -> None:
    at = np.array([100, 100_000, 5, 5 + REACH, 9 * REACH])
    near = landmark_pairs._near_another(at, np.array([300, 300, 700, 700, 700]))
    assert near.tolist() == [False, False, True, True, False]
    assert landmark_pairs._near_another(at[:0], at[:0]).tolist() == []
