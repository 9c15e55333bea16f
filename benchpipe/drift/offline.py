"""Steps of a whole history at once, by an exact penalised search: a check on what the nights found.

References
----------
R. Killick, P. Fearnhead & I. A. Eckley, J. Am. Statist. Assoc. 107 (2012) 1590 (exact search, penalty); Y.-C. Yao,
Statist. Probab. Lett. 6 (1988) 181 (penalty 2σ² ln n). Written from memory; not checked against the papers.
"""

from __future__ import annotations

from math import log

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.kernels.robust import MAD_TO_SIGMA

Floats = NDArray[np.float64]

MOST_VALUES = 20_000
PENALTY = 3.0
"""Times σ² ln n that a step must lower the sum of squares by: Yao's 2 for the place, and 1 for the height (Schwarz)."""
MOST_DOUBLINGS = 14
"""The search begins with a penalty 2¹⁴ times that of white noise: with no step at all."""


def offline_steps(values: ArrayLike, shortest: int = 2, inflation: float | None = None) -> list[int]:
    """Indices at which a new level begins.

    Parameters
    ----------
    values : array_like, shape (n,)
        Finite values, what is no step taken out.
    shortest : int
        Values that a level has at least.
    inflation : float, optional
        Variance of a long mean over that of independent values, n/n_eff: slow noise costs so much more. Without it,
        from what is left by fewer steps (`slowness`).

    Raises
    ------
    ValueError
        A value that is not finite, or more than 20,000 of them.
    """
    import ruptures

    y = np.asarray(values, np.float64)
    if not np.isfinite(y).all():
        raise ValueError("values must be finite: leave out what is missing")
    if y.size > MOST_VALUES:
        raise ValueError(f"{y.size} values, at most {MOST_VALUES}: take means of neighbours first")
    if y.size < 2 * max(shortest, 2) or np.ptp(y) == 0:
        return []
    steps = np.diff(y)
    variance = max((MAD_TO_SIGMA * float(np.median(np.abs(steps - np.median(steps))))) ** 2 / 2, 1e-24 * float(y @ y))
    search = ruptures.KernelCPD(kernel="linear", min_size=max(shortest, 2)).fit(y[:, None])
    penalty = PENALTY * variance * log(y.size)
    if inflation is not None:
        return _search(search, penalty * inflation)
    return _parsimonious(y, search, penalty)


def _parsimonious(y: Floats, search: object, penalty: float) -> list[int]:
    """More steps only where noise would not lower the sum of squares as far.

    How slow the noise is: between what fewer steps leave, a true one still in it, and what more of them do.
    """
    found: list[int] = []
    for power in range(MOST_DOUBLINGS, -1, -1):
        more = _search(search, penalty * 2.0**power)
        if len(more) <= len(found):
            continue
        few, many = _left(y, found), _left(y, more)
        after = float(many @ many)
        each = PENALTY * after / y.size * log(y.size) * (slowness(few) * slowness(many)) ** 0.5
        if float(few @ few) - after > each * (len(more) - len(found)):
            found = more
    return found


def slowness(values: Floats) -> float:
    """Variance of a long mean over that of independent values: 1 + 2 Σρ to the first that is not positive."""
    total = float(values @ values)
    if not total > 0:
        return 1.0
    made = 1.0
    for k in range(1, max(values.size // 10, 2)):
        rho = float(values[k:] @ values[:-k]) / total
        if rho <= 0:
            break
        made += 2 * rho
    return made


def _search(search: object, penalty: float) -> list[int]:
    return [int(i) for i in search.predict(pen=penalty)[:-1]]  # type: ignore[attr-defined]


def _left(y: Floats, found: list[int]) -> Floats:
    """Values less the mean of their level."""
    return np.concatenate([part - part.mean() for part in np.split(y, found)])
