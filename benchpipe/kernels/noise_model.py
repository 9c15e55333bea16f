"""Noise of one block of readings: white, one correlation time, and 1/f, each weighted by its likelihood.

Readings of neighbouring cycles are not independent. How far a window's mean or median scatters depends on noise
slower than the window, and that is only seen in the whole block. The block's periodogram, averaged in bands, is
compared with the one expected of a block of that length for some thousand noises. No single noise is chosen: a
figure's error is a mixture over all of them by their likelihood (`noise_mixture`).

References
----------
P. Whittle, J. R. Statist. Soc. B 15 (1953) 125: likelihood of a periodogram.
A. M. Sykulski et al., Biometrika 106 (2019) 251: compared with the *expected* periodogram it has no bias in short
blocks. Both written from memory; not checked against the papers.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from math import log

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FEWEST_READINGS = 20
"""Fewer are not compared with any noise."""
BANDS = 60
FREQUENCIES_A_BAND = 24
"""At most so many Fourier frequencies stand for a band of the expected periodogram, which is smooth."""
SHORTEST_TAU = 0.3
"""Shortest correlation time tried, in cycles: lag-1 autocorrelation 0.036."""
LONGEST_TAU = 1000.0
"""Correlation times are tried to the length of the block, and to so many cycles in shorter blocks: noise slower
than the block leaves no trace in it, so only the prior can allow for it."""
TAU_RATIO = 1.3
SHARES = (1.0, 0.9, 0.75, 0.6, 0.45, 0.3, 0.2, 0.12, 0.07, 0.04, 0.02)
"""Shares of the variance that are correlated; the rest is white."""
FLICKER_SHARES = (0.0, 0.03, 0.1, 0.2, 0.4, 0.7, 1.0)
FLICKER_TIMES = 14
"""1/f noise is the sum of so many correlation times, from half a cycle to twice the block."""
FLICKER_PRIOR = -5.0
"""Logarithm of the prior weight of each share of 1/f noise, against none."""
BARELY_SEEN = 20
"""A correlation time shows in a block that is at least so many times as long."""
SLOW_PRIOR = ((100.0, 0.5), (200.0, -0.5), (500.0, -1.5))
"""Logarithm of the prior weight of times that barely show, for blocks of so many readings (simulated: the least
weights whose intervals cover with an AR(1) of 0.99 under as much white noise)."""
REFINED_STEPS = 15
NEGLIGIBLE = 1e-4
"""Noises of less weight than this part of the likeliest do not set the range of a finer grid."""


@dataclass(frozen=True, eq=False)
class NoiseModels:
    """Noises that are compared, arrays of shape (models,), variance 1 each.

    ``flicker`` is the share of 1/f noise. Of the rest, ``share`` is correlated as exp(−k/``tau``) over k cycles and
    the rest white (``tau`` > 0 also where the share is 0). ``prior`` is the logarithm of the prior weight.
    """

    size: int
    flicker: Floats
    share: Floats
    tau: Floats
    prior: Floats

    def mix(self, slow: Floats, flicker: Floats | float, white: Floats | float) -> Floats:
        """Sum of the parts by their shares; ``slow`` is for each model's own correlation time."""
        share = self.share.reshape(-1, *(1,) * (slow.ndim - 1))
        level = self.flicker.reshape(share.shape)
        return np.asarray(level * flicker + (1 - level) * (share * slow + (1 - share) * white))


@dataclass(frozen=True, eq=False)
class NoiseFit:
    """Weights of the noises and their variances of one reading (unit of the values squared), shape (models,).

    ``ordinates``: how many ordinates of the periodogram were compared.
    """

    models: NoiseModels
    weight: Floats
    variance: Floats
    ordinates: int


@dataclass(frozen=True, eq=False)
class Bands:
    """Bands of Fourier frequencies k/N: their edges as k, shape (bands + 1,), and how many ordinates each holds.

    ``sampled`` are the k that stand for a band, from place ``starts`` on, ``taken`` of them.
    """

    edges: NDArray[np.intp]
    counts: Floats
    sampled: Floats
    starts: NDArray[np.intp]
    taken: Floats


