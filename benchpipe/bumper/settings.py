"""Loops of measured settings: what lies between them, how well that is known, and what a left-out setting shows.

The reference is interpolation: log secant and normalised branches between the two neighbouring settings, loading and
unloading apart. Its error is taken from the settings themselves, each interior one left out in turn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, inf, log, nan, sqrt

import numpy as np

from benchpipe.kernels.loop_branches import Branches, between, largest_difference, rms_difference
from benchpipe.kernels.risk import student_guard

LEAST_SETTINGS = 4  # two interior ones: fewer show no scatter of the errors
LEAST_ERROR = 1e-6  # of the load range: an error of nought would be a band of nought


@dataclass(frozen=True)
class SettingCheck:
    """One interior setting predicted from its neighbours.

    ``rms`` and ``largest`` are of the load range, ``secant`` and ``area`` relative (predicted over measured, less 1).
    """

    setting: float
    rms: float
    largest: float
    secant: float
    area: float


@dataclass(frozen=True)
class Errors:
    """Errors of a way to predict, each interior setting left out.

    Attributes
    ----------
    left_out : tuple of SettingCheck
    rms, secant, area : float
        Medians of their sizes.
    """

    left_out: tuple[SettingCheck, ...]
    rms: float
    secant: float
    area: float

    @property
    def known(self) -> bool:
        """Whether there are enough for a band."""
        return len(self.left_out) >= LEAST_SETTINGS - 2

    def band(self, coverage: float) -> float:
        """Half-width, in parts of the load range, that holds a whole curve.

        The largest errors of the settings left out are taken as lognormal: exp(mean + t s √(1 + 1/n)).
        """
        if not self.known:
            return inf
        logs = np.log([max(one.largest, LEAST_ERROR) for one in self.left_out])
        t = float(student_guard(1.0 - coverage, logs.size - 1.0))
        return exp(float(logs.mean()) + t * float(logs.std(ddof=1)) * sqrt(1.0 + 1.0 / logs.size))

    def relative_u(self, name: str) -> tuple[float, float]:
        """Standard uncertainty of the logarithm of secant or area, and its degrees of freedom.

        The rms of n errors left out times √(1 + 1/n), with n - 1 degrees of freedom: neighbours share settings, so
        that n would be too many.
        """
        if not self.known:
            return inf, 1.0
        logs = np.array([log1p_safe(getattr(one, name)) for one in self.left_out])
        logs = logs[np.isfinite(logs)]
        if logs.size < LEAST_SETTINGS - 2:
            return inf, 1.0
        return sqrt(float(np.mean(logs**2)) * (1.0 + 1.0 / logs.size)), logs.size - 1.0


def log1p_safe(share: float) -> float:
    """ln(1 + share); NaN where that has none."""
    return log(1.0 + share) if share > -1.0 else nan


def interpolated(settings: Sequence[float], loops: Sequence[Branches], setting: float) -> Branches:
    """The loop at a setting between two of those measured.

    Parameters
    ----------
    settings : sequence of float
        Rising.

    Raises
    ------
    ValueError
        The setting lies outside.
    """
    if not settings[0] <= setting <= settings[-1]:
        raise ValueError(f"setting {setting:g} lies outside {settings[0]:g} to {settings[-1]:g}")
    i = min(max(int(np.searchsorted(settings, setting, "right")) - 1, 0), len(settings) - 2)
    share = (setting - settings[i]) / (settings[i + 1] - settings[i])
    return between(loops[i], loops[i + 1], share)


def errors_left_out(
    settings: Sequence[float], measured: Sequence[Branches], model: Sequence[Branches] | None = None
) -> Errors:
    """Errors of the interior settings, each predicted from its neighbours.

    Parameters
    ----------
    model : sequence of Branches, optional
        Loops of a law fitted to each setting alone; the measured loops themselves where not given.
    """
    source = measured if model is None else model
    found = []
    for i in range(1, len(settings) - 1):
        share = (settings[i] - settings[i - 1]) / (settings[i + 1] - settings[i - 1])
        guess, truth = between(source[i - 1], source[i + 1], share), measured[i]
        unit = truth.load_range
        found.append(SettingCheck(
            settings[i], rms_difference(guess, truth) / unit, largest_difference(guess, truth) / unit,
            _ratio(guess.secant, truth.secant), _ratio(guess.area, truth.area),
        ))  # fmt: skip
    medians = [
        float(np.median([abs(getattr(one, n)) for one in found])) if found else nan for n in ("rms", "secant", "area")
    ]
    return Errors(tuple(found), *medians)


def _ratio(guess: float, truth: float) -> float:
    return guess / truth - 1.0 if truth else nan


@dataclass(frozen=True)
class BandCheck:
    """Whether a band made without a setting holds it."""

    setting: float
    half_width: float
    whole_curve_inside: bool
    secant_inside: bool


def left_out_bands(settings: Sequence[float], loops: Sequence[Branches], coverage: float = 0.9) -> list[BandCheck]:
    """For each interior setting: the band from the other settings alone, and whether the setting lies in it."""
    found = []
    for i in range(1, len(settings) - 1):
        rest = [j for j in range(len(settings)) if j != i]
        others, other_loops = [settings[j] for j in rest], [loops[j] for j in rest]
        errors = errors_left_out(others, other_loops)
        guess = interpolated(others, other_loops, settings[i])
        width = errors.band(coverage) * guess.load_range
        u, dof = errors.relative_u("secant")
        half = float(student_guard(0.5 * (1.0 - coverage), dof)) * u
        found.append(BandCheck(
            settings[i], width, largest_difference(guess, loops[i]) <= width,
            abs(log1p_safe(_ratio(guess.secant, loops[i].secant))) <= half,
        ))  # fmt: skip
    return found
