"""Rubber bumpers: hardness and shape → modulus, and static laws of force against compression.

Compression x and the block's height h share one unit; forces come out in N where moduli are in MPa and lengths in mm.

References
----------
A. N. Gent, Trans. Inst. Rubber Ind. 34 (1958) 46: modulus from hardness. A. N. Gent and P. B. Lindley, Proc. Inst.
Mech. Eng. 173 (1959) 111: apparent modulus of bonded blocks. L. R. G. Treloar, *The Physics of Rubber Elasticity*:
statistical theory, F = A E (λ⁻² - λ)/3. All written from memory; the numbers are verified in the tests.
"""

from __future__ import annotations

from math import log, nan

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
HARDNESS_TOLERANCE = 5.0  # Shore A
MOST_COMPRESSION = 0.9  # of the height: beyond it the block law is held at its value there


def gent_modulus(shore_a: float) -> float:
    """Young's modulus [MPa] from Shore A hardness (Gent 1958); NaN outside 20 to 80.

    A prior and no more: 60 ± 5 (a usual tolerance) is -18/+23 % of the modulus.

    Parameters
    ----------
    shore_a : float
        Hardness, Shore A.

    Returns
    -------
    float
        [MPa]; NaN outside 20 to 80.
    """
    if not 20.0 <= shore_a <= 80.0:
        return nan
    return _gent(shore_a)


def gent_spread(shore_a: float, tolerance: float = HARDNESS_TOLERANCE) -> float:
    """Half of ln(E(H + tolerance)/E(H - tolerance)): what a tolerance of hardness is of the modulus.

    Parameters
    ----------
    shore_a : float
        Hardness H, Shore A.
    tolerance : float
        Shore A; 5 is usual (from memory).

    Returns
    -------
    float
        Of ln E: 0.200 at 60 ± 5; NaN outside 20 to 80.

    Notes
    -----
    The ends of the tolerance may lie up to 5 outside the range of Gent's formula, where it is still smooth.
    """
    if not 20.0 <= shore_a <= 80.0:
        return nan
    return 0.5 * log(_gent(shore_a + tolerance) / _gent(shore_a - tolerance))


def _gent(shore_a: float) -> float:
    return 0.0981 * (56.0 + 7.62336 * shore_a) / (0.137505 * (254.0 - 2.54 * shore_a))


def shape_factor(height: float, *, outer: float, inner: float = 0.0) -> float:
    """Loaded area over free area of a disc, or of a ring with a hole ``inner``: (D - d)/(4 h).

    Parameters
    ----------
    height : float
        [mm], > 0.
    outer, inner : float
        Diameters [mm]; ``inner`` 0: a disc.

    Returns
    -------
    float
        Without unit.
    """
    return (outer - inner) / (4.0 * height)


def apparent_modulus(modulus: float, shape: float, beta: float = 2.0) -> float:
    """E (1 + β S²): β = 2 with bonded faces, towards 0 with lubricated ones.

    Parameters
    ----------
    modulus : float
        Young's modulus E [MPa].
    shape : float
        Shape factor S.
    beta : float
        Without unit, from 0 to 2.

    Returns
    -------
    float
        [MPa]

    Notes
    -----
    A. N. Gent and P. B. Lindley, Proc. Inst. Mech. Eng. 173 (1959) 111; from memory, not looked up.
    """
    return modulus * (1.0 + beta * shape**2)


def block_force(x: ArrayLike, scale: float, height: float) -> Floats:
    """Force of a rubber block: ``scale`` (λ⁻² - λ) h / 3, λ = 1 - x/h; ``scale`` is the stiffness at contact A E_a / h.

    Zero where the bumper is open (x below 0).

    Parameters
    ----------
    x : array_like, any shape
        Compression [mm]; of a torsional bumper the angle [deg].
    scale : float
        Stiffness at contact [N/mm, torsional N·m/deg].
    height : float
        h [mm, torsional deg], > 0.

    Returns
    -------
    float64 array, same shape
        [N, torsional N·m]; beyond `MOST_COMPRESSION` as at it.

    Notes
    -----
    L. R. G. Treloar, *The Physics of Rubber Elasticity*; from memory, not looked up.
    """
    lam = 1.0 - np.clip(np.asarray(x, np.float64) / height, 0.0, MOST_COMPRESSION)
    return np.asarray(scale * height * (lam**-2 - lam) / 3.0)


def polynomial_force(x: ArrayLike, k1: float, k2: float, k3: float) -> Floats:
    """k1 x + k2 x² + k3 x³ beyond contact; monotone where no coefficient is negative.

    Parameters
    ----------
    x : array_like, any shape
        Compression beyond contact [mm]; of a torsional bumper the angle [deg].
    k1, k2, k3 : float
        [N/mm], [N/mm²], [N/mm³]; torsional N·m for N and deg for mm.

    Returns
    -------
    float64 array, same shape
        [N, torsional N·m]; 0 where the bumper is open (x below 0).
    """
    c = np.maximum(np.asarray(x, np.float64), 0.0)
    return np.asarray(c * (k1 + c * (k2 + c * k3)))


def bilinear_force(x: ArrayLike, k0: float, more: float, knee: float, width: float) -> Floats:
    """k0 x + more · width · ln((1 + e^((x - knee)/width)) / (1 + e^(-knee/width))): zero at contact, a smooth knee.

    Parameters
    ----------
    x : array_like, any shape
        Compression beyond contact [mm]; of a torsional bumper the angle [deg].
    k0, more : float
        Stiffness at first, and what is added beyond the knee [N/mm, torsional N·m/deg].
    knee, width : float
        Where the knee is, and how wide [mm, torsional deg]; ``width`` is above zero.

    Returns
    -------
    float64 array, same shape
        [N, torsional N·m]; 0 where the bumper is open (x below 0).
    """
    c = np.maximum(np.asarray(x, np.float64), 0.0)
    bend = np.logaddexp(0.0, (c - knee) / width) - np.logaddexp(0.0, -knee / width)
    return np.asarray(k0 * c + more * width * bend)