@lru_cache(maxsize=32)
def bands_of(size: int, dropped: int) -> Bands:
    """Logarithmic bands of the ordinates ``dropped`` + 1 … (N − 1)//2: neither the mean nor the last is compared.

    Parameters
    ----------
    size : int
        Readings N of the block.
    dropped : int
        How many of the lowest frequencies are left out.

    Returns
    -------
    Bands
        At most `BANDS` - 1 of them. They are kept: do not change them in place.
    """
    grid = np.geomspace(1 + dropped, (size - 1) // 2 + 1, BANDS)
    edges = np.unique(np.round(grid).astype(np.intp))
    sampled = [
        np.unique(np.linspace(a, b - 1, int(min(b - a, FREQUENCIES_A_BAND))).round()) for a, b in pairwise(edges)
    ]
    taken = np.array([s.size for s in sampled])
    starts = np.concatenate([[0], np.cumsum(taken)[:-1]]).astype(np.intp)
    return Bands(edges, np.diff(edges).astype(float), np.concatenate(sampled), starts, taken.astype(float))


def banded_periodogram(values: Floats, bands: Bands) -> Floats:
    """Periodogram |FFT|²/N of the values, mean of each band, shape (bands,).

    Parameters
    ----------
    values : float64 array, shape (N,)
        Evenly spaced readings, in any unit.
    bands : Bands
        Of a block of N readings.

    Returns
    -------
    float64 array, shape (bands,)
        In the unit of the values squared: white noise gives its variance in each band.
    """
    spectrum = np.fft.rfft(values)[bands.edges[0] : bands.edges[-1]]
    power = spectrum.real**2 + spectrum.imag**2
    return np.asarray(np.add.reduceat(power, bands.edges[:-1] - bands.edges[0]) / bands.counts / values.size)


def expected_periodogram(size: int, taus: Floats, bands: Bands) -> Floats:
    """Expected periodogram of N readings of autocorrelation exp(−k/τ), in bands, shape (taus, bands).

    2 Re Σ (1 − k/N) zᵏ − 1 over k = 0 … N − 1, z = exp(−1/τ − 2πi j/N). At Fourier frequencies the sum is
    1/(1 − z) − z (1 − e^(−N/τ))/(N (1 − z)²).

    Parameters
    ----------
    size : int
        Readings N of the block.
    taus : float64 array, shape (t,)
        Correlation times in readings, > 0.
    bands : Bands
        Of a block of N readings.

    Returns
    -------
    float64 array, shape (t, bands)
        For a variance of 1.
    """
    z = np.exp(-1 / taus[:, None] - 2j * np.pi * bands.sampled / size)
    away = 1 - z
    end = -np.expm1(-size / taus)[:, None]
    density = 2 * (1 / away - z * end / (size * away**2)).real - 1
    return np.asarray(np.add.reduceat(density, bands.starts, axis=1) / bands.taken)


@dataclass(frozen=True, eq=False)
class NoiseGrid:
    """Models of one block length with their inverse spectra, shape (models, bands)."""

    models: NoiseModels
    bands: Bands
    inverse: Floats
    log_volume: Floats

    def fit(self, power: Floats) -> NoiseFit:
        """Weights and variances for one banded periodogram. Each model has its most likely variance."""
        total = float(self.bands.counts.sum())
        variance = self.inverse @ (self.bands.counts * power) / total
        worth = self.models.prior - self.log_volume - total * np.log(variance)
        weight = np.exp(worth - worth.max())
        return NoiseFit(self.models, weight / weight.sum(), variance, int(total))


def flicker_times(size: int) -> Floats:
    """Correlation times whose sum is 1/f noise in a block of N readings.

    Parameters
    ----------
    size : int
        Readings N of the block.

    Returns
    -------
    float64 array, shape (FLICKER_TIMES,)
        In readings, rising from 0.5 to 2 N in equal ratios.
    """
    return np.geomspace(0.5, 2.0 * size, FLICKER_TIMES)


def make_grid(models: NoiseModels, bands: Bands) -> NoiseGrid:
    """Expected spectra of the models in the bands, ready to be compared with a periodogram.

    Parameters
    ----------
    models : NoiseModels
    bands : Bands
        Of a block as long as that of the models.

    Returns
    -------
    NoiseGrid
        Spectra are those of a variance of 1.
    """
    taus, which = np.unique(models.tau, return_inverse=True)
    slow = expected_periodogram(models.size, taus, bands)[which]
    flicker = expected_periodogram(models.size, flicker_times(models.size), bands).mean(axis=0)
    spectra = models.mix(slow, flicker, 1.0)
    return NoiseGrid(models, bands, 1 / spectra, np.log(spectra) @ bands.counts)


def _models(size: int, taus: Floats, shares: Floats, levels: Floats) -> NoiseModels:
    """All combinations, with their prior weights."""
    level, tau, share = (a.ravel() for a in np.meshgrid(levels, taus, shares, indexing="ij"))
    known = [log(n) for n, _ in SLOW_PRIOR]
    slow = float(np.interp(log(size), known, [weight for _, weight in SLOW_PRIOR]))
    prior = np.where(level > 0, FLICKER_PRIOR, 0.0) + np.where(tau > size / BARELY_SEEN, slow, 0.0)
    return NoiseModels(size, level, share, tau, prior)


@lru_cache(maxsize=32)
def noise_grid(size: int, dropped: int) -> NoiseGrid:
    """All noises tried on a block of N readings, kept: blocks of one length share them.

    Parameters
    ----------
    size : int
        Readings N of the block.
    dropped : int
        How many of the lowest frequencies are left out.

    Returns
    -------
    NoiseGrid
        It is kept: do not change it in place.
    """
    longest = max(float(size), LONGEST_TAU)
    taus = np.geomspace(SHORTEST_TAU, longest, int(log(longest / SHORTEST_TAU) / log(TAU_RATIO)) + 1)
    return make_grid(_models(size, taus, np.array(SHARES), np.array(FLICKER_SHARES)), bands_of(size, dropped))


def fit_noise(values: Floats, dropped: int = 0) -> NoiseFit:
    """Compare the periodogram of N >= `FEWEST_READINGS` values with that of all noises.

    Parameters
    ----------
    values : ndarray, shape (N,)
        They must vary. Their mean does not matter.
    dropped : int
        How many of the lowest frequencies to leave out: a curve that was taken off took their noise with it.

    Returns
    -------
    NoiseFit
        ``variance`` in the unit of the values squared.
    """
    grid = noise_grid(values.size, dropped)
    power = banded_periodogram(values, grid.bands)
    fit = grid.fit(power)
    finer = _finer(fit)
    return fit if finer is None else make_grid(finer, grid.bands).fit(power)


def _finer(fit: NoiseFit) -> NoiseModels | None:
    """A finer grid about the likely models, where a long block leaves few: one model is too coarse a choice."""
    likely = fit.weight > NEGLIGIBLE * fit.weight.max()
    models, ladder = fit.models, np.array(SHARES[::-1])
    taus, rungs = models.tau[likely], np.searchsorted(ladder, models.share[likely])
    low, high = max(int(rungs.min()) - 1, 0), min(int(rungs.max()) + 1, ladder.size - 1)
    first, last = float(taus.min()) / TAU_RATIO, float(taus.max()) * TAU_RATIO
    if last / first > TAU_RATIO**8 or high - low > 5:
        return None
    shares = np.interp(np.linspace(low, high, REFINED_STEPS), np.arange(ladder.size), ladder)
    levels = np.unique(models.flicker[likely])
    return _models(models.size, np.geomspace(first, last, REFINED_STEPS), shares, levels)
