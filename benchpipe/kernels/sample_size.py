"""What a number of specimens can show: half-widths, smallest p, power, and how many the next series needs."""

from __future__ import annotations

from math import comb, nan, sqrt

from benchpipe.kernels.chi import chi_density

MOST_SPECIMENS = 1_000


def least_p(n: int, m: int | None = None) -> float:
    """Smallest two-sided p of an exact test: of ``n`` pairs by their signs, of groups of ``n`` and ``m`` by labels.

    Parameters
    ----------
    n : int
        Pairs, or specimens of one group.
    m : int, optional
        Specimens of the other group; None: pairs.

    Returns
    -------
    float
        A probability, plain counting of signs or labels.
    """
    if m is None:
        return float(2.0 ** (1 - n))
    return (2.0 if n == m else 1.0) / float(comb(n + m, n))


def paired_power(n: int, effect: float, sd: float, risk: float = 0.05) -> float:
    """Probability that ``n`` pairs detect ``effect`` at a two-sided risk: noncentral Student.

    Parameters
    ----------
    n : int
        Pairs.
    effect, sd : float
        True difference and standard deviation of a pair's difference, in one unit.
    risk : float
        Between 0 and 1.

    Returns
    -------
    float
        A probability; 0 with fewer than two pairs, NaN where it cannot be computed.
    """
    from scipy.special import nctdtr, stdtrit

    if n < 2:
        return 0.0
    dof, shift = n - 1.0, abs(effect) / sd * sqrt(n)
    edge = -float(stdtrit(dof, 0.5 * risk))
    # The tail on the other side is that of the mirrored shift: nctdtr is defined for both signs.
    power = 1.0 - float(nctdtr(dof, shift, edge)) + 1.0 - float(nctdtr(dof, -shift, edge))
    return power if power == power else nan


def equivalence_power(n: int, margin: float, sd: float, risk: float = 0.05) -> float:
    """Probability that ``n`` pairs without a true difference show equivalence within ± ``margin``.

    ∫ over the sample's standard deviation s of P(|mean| < margin - t s/√n), exact for normal differences.

    Parameters
    ----------
    n : int
        Pairs.
    margin, sd : float
        Margin and standard deviation of a pair's difference, in one unit, > 0.
    risk : float
        Of each of the two one-sided tests.

    Returns
    -------
    float
        A probability; 0 with fewer than two pairs.
    """
    import numpy as np
    from scipy.special import ndtr, stdtrit

    if n < 2:
        return 0.0
    dof = n - 1.0
    x, w = np.polynomial.legendre.leggauss(200)
    most = margin * sqrt(n) / (-float(stdtrit(dof, risk)) * sd) * sqrt(dof)  # of χ: beyond it nothing is shown
    s = 0.5 * most * (x + 1.0)
    room = margin * sqrt(n) / sd + float(stdtrit(dof, risk)) * s / sqrt(dof)
    inside = 2.0 * ndtr(np.maximum(room, 0.0)) - 1.0
    return float(0.5 * most * w @ (inside * chi_density(s, dof)))


def pairs_needed(margin: float, sd: float, power: float = 0.8, risk: float = 0.05) -> tuple[int, int]:
    """Least pairs that detect a difference of ``margin``, and that show equivalence within it; 0: over 1,000.

    Parameters
    ----------
    margin, sd : float
        Both in one unit (of ratios: logarithms); ``sd`` that of a difference of a pair.
    power : float
        Probability of showing it, between 0 and 1.
    risk : float
        As for :func:`paired_power` and :func:`equivalence_power`.

    Returns
    -------
    detect, show : int
        Pairs; 0 where a thousand are not enough.
    """
    detect = next((n for n in range(2, MOST_SPECIMENS) if paired_power(n, margin, sd, risk) >= power), 0)
    show = next((n for n in range(2, MOST_SPECIMENS) if equivalence_power(n, margin, sd, risk) >= power), 0)
    return detect, show


def groups_needed(margin: float, sd: float, power: float = 0.8, risk: float = 0.05) -> int:
    """Least specimens in each of two groups that detect a difference of ``margin``; 0: over 1,000.

    ``sd`` is that of one specimen.

    Parameters
    ----------
    margin, sd : float
        Difference and standard deviation of one specimen, in one unit (of ratios: logarithms), > 0.
    power : float
        Probability of detecting it, between 0 and 1.
    risk : float
        Two-sided, between 0 and 1.

    Returns
    -------
    int
        Specimens in each group; 0 where a thousand are not enough.
    """
    from scipy.special import nctdtr, stdtrit

    for n in range(2, MOST_SPECIMENS):
        dof, shift = 2.0 * n - 2.0, margin / sd * sqrt(0.5 * n)
        if 1.0 - float(nctdtr(dof, shift, -float(stdtrit(dof, 0.5 * risk)))) >= power:
            return n
    return 0
