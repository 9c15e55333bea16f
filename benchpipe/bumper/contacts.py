"""Contact angles and backlash of a fitted pair of bumpers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import asin, inf, isfinite, nan, pi, sqrt

import numpy as np

from benchpipe.bumper.model import BumperModel, LawModel, SettingFit


@dataclass(frozen=True)
class Contact:
    """Where bumpers touch [deg], with standard uncertainties; NaN: the loop does not identify it.

    Attributes
    ----------
    setting : float
    rising, rising_u : float
        Motion above which the bumper of rising motion is pressed.
    falling, falling_u : float
        Motion below which the other one is pressed.
    backlash : float
        Motion in which neither is; 0 where both are pressed at some motion.
    """

    setting: float
    rising: float
    rising_u: float
    falling: float
    falling_u: float
    backlash: float


def law_of_pairs(model: BumperModel) -> LawModel:
    """The law with friction for two bumpers that were not measured together.

    One whose parameters the loops identify, before others; of those the one that predicts settings left out best, or
    lies nearest to its loops where that is not known.
    """

    def rank(law: LawModel) -> tuple[int, float, float]:
        error = law.errors.rms if isfinite(law.errors.rms) else inf
        vague = len({name for fit in law.fits for name in fit.not_identified})
        return vague, error, float(np.median([fit.rms for fit in law.fits]))

    return min((law for law in model.laws if law.loss == "friction"), key=rank)


def contacts_of(model: BumperModel, law: LawModel) -> Iterator[Contact]:
    """Contacts of each setting at its slowest rate."""
    seen: set[float] = set()
    for fit in sorted(law.fits, key=lambda one: (one.setting, one.rate_deg_s)):
        if fit.setting not in seen:
            seen.add(fit.setting)
            yield _contact(fit, model.arms)


def _contact(fit: SettingFit, arms: tuple[float, float] | None) -> Contact:
    ends = []
    for side, sign in enumerate((-1.0, 1.0)):
        at = fit.names.index(f"{'dp'[side]}.preload")
        x, u = sign * fit.value[at], fit.u[at]
        if not isfinite(u):
            ends.append((nan, nan))
        elif arms is None:
            ends.append((x, u))
        else:
            sine = min(max(x / arms[side], -1.0), 1.0)
            ends.append((asin(sine) * 180.0 / pi, u / (arms[side] * sqrt(max(1.0 - sine**2, 1e-9))) * 180.0 / pi))
    (rising, rising_u), (falling, falling_u) = ends
    gap = rising - falling
    return Contact(fit.setting, rising, rising_u, falling, falling_u, max(gap, 0.0) if isfinite(gap) else nan)
