"""Which episodes of wear are tried: the likeliest moves alone, the likeliest steps with the place before each."""

from __future__ import annotations

import numpy as np

from benchpipe.kernels.wear_episodes import APART, MOST_MOVES, MOST_STEPS, choose_episodes


def test_moves_come_alone_and_steps_with_the_one_before() -> None:
    moves, steps = np.arange(24.0).reshape(3, 8), 100.0 + np.arange(60.0).reshape(3, 20)
    gain_steps = np.zeros(20)
    gain_steps[[0, 12]] = 9.0, 5.0
    found = choose_episodes(moves, steps, np.arange(8.0), gain_steps)
    columns, pairs = found.columns, found.pairs
    alone = pairs[pairs[:, 1] < 0]
    best = [int(columns[0, a]) for a, _ in alone.tolist() if columns[0, a] < 100]
    assert best == list(range(7, 7 - min(MOST_MOVES, 8), -1))
    of_steps = [pair for pair in pairs.tolist() if columns[0, pair[0]] >= 100]
    with_partner = [tuple(int(columns[0, k]) for k in pair if k >= 0) for pair in of_steps]
    assert with_partner[:2] == [(100,), (112, 111)]  # the first place has none before it
    assert len(with_partner) <= MOST_STEPS
    places = [pair[0] for pair in with_partner]
    assert min(abs(a - b) for a in places for b in places if a != b) >= APART
