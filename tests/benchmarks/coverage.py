"""Do the 95 % intervals of a hold cover? Simulated holds of every law, with correlated noise.

    python -m tests.benchmarks.coverage [holds per law] [processes]

All data are invented. For each law: an hour at 1 Hz, a degree or less of creep, noise of one
correlation time (lag-1 autocorrelation 0.8) and, in a second table, slow noise under white noise.
"law known": intervals of that law's own fit; "law chosen": those that a user gets, free of a law in the
hold and over all laws the data allow beyond it. The standard error of a cell at 2,000 holds is 0.5 %. Each row is
printed as soon as it is known.
"""

from __future__ import annotations

import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import get_args

import numpy as np

from benchpipe.kernels.creep_fit import CreepKind, fit_creep
from benchpipe.kernels.creep_laws import CreepLaw, law_named
from benchpipe.kernels.lines import t_quantile
from benchpipe.kernels.nonlinear import standard_error
from tests.benchmarks.cells import heading, row
from tests.kernels.averaged import log_averages

TRUTH: dict[str, tuple[tuple[float, ...], str]] = {
    "steady leak": ((1.0, 1e-4), "leaking"),
    "log time": ((1.0, 0.06), "settling"),
    "Findley power": ((1.0, 0.02, 0.3), "settling"),
    "Kelvin": ((1.0, 0.2, 300.0), "settling"),
    "Burgers": ((1.0, 0.1, 4e-5, 200.0), "both"),
    "Andrade": ((1.0, 0.006, 3e-5), "both"),
    "log time and leak": ((1.0, 0.04, 4e-5), "both"),
    "Findley power and leak": ((1.0, 0.02, 3e-5, 0.25), "both"),
}
"""Parameters [deg, s] of each law, in the order of its row, and the kind it is."""
FIGURES = ("60 s", "600 s", "end", "end rate", "10 x end")
KINDS: tuple[CreepKind, ...] = get_args(CreepKind)


@dataclass(frozen=True)
class Noise:
    """Noise of the readings: σ [deg], lag-1 autocorrelation, share of the variance that is slow."""

    sigma: float = 0.005
    rho: float = 0.8
    share: float = 1.0

    def sample(self, rng: np.random.Generator, n: int) -> np.ndarray:
        """n readings."""
        from scipy.signal import lfilter

        drive = rng.standard_normal(n)
        drive[0] /= np.sqrt(1 - self.rho**2)
        slow = lfilter([np.sqrt(1 - self.rho**2)], [1.0, -self.rho], drive)
        white = rng.standard_normal(n)
        return np.asarray(self.sigma * (np.sqrt(self.share) * slow + np.sqrt(1 - self.share) * white))


@dataclass(frozen=True)
class CoverageRow:
    """Share of holds whose interval holds the truth, for each of FIGURES, and of each kind given.

    ``known`` is of the holds (``fitted``) in which the law's own fit converged inside its bounds.
    """

    law: str
    fitted: float
    known: tuple[float, ...]
    chosen: tuple[float, ...]
    kinds: dict[str, float]
    right_law: float


def _figures(law: CreepLaw, p: np.ndarray, since: float, end: float) -> tuple[np.ndarray, np.ndarray]:
    """FIGURES of a law and their gradients by its parameters."""
    at, start, last = np.array([60.0, 600.0, end, 10 * end]), np.array([since]), np.array([end])
    creep = law.value(at, p) - law.value(start, p)
    slopes = law.gradient(at, p) - law.gradient(start, p)
    return np.insert(creep, 3, law.rate(last, p)), np.insert(slopes, 3, law.rate_gradient(last, p), axis=0)


def cover_law(name: str, holds: int, noise: Noise = Noise(), length: float = 3600.0, seed: int = 7) -> CoverageRow:
    """Simulate holds of one law, with noise of its own, and count what their intervals cover."""
    law, p = law_named(name), np.array(TRUTH[name][0])
    t = np.arange(1.0, length + 1)
    rng = np.random.default_rng([seed, list(TRUTH).index(name)])
    known, chosen = np.zeros(len(FIGURES)), np.zeros(len(FIGURES))
    fitted, laws, kinds = 0, Counter[str | None](), Counter[str]()
    for _ in range(holds):
        bins = log_averages(t, law.value(t, p) + noise.sample(rng, t.size), start=10.0)
        result = fit_creep(bins.position, bins.value, bins.count, end_s=length, asked_s=(60.0, 600.0, 10 * length))
        truth, _ = _figures(law, p, result.reference_s, length)
        early, middle, far = (c.creep for c in result.creep_at)
        given = (early, middle, result.creep_end, result.end_rate, far)
        chosen += [e.low <= v <= e.high for e, v in zip(given, truth, strict=True)]
        fit = result.fits.fit(name)
        if fit.usable:
            value, gradient = _figures(law, fit.parameters, result.reference_s, length)
            reach = t_quantile(result.coverage, result.fits.dof) * standard_error(gradient, fit.covariance)
            known += np.abs(value - truth) <= reach
            fitted += 1
        laws[result.law] += 1
        kinds[result.kind] += 1
    share = {kind: n / holds for kind, n in kinds.most_common()}
    return CoverageRow(
        name, fitted / holds, tuple(known / max(fitted, 1)), tuple(chosen / holds), share, laws[name] / holds
    )


def table_row(given: CoverageRow) -> str:
    """One row in per cent."""
    shares = (*given.known, given.fitted, *given.chosen, given.right_law, *(given.kinds.get(k, 0.0) for k in KINDS))
    return row(given.law, *(f"{100 * share:.1f}" for share in shares))


def main(holds: int = 2000, processes: int = 2) -> None:
    """Print both tables."""
    for noise in (Noise(), Noise(rho=0.95, share=0.4)):
        known, chosen = ([f"{way}: {name}" for name in FIGURES] for way in ("known", "chosen"))
        print(f"{holds} holds of each law, {noise}, per cent of them.\n", flush=True)
        print(heading("law", *known, "fitted", *chosen, "law found", *KINDS), flush=True)
        with ProcessPoolExecutor(processes) as pool:
            for given in pool.map(partial(cover_law, holds=holds, noise=noise), TRUTH):
                print(table_row(given), flush=True)
        print(flush=True)


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
