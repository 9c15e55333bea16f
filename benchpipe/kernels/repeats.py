"""Samples that repeat the ones before: a sensor that holds its value, a signal that is clipped, a coarse digit.

A sensor that is held may still flicker between two values of its last digit. A run of samples of no more than two
values counts as one of half its length of a single value: where two readings agree with a probability p of a quarter
or less, that is the less likely of the two, (2 p)^(2 r) <= p^r.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.compiled import compiled
from benchpipe.kernels.digits import rounding, smallest_step
from benchpipe.kernels.read_only import read_only
from benchpipe.kernels.sample_noise import LEAST_SAMPLES, sample_noise

CHANCE = 1e-9  # of a cycle of a sound channel: one in five hundred runs of two million cycles
LEAST_NOISE = 2.0  # steps of the last digit: what flickers less may rest on one value
CALMER = 2.0  # times that noise may be lower elsewhere than where it was learnt
SPREAD = 6.0  # times from the middle to the ninth tenth, beyond that: the tail of runs falls off as a power
MORE = 5.0  # repeats beyond that
UPPER = 0.9
MANY = 1e8  # samples of a long stretch, in which a run may lie
BESIDE = 256  # samples before and after a run, from which the noise there is learnt
FEWEST_REPEATS = 4  # fewer are not looked at
LEAST_PAIRS = 2  # of equal neighbours: the sums of a loop count them, and most loops have fewer


def most_repeats(values: NDArray[Any], start: NDArray[np.int64], end: NDArray[np.int64]) -> NDArray[np.int32]:
    """Most samples in a row that equal the one before them, or half as many that are one of two values.

    Parameters
    ----------
    values : float array, shape (n,)
        Finite.
    start, end : int64 arrays, shape (k,)
        Stretches ``start … end - 1``; the first sample of a stretch repeats nothing.

    Returns
    -------
    int32 array, shape (k,)
    """
    out = np.zeros(start.size, np.int32)
    _most_repeats(read_only(values), read_only(start), read_only(end), out)
    return out


@compiled
def _most_repeats(
    values: NDArray[Any], start: NDArray[np.int64], end: NDArray[np.int64], out: NDArray[np.int32]
) -> None:
    for c in range(start.size):
        out[c] = longest_repeat(values, start[c], end[c])


@compiled
def longest_repeat(values: NDArray[Any], first: int, end: int) -> int:
    """Most samples in a row that equal the one before, or half as many of two values, among ``first … end - 1``.

    Parameters
    ----------
    values : array, shape (n,)
        In any unit.
    first, end : int
        The samples are ``first … end - 1``.

    Returns
    -------
    int
        One less than the samples of the longest run of equal values, or half of two less than those of the longest
        run of two values, whichever is more; 0 where none are equal.
    """
    best, at, last = 0, first, end - 1
    while at + best < last:  # a longer run that is not done with holds the pair that begins here
        at += best
        if values[at] != values[at + 1]:
            at += 1
            continue
        low, high = at, at + 1
        while low > first and values[low - 1] == values[low]:
            low -= 1
        while high < last and values[high + 1] == values[high]:
            high += 1
        best, at = max(best, high - low), high
    return max(best, (_longest_of_two(values, first, end) - 2) // 2)


@compiled
def _longest_of_two(values: NDArray[Any], first: int, end: int) -> int:
    """Samples of the longest run that holds no more than two values; 0 where fewer than two samples repeat one."""
    begin = since = first  # of the run, and of the latest value in it
    latest = other = values[first]
    best = pairs = 0
    for k in range(first + 1, end):
        value = values[k]
        if value == latest:
            pairs += 1
            continue
        if value != other and other != latest:
            best, begin = max(best, k - begin), since
        latest, other, since = value, latest, k
    return max(best, end - begin) if pairs >= LEAST_PAIRS else 0


def chance_repeats(noise: float, step: float, samples: float) -> float:
    """Most repeats in a row that white noise leaves by chance, whatever the signal does besides.

    Two readings of one value in noise of so many steps agree with a probability of at most
    step / (2 sqrt(pi) noise), that of the middle of their difference's density.

    Parameters
    ----------
    noise, step : float
        Standard deviation of one sample, and step of the last digit, in one unit.
    samples : float
        Number of samples in which the run may lie.

    Returns
    -------
    float
        Infinite where the noise is too small to tell: a signal may rest on one value.
    """
    if not noise >= LEAST_NOISE * step > 0.0:
        return math.inf
    alike = CALMER * step / (2.0 * math.sqrt(math.pi) * noise)
    return math.log(max(samples, 1.0) / CHANCE) / -math.log(alike)


def unusual_repeats(repeats: NDArray[Any], cycles: NDArray[np.int64]) -> float:
    """Most repeats in a row that are still usual among some cycles, robustly.

    Lengths of runs have tails that fall off by a factor a step: what one in 10^9 reaches lies as far beyond the
    ninth tenth as six times the way there from the middle (seven and a half for exactly such tails; of runs that the
    waveform bounds far less). Coarse digits, dwells and slow cycles have long runs, and make it long.

    Parameters
    ----------
    repeats : array, shape (k,)
        Rising.
    cycles : int array, shape (k,)
        How many have so many repeats.

    Returns
    -------
    float
        Infinite of no cycle.
    """
    if not repeats.size:
        return math.inf
    ends = np.cumsum(cycles)
    middle, upper = (float(repeats[np.searchsorted(ends, int(q * (ends[-1] - 1)), "right")]) for q in (0.5, UPPER))
    return upper + MORE + SPREAD * (max(upper - middle, 1.0) if upper > 0.0 else 0.0)


def stuck_samples(
    values: NDArray[Any], step: float | None = None, *, both_sides: bool = False, longest: int | None = None
) -> NDArray[np.bool_]:
    """Samples in runs of one value that are longer than the noise beside them leaves by chance.

    Parameters
    ----------
    values : float array, shape (n,)
        Finite, of a signal that is smooth from sample to sample.
    step : float, optional
        Of the last digit; found beside each run if not given.
    both_sides : bool
        Whether the noise has to be there before and after the run: a signal may come to rest.
    longest : int, optional
        Look at so many of the longest runs, where a coarse digit may make thousands.

    Returns
    -------
    bool array, shape (n,)
        False too where :data:`BESIDE` samples on either side do not tell.
    """
    found = np.zeros(len(values), bool)
    begin = np.flatnonzero(np.diff(values, prepend=np.nan) != 0.0)
    end = np.append(begin[1:], len(values))
    runs = np.flatnonzero(end - begin > FEWEST_REPEATS)
    if longest is not None:
        runs = runs[np.argsort((begin - end)[runs], kind="stable")[:longest]]
    for k in runs.tolist():
        a, b = int(begin[k]), int(end[k])
        before, after = values[max(a - BESIDE, 0) : a], values[b : b + BESIDE]
        found[a:b] = b - a - 1 > chance_beside(before, after, step, both_sides=both_sides)
    return found


def chance_beside(
    before: NDArray[Any], after: NDArray[Any], step: float | None = None, *, both_sides: bool = False
) -> float:
    """Most repeats in a row that the noise on its sides leaves by chance, that of the calmer side.

    Parameters
    ----------
    before, after : float arrays, shapes (m,), (n,)
        Samples on both sides, in one unit.
    step, both_sides
        As in :func:`stuck_samples`.

    Returns
    -------
    float
        Infinite where that is not known.
    """
    sides = [np.asarray(side, np.float64) for side in (before, after) if side.size >= LEAST_SAMPLES]
    if len(sides) < (2 if both_sides else 1):
        return math.inf
    digits = [smallest_step(side) for side in sides] if step is None else [step]
    digit = max((one for one in digits if one is not None), default=None)
    if digit is None:
        return math.inf
    return chance_repeats(min(map(sample_noise, sides)), max(digit, *map(rounding, sides)), MANY)
