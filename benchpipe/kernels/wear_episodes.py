"""Sudden wear: a crack at any time, or one that grew while the temperature moved one way.

A crack that came with warmth looks like a coefficient of temperature. Any one move of the temperature may have had
a crack, and then does not show the coefficient; the other moves decide.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.swings import turning_places

Floats = NDArray[np.float64]

EPISODE_PART = 0.1
"""A move of the temperature counts from this part of its range on."""
MOST_MOVES = 8
MOST_STEPS = 4
APART = 3
"""Bins between two steps that are both tried."""


@dataclass(frozen=True)
class EpisodesResult:
    """Columns (k, c) of wear that comes at once, and which of them go together (one or two, -1 for none)."""

    columns: Floats
    pairs: NDArray[np.int64]


def move_columns(temperature: Floats) -> Floats:
    """Wear in proportion to each one-way move of the temperature, from 0 before it to 1 after it.

    Parameters
    ----------
    temperature : float64 array, shape (k,)
        Of each bin [°C], finite.

    Returns
    -------
    float64 array, shape (k, moves)
        Without unit; no columns where the temperature does not move.
    """
    span = float(np.ptp(temperature))
    if not span > 0:
        return np.zeros((temperature.size, 0))
    places = turning_places(temperature, EPISODE_PART * span)
    made = []
    for a, b in pairwise(places.tolist()):
        part = np.zeros(temperature.size)
        part[a : b + 1] = (temperature[a : b + 1] - temperature[a]) / (temperature[b] - temperature[a])
        part[b + 1 :] = 1.0
        made.append(part)
    return np.array(made).T if made else np.zeros((temperature.size, 0))


def step_columns(bins: int) -> Floats:
    """Wear at once before each bin but the first, shape (k, k − 1).

    Parameters
    ----------
    bins : int
        k, one at least.

    Returns
    -------
    float64 array, shape (k, k − 1)
        0 before the step and 1 from it on.
    """
    return np.asarray((np.arange(bins)[:, None] > np.arange(bins - 1)[None, :]) * 1.0)


def choose_episodes(moves: Floats, steps: Floats, gain_moves: Floats, gain_steps: Floats) -> EpisodesResult:
    """The likeliest moves and steps by what each gains in likelihood; a step may fall inside the bin before it.

    Parameters
    ----------
    moves : float64 array, shape (k, m)
        Columns of :func:`move_columns`.
    steps : float64 array, shape (k, s)
        Columns of :func:`step_columns`.
    gain_moves, gain_steps : float64 arrays, shape (m,) and (s,)
        How likely the history is with each, on any scale that rises with likelihood.

    Returns
    -------
    EpisodesResult
        At most `MOST_MOVES` moves and `MOST_STEPS` steps, the likeliest first.
    """
    best = np.argsort(-gain_moves, kind="stable")[:MOST_MOVES]
    taken: list[int] = []
    for k in np.argsort(-gain_steps, kind="stable").tolist():
        if all(abs(k - other) >= APART for other in taken):
            taken.append(k)
        if len(taken) == MOST_STEPS:
            break
    columns, pairs = [moves[:, j] for j in best.tolist()], [[j, -1] for j in range(best.size)]
    for k in taken:
        partner = max(k - 1, 0)
        columns += [steps[:, k], steps[:, partner]]
        pairs.append([len(columns) - 2, len(columns) - 1 if partner != k else -1])
    table = np.array(columns).T if columns else np.zeros((steps.shape[0], 0))
    return EpisodesResult(table, np.array(pairs, np.int64).reshape(-1, 2))
