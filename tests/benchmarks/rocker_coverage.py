"""Do the intervals of a rocker's curvature cover? Simulated arcs whose generator shares no code with the fit.

    python -m tests.benchmarks.rocker_coverage [draws]

All data are invented. A pass has 100 points along an arc of length L and curvature 1/R, with noise of 1 mm across and
along, white or AR(1) with 0.8 between neighbours, and over more of both on short arcs. The curvature of each pass
differs from the true one by the scatter between passes. "one pass": the 95 % interval of a single fit holds that pass's
own curvature, of those passes that are given a figure. "2 to 10 passes": the interval of their mean holds the true one.
"refused": no figure, for the arc is too short for its noise; counted by pass. "missed": the share of all single passes
whose figure is given and whose interval misses. "u/sd": middle stated over true standard deviation of one fit. A cell
is empty where fewer than 100 draws have a figure. The second table: a locked rocker over a free one, two to ten passes
each, and Fieller's interval of the ratio. The standard error of a coverage of 95 % is 0.3 % at 4,000 draws, which take
about a quarter of an hour of one core, and 2 % at the 100 draws that a cell has at least.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from functools import lru_cache

import numpy as np
from scipy.signal import lfilter
from scipy.stats import t as student

from benchpipe.kernels.rocker_arc import fit_arc
from benchpipe.kernels.rocker_noise import correlated_u
from benchpipe.kernels.rocker_passes import mean_of_passes, ratio_of
from benchpipe.kernels.rocker_short import blurred, too_short
from tests.benchmarks.cells import heading, row

POINTS, MOST = 100, 10
LEAST = 100
PASSES = (2, 3, 5, 10)
TILT = np.linspace(-0.1, 0.1, POINTS)
LENGTHS = (0.06, 0.12, 0.25)
RADII = (0.3, 2.0, np.inf)
NOISES = {"white": 0.0, "AR(1) 0.8": 0.8}


def noise(rng: np.random.Generator, rho: float, shape: tuple[int, ...], sd: float) -> np.ndarray:
    """Stationary noise of standard deviation ``sd`` along the last axis; the first 200 values are thrown away."""
    drive = rng.standard_normal((*shape[:-1], shape[-1] + 200)) * sd * np.sqrt(1.0 - rho**2)
    return np.asarray(lfilter([1.0], [1.0, -rho], drive)[..., 200:])


@lru_cache(maxsize=1)
def arc(curvature: float, length: float) -> np.ndarray:
    """Points of an arc by integrating its direction: no circle, no division by the curvature."""
    along = np.linspace(-length / 2, length / 2, 40 * POINTS + 1)
    turned = curvature * 0.5 * (along[1:] + along[:-1])
    steps = np.diff(along) * np.stack([np.cos(turned), np.sin(turned)])
    return np.concatenate([np.zeros((2, 1)), np.cumsum(steps, axis=1)], axis=1)[:, 20::40]


def one_cell(length: float, radius: float, rho: float, scatter: float, sd: float, draws: int) -> str:
    """A row of the table."""
    of = (1e3 * length, 1e3 / radius, 100 * rho, 10 * scatter, 1e4 * sd)
    rng = np.random.default_rng([17, *map(round, of)])
    true = 1.0 / radius
    inside = tried = refused = 0
    learnt = correlated_u(np.ones((9, 1)), np.zeros(9), 0)
    errors, stated = [], []
    hits, asked = dict.fromkeys(PASSES, 0), dict.fromkeys(PASSES, 0)
    for _ in range(draws):
        found = np.full(MOST, np.nan)
        for k in range(MOST):
            own = true + scatter * rng.standard_normal()
            x, y = arc(own, length) + noise(rng, rho, (2, POINTS), sd)
            fit = fit_arc(x, y)
            learnt = correlated_u(fit.gradient, fit.distance / fit.scale, 0) if k == 0 else learnt
            if too_short(fit, TILT):
                refused += 1
                continue
            found[k] = fit.curvature
            if k == 0:
                u = learnt.u / fit.scale * blurred(fit, TILT)
                tried += 1
                inside += abs(fit.curvature - own) <= student.ppf(0.975, learnt.dof) * u
                errors.append(fit.curvature - own)
                stated.append(u)
        for count in PASSES:
            mean = mean_of_passes(found[:count])
            asked[count] += np.isfinite(mean.u)
            hits[count] += mean.low <= true <= mean.high
    shares = [f"{100 * hits[c] / asked[c]:.1f}" if asked[c] >= LEAST else "" for c in PASSES]
    alone = f"{100 * inside / tried:.1f}" if tried >= LEAST else ""
    middle = f"{np.median(stated) / np.std(errors):.2f}" if tried >= LEAST else ""
    return row(
        f"{length:g}", "flat" if np.isinf(radius) else f"{radius:g}", "white" if rho == 0 else f"AR(1) {rho:g}",
        f"{scatter:g}", f"{1e3 * sd:g}", alone, f"{100 * (tried - inside) / draws:.1f}", middle, *shares,
        f"{100 * refused / (MOST * draws):.1f}",
    )  # fmt: skip


def cells(draws: int) -> Iterator[str]:
    """All rows: each length, radius and noise; scatter between passes; more noise on a short arc; noise that lasts."""
    for length in LENGTHS:
        for radius in RADII:
            for rho in NOISES.values():
                yield one_cell(length, radius, rho, 0.0, 1e-3, draws)
    for radius in RADII:
        yield one_cell(0.12, radius, 0.8, 0.6, 1e-3, draws)
    for sd in (2e-3, 3e-3, 3.5e-3, 4e-3, 5e-3):
        yield one_cell(0.06, 0.3, 0.8, 0.0, sd, draws)
    for sd in (1.5e-3, 2e-3):
        yield one_cell(0.06, 0.3, 0.0, 0.0, sd, draws)
    for rho in (0.9, 0.95):
        yield one_cell(0.12, 0.3, rho, 0.0, 1e-3, draws)


def ratios(draws: int) -> Iterator[str]:
    """Coverage of the ratio of curvatures, locked over free; the scatter of each is its own."""
    for count in PASSES:
        for free, locked, scatter in ((3.0, 0.1, 0.3), (3.0, 1.0, 0.3), (2.0, 0.5, 0.6)):
            rng = np.random.default_rng([29, count, round(10 * locked), round(10 * scatter)])
            hits = known = 0
            for _ in range(draws):
                top = mean_of_passes(locked + 0.5 * scatter * rng.standard_normal(count))
                bottom = mean_of_passes(free + scatter * rng.standard_normal(count))
                ratio = ratio_of(top, bottom)
                known += ratio.known
                hits += ratio.known and ratio.low <= locked / free <= ratio.high
            share = f"{100 * hits / known:.1f}" if known else ""
            yield row(f"{free:g}", f"{locked:g}", f"{scatter:g}", count, share, f"{100 * (1 - known / draws):.1f}")


def main(draws: int = 4000) -> None:
    """Print both tables."""
    print(f"{draws} draws a row\n")
    names = [f"{count} passes %" for count in PASSES]
    print(
        heading("L m", "R m", "noise", "scatter 1/m", "sd mm", "one pass %", "missed %", "u/sd", *names, "refused %"),
        flush=True,
    )
    for line in cells(draws):
        print(line, flush=True)
    print("\n" + heading("free 1/m", "locked 1/m", "scatter 1/m", "passes", "ratio covered %", "refused %"), flush=True)
    for line in ratios(draws):
        print(line, flush=True)


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
