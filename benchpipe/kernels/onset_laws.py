"""When a wearing figure crosses its limit: averaged by likelihood over laws of onset and power.

A law is steady wear, d per cycle, beside ((c − c₀)₊)^p from an onset c₀ on, or beside (c₁ − c)^(−q), wear that runs
away at c₁. Early onsets with large powers are near exponentials, late ones with power 1 are wear in pieces. Each law
has fitted noise of its own (`change_score`); crossings are drawn from all that are likely. A straight line over the
last week is one of them, and seldom the likeliest.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, isfinite

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ONSETS = (-4.0, -2.0, -1.0, -0.5, *np.linspace(0.0, 0.95, 20).tolist())
"""Parts of the history at which wear begins; before 0: it never was without."""
POWERS = (0.35, 0.6, 1.0, 1.5, 2.2, 3.2, 4.6, 7.0, 10.0)
ENDS = (1.03, 1.06, 1.12, 1.2, 1.35, 1.6, 2.0, 3.0)
RUNAWAYS = (0.3, 0.7, 1.5)
AHEAD = 9.0
"""Crossings are looked for up to ten times the history."""
PLACES = 240
TURN_SD, TURN_POWER, TURN_MEAN = 0.45, 0.25, 0.1
"""Wear turns, and no law of the past knows when: the rate ahead is multiplied by a factor whose logarithm has this
standard deviation at one history ahead, and goes with this power of the part of it; more often faster than slower, by
this mean. Chosen so that wear in pieces is covered (``tests/benchmarks/drift_study.py``)."""


@dataclass(frozen=True, eq=False)
class OnsetLaws:
    """l laws: ``onset`` [cycles], ``power`` (below 0: ``onset`` is where wear runs away), the present cycle ``now``."""

    onset: Floats
    power: Floats
    now: float

    @classmethod
    def until(cls, now: float) -> OnsetLaws:
        """Laws for a history that ends at a cycle."""
        pairs = [(a, p) for a in ONSETS for p in POWERS if a >= 0 or p > 1]
        pairs = [(a, p) for a, p in pairs if not (a == 0 and p == 1.0)]  # the steady wear that is in each of them
        pairs += [(a, -q) for a in ENDS for q in RUNAWAYS]
        onset, power = np.array(pairs).T
        return cls(onset * now, power, now)

    def some(self, chosen: NDArray[np.intp]) -> OnsetLaws:
        """Some of the laws."""
        return OnsetLaws(self.onset[chosen], self.power[chosen], self.now)

    def columns(self, cycle: Floats) -> Floats:
        """Wear of each law at cycles (k,), 0 at the begin and 1 now, shape (k, l). Beyond where it runs away: inf."""
        c = np.concatenate([cycle, [0.0, self.now]])[:, None]
        away = self.power < 0
        part = np.where(away, self.onset - c, c - self.onset) / np.abs(self.now - self.onset)
        with np.errstate(divide="ignore"):
            made = np.maximum(part, 0.0) ** self.power
        return np.asarray((made[:-2] - made[-2]) / (made[-1] - made[-2]))


@dataclass(frozen=True, eq=False)
class LawDraws:
    """n draws: which law (n,), steady wear per cycle (n,), and the law's wear of today (n,), of ``weight`` (n,)."""

    law: NDArray[np.intp]
    steady: Floats
    worn: Floats
    weight: Floats


@dataclass(frozen=True)
class CrossingResult:
    """Cycle at which a limit is crossed: its middle and interval at ``coverage`` (inf: not to be expected).

    ``before_end`` is the probability of a crossing before the planned end; ``crossed`` says that today is beyond.
    """

    cycle: float
    low: float
    high: float
    before_end: float
    coverage: float
    crossed: bool


def crossing(
    laws: OnsetLaws, draws: LawDraws, *, limit: float, base: float, offset: float, planned_end: float,
    turns: Floats, coverage: float = 0.9,
) -> CrossingResult:  # fmt: skip
    """Cycle at which wear since the baseline crosses a limit.

    Parameters
    ----------
    laws : OnsetLaws
        l of them.
    draws : LawDraws
        n of them, in the unit of ``limit``.
    limit : float
        Change since ``base`` that counts as crossed, with its sign.
    base, offset : float
        Cycle of the baseline's middle, and the steps since then.
    planned_end : float
        Cycle at which the test is planned to end.
    turns : ndarray, shape (n,)
        Standard normal deviates of the draws: how the rate will turn.
    coverage : float
        Of the interval, between 0 and 1.

    Returns
    -------
    CrossingResult
        In cycles; an end is infinite where no crossing is to be expected within ten times the history.
    """
    now = laws.now
    ahead = np.concatenate([[0.0], np.geomspace(1e-3, AHEAD, PLACES - 1)]) * now
    shape, before = laws.columns(now + ahead), laws.columns(np.array([base]))[0]
    sign = np.sign(limit)
    found = np.full(draws.law.size, inf)
    crossed = np.zeros(draws.law.size, bool)
    for i, (law, d, b) in enumerate(zip(draws.law.tolist(), draws.steady, draws.worn, strict=True)):
        with np.errstate(invalid="ignore"):
            wear = d * (now + ahead - base) + b * (shape[:, law] - before[law])
            beyond = sign * (np.nan_to_num(wear, nan=0.0) + offset) >= abs(limit)
        k = int(np.argmax(beyond))
        crossed[i] = beyond[0]
        if beyond[k]:
            # Between two places of the grid the wear is near a line.
            a, z = (wear[k - 1], wear[k]) if k else (0.0, 1.0)
            part = (limit - offset - a) / (z - a) if k and isfinite(z) and z != a else 0.0
            found[i] = ahead[k - 1] + part * (ahead[k] - ahead[k - 1]) if k else 0.0
    spread = np.clip(np.where(np.isfinite(found), found, now) / now, 0.0, 1.0) ** TURN_POWER
    cycle = now + found / np.exp(spread * (TURN_SD * turns + TURN_MEAN))
    order = np.argsort(cycle)
    share = np.cumsum(draws.weight[order]) / draws.weight.sum()
    tail = (1 - coverage) / 2

    def quantile(p: float) -> float:
        return float(cycle[order[min(int(np.searchsorted(share, p)), cycle.size - 1)]])

    before_end = float(draws.weight[cycle <= planned_end].sum() / draws.weight.sum())
    beyond_now = float(draws.weight[crossed].sum() / draws.weight.sum()) > 0.5
    return CrossingResult(quantile(0.5), quantile(tail), quantile(1 - tail), before_end, coverage, beyond_now)
