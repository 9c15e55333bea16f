"""Reliability that the specimens of one test demonstrate for specimens to come, worded as no more than that."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import floor, log10

from benchpipe.check.decision import Verdict


@dataclass(frozen=True)
class Survival:
    """What some specimens show.

    Attributes
    ----------
    survived, tested : int
        A specimen that is not decided, and has nothing to come, counts as one that did not survive.
    undecided : int
    cycles : int or None
        What every survivor has done; None where cycles are not counted.
    so_far : bool
        Some specimens go on.
    confidence : float
        One-sided.
    reliability : float or None
        Lower bound of the share of such specimens that survive so many cycles; None where nothing was tested.
    weibull_shape : float or None
        As stated.
    life : float or None
        Lower bound of the characteristic life [cycles] at that shape; None without one, without cycles, or below one.
    words : tuple of str
        The same in sentences.
    """

    survived: int
    tested: int
    undecided: int
    cycles: int | None
    so_far: bool
    confidence: float
    reliability: float | None
    weibull_shape: float | None
    life: float | None
    words: tuple[str, ...]


def survival(
    specimens: Sequence[tuple[Verdict, bool, int | None]], confidence: float, weibull_shape: float | None
) -> Survival:
    """State what specimens show: the bound of Clopper and Pearson (without a failure, the success run), and Weibayes.

    Parameters
    ----------
    specimens : sequence of (verdict, running, cycles)
        Those that count. One that goes on and has no cycles yet says nothing.
    confidence : float
    weibull_shape : float, optional
        Without it no life is given.

    Notes
    -----
    The cycles at which a specimen failed are not known, so it adds a failure and no cycles to the Weibayes sum: the
    bound stays one.
    """
    tested = [one for one in specimens if one[0] is Verdict.FAIL or not one[1] or one[2]]
    alive = [one for one in tested if one[0] is Verdict.PASS or (one[0] is Verdict.NOT_EVALUATED and one[1])]
    undecided = len(tested) - len(alive) - sum(one[0] is Verdict.FAIL for one in tested)
    so_far = any(one[1] for one in tested)
    done = [one[2] for one in alive]
    cycles = min((n for n in done if n is not None), default=None) if None not in done else None
    from benchpipe.kernels.reliability import reliability_bound, weibayes_life

    bound = reliability_bound(len(alive), len(tested) - len(alive), confidence) if tested else None
    life = None
    if weibull_shape is not None and cycles:
        lost = len(tested) - len(alive)
        times, failed = [*(n or 0 for n in done), *[0] * lost], [*[False] * len(alive), *[True] * lost]
        found = weibayes_life(times, failed, weibull_shape, confidence)
        life = found.life if found.converged and found.life >= 1.0 else None
    words = tuple(_words(len(alive), len(tested), undecided, cycles, so_far, confidence, bound))
    if life is not None:
        words += (_life_words(life, confidence, weibull_shape),)
    return Survival(len(alive), len(tested), undecided, cycles, so_far, confidence, bound, weibull_shape, life, words)


def _words(
    alive: int, tested: int, undecided: int, cycles: int | None, so_far: bool, confidence: float, bound: float | None
) -> list[str]:
    """``2 of 2 survived 2,000,000 cycles: reliability at least 0.31 with 90 % confidence``; rounded down."""
    if bound is None:
        return []
    what = f"{alive} of {tested} survived"
    what += f" {cycles:,} cycles" if cycles is not None else ""
    what += " so far" if so_far else ""
    what += f" ({undecided} not decided, counted as failed)" if undecided else ""
    shown = floor(100.0 * bound + 1e-9) / 100.0
    said = f"reliability at least {shown:.2f} with {100.0 * confidence:.4g} % confidence"
    return [f"{what}: {said if shown else 'no reliability is shown'}"]


def _life_words(life: float, confidence: float, shape: float | None) -> str:
    step = 10.0 ** max(floor(log10(life)) - 3, 0)
    return (
        f"characteristic life at least {floor(life / step + 1e-9) * step:,.0f} cycles with {100.0 * confidence:.4g} % "
        f"confidence, if the Weibull shape is {shape:g} (stated, not tested)"
    )
