"""Noise that is a function of (key, number): any sample's noise can be had without those before it.

So a signal is the same to the last bit however it is cut, and chunks can be made in any order.
"""

from __future__ import annotations

import hashlib

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.compiled import compiled


def stream_key(seed: int, *names: object) -> np.uint64:
    """Key of one noise stream, such as ``stream_key(7, "Torque", "noise")``."""
    text = "/".join(str(part) for part in (seed, *names))
    return np.uint64(int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "little"))


@compiled
def uniform(key: np.uint64, number: int) -> float:
    """Number ``number`` of stream ``key``, inside (0, 1).

    SplitMix64 (Steele, Lea, Flood 2014, doi 10.1145/2714064.2660195), whose n-th
    output needs no earlier ones.
    """
    z = key + np.uint64(number + 1) * np.uint64(0x9E3779B97F4A7C15)
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    z = z ^ (z >> np.uint64(31))
    return (np.float64(z >> np.uint64(11)) + 0.5) * 1.1102230246251565e-16  # 2^-53


@compiled
def normal(key: np.uint64, number: int) -> float:
    """Standard normal of the same place: inverse distribution, algorithm AS 241 PPND16.

    Wichura 1988, Appl. Statist. 37:477-484; tested against scipy.special.ndtri.
    """
    q = uniform(key, number) - 0.5
    if abs(q) <= 0.425:
        r = 0.180625 - q * q
        top = (((((((2509.0809287301226727 * r + 33430.575583588128105) * r + 67265.770927008700853) * r
                + 45921.953931549871457) * r + 13731.693765509461125) * r + 1971.5909503065514427) * r
                + 133.14166789178437745) * r + 3.3871328727963666080)  # fmt: skip
        bottom = (((((((5226.4952788528545610 * r + 28729.085735721942674) * r + 39307.895800092710610) * r
                + 21213.794301586595867) * r + 5394.1960214247511077) * r + 687.18700749205790830) * r
                + 42.313330701600911252) * r + 1.0)  # fmt: skip
        return q * top / bottom
    r = np.sqrt(-np.log(0.5 - abs(q)))
    if r <= 5.0:
        r -= 1.6
        top = (((((((7.74545014278341407640e-4 * r + 0.0227238449892691845833) * r + 0.241780725177450611770) * r
                + 1.27045825245236838258) * r + 3.64784832476320460504) * r + 5.76949722146069140550) * r
                + 4.63033784615654529590) * r + 1.42343711074968357734)  # fmt: skip
        bottom = (((((((1.05075007164441684324e-9 * r + 5.47593808499534494600e-4) * r + 0.0151986665636164571966) * r
                + 0.148103976427480074590) * r + 0.689767334985100004550) * r + 1.67638483018380384940) * r
                + 2.05319162663775882187) * r + 1.0)  # fmt: skip
    else:
        r -= 5.0
        top = (((((((2.01033439929228813265e-7 * r + 2.71155556874348757815e-5) * r + 0.00124266094738807843860) * r
                + 0.0265321895265761230930) * r + 0.296560571828504891230) * r + 1.78482653991729133580) * r
                + 5.46378491116411436990) * r + 6.65790464350110377720)  # fmt: skip
        bottom = (((((((2.04426310338993978564e-15 * r + 1.42151175831644588870e-7) * r
                + 1.84631831751005468180e-5) * r + 7.86869131145613259100e-4) * r + 0.0148753612908506148525) * r
                + 0.136929880922735805310) * r + 0.599832206555887937690) * r + 1.0)  # fmt: skip
    return float(top / bottom if q > 0 else -top / bottom)


@compiled
def normals(key: np.uint64, first: int, count: int) -> NDArray[np.float64]:
    """Standard normals ``first … first + count - 1`` of a stream, float64, shape (count,)."""
    out = np.empty(count, np.float64)
    for i in range(count):
        out[i] = normal(key, first + i)
    return out
