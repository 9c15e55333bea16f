"""How long one pass of a roll takes: ``python -m tests.benchmarks.rocker_pass [rows] [times]``.

CPU time of one core. The pass (arc, rolling slope and thirds, stiffness, an interval for each that allows for
correlated noise) and one circle by ``scipy.optimize.least_squares`` on the same rows take turns, so that their ratio
holds on a busy machine too. Invented data: a rigid rocker with white noise of 1 mm.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import numpy as np
from scipy.optimize import least_squares

from benchpipe.kernels.rocker_pass import in_shank_axes, measure_pass
from tests.benchmarks.cells import figures

RADIUS, HEIGHT, NOISE = 0.35, 0.08, 1e-3


def rolled(rows: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Centre of pressure, ankle, tilt, travel and force."""
    tilt = np.radians(np.linspace(-15.0, 20.0, rows))
    contact, arm = RADIUS * tilt, RADIUS - HEIGHT
    ankle = np.stack([contact - arm * np.sin(tilt), RADIUS - arm * np.cos(tilt)])
    cop = np.stack([contact, np.zeros(rows)]) + NOISE * np.random.default_rng(1).standard_normal((2, rows))
    return cop, ankle, tilt, cop[0], np.full(rows, 800.0)


def spent(work: Callable[[], object]) -> float:
    """CPU time [ms]."""
    begun = time.process_time()
    work()
    return 1e3 * (time.process_time() - begun)


def main(rows: int = 10_000, times: int = 200) -> None:
    """Print the table."""
    data = rolled(rows)
    x, y = in_shank_axes(*data[:3])

    def circle() -> object:
        start = [x.mean(), y.mean() + RADIUS, RADIUS]
        return least_squares(lambda p: np.hypot(x - p[0], y - p[1]) - p[2], start)

    def ours() -> object:
        return measure_pass(*data)

    ours(), circle()
    both = np.array([(spent(ours), spent(circle)) for _ in range(times)])
    (middle, other), (least, _) = np.median(both, axis=0), both.min(axis=0)
    print(
        figures(
            (
                (f"a pass of {rows:,} rows, middle of {times}", f"{middle:.1f}", "ms", ""),
                ("the quickest of them", f"{least:.1f}", "ms", "5"),
                ("one circle by scipy.optimize.least_squares", f"{other:.1f}", "ms", ""),
                ("the pass / that circle", f"{np.median(both[:, 0] / both[:, 1]):.2f}", "1", ""),
            )
        )
    )


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
