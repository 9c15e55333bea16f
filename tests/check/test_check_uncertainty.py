"""The uncertainty of a judged value: calibration, sampling, spread, each against its formula or a draw."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from benchpipe.check.uncertainty import calibration_u, single_u, spread_u

from benchpipe.check.measures import MEASURES
from benchpipe.check.values import Values
from benchpipe.config.model import load_model
from benchpipe.config.rig import RigConfig
from tests.config.written import write_lab

EMPTY = np.empty(0)
TYPICAL = Values(EMPTY, EMPTY, EMPTY, 0, load_range=75.0, motion_range=3.6)


def rig(folder: Path, torque: str, angle: str) -> RigConfig:
    """The small rig with these certificates."""
    plain = 'uncertainty = "0.5 %"\nuncertainty_floor = "0.1 N*m"\n'
    write_lab(folder, rig=(plain, torque))
    text = (folder / "rig.toml").read_text().replace('unit = "deg"\n', 'unit = "deg"\n' + angle)
    (folder / "rig.toml").write_text(text)
    return load_model(RigConfig, folder / "rig.toml")[0]


def test_calibration_enters_as_the_measure_follows_its_channels(tmp_path: Path) -> None:
    made = rig(tmp_path, 'uncertainty = "0.6 %"\n', 'uncertainty = "0.8 %"\n')
    for name, relative in [
        ("peak_load", 0.006), ("motion_range", 0.008), ("energy_j", 0.010), ("secant_stiffness", 0.010),
        ("loss_factor", 0.0), ("period_s", 0.0), ("temperature_c", 0.0), ("rate_end_per_h", 0.008),
    ]:  # fmt: skip
        asked = 0.5 * relative * 40.0  # expanded, k = 2
        assert calibration_u(MEASURES[name], made, 40.0, TYPICAL) == pytest.approx(asked), name
        assert calibration_u(MEASURES[name], made, -40.0, TYPICAL) == pytest.approx(asked), name


def test_a_floor_is_a_least_uncertainty_of_a_reading(tmp_path: Path) -> None:
    made = rig(tmp_path, 'uncertainty_floor = "0.3 N*m"\n', 'uncertainty_floor = "0.02 deg"\n')
    assert calibration_u(MEASURES["valley_load"], made, 0.0, TYPICAL) == pytest.approx(0.15)
    assert calibration_u(MEASURES["creep"], made, 0.0, TYPICAL) == pytest.approx(0.01)
    energy = 40.0 * math.hypot(0.3 / 75.0, 0.02 / 3.6) / 2.0  # floors as parts of the typical ranges
    assert calibration_u(MEASURES["energy_j"], made, 40.0, TYPICAL) == pytest.approx(energy)


@pytest.mark.parametrize("of_median", [True, False])
@pytest.mark.parametrize("rho", [0.0, 0.6])
def test_the_spread_covers_what_repeated_draws_do(of_median: bool, rho: float) -> None:
    draw = np.random.default_rng(4711)
    noise = draw.standard_normal((600, 200))
    values = noise.copy()
    for i in range(1, values.shape[1]):  # first-order autoregression of unit variance
        values[:, i] = rho * values[:, i - 1] + math.sqrt(1.0 - rho * rho) * noise[:, i]
    middle = np.median(values, axis=1) if of_median else values.mean(axis=1)
    claimed = np.array([spread_u(row, of_median=of_median) for row in values])
    assert np.median(claimed) == pytest.approx(middle.std(ddof=1), rel=0.15)
    # 95 % intervals hold the truth about as often as they say
    assert np.mean(np.abs(middle) <= 2.0 * claimed) > 0.90


def test_one_value_has_no_spread_of_its_own() -> None:
    assert spread_u(np.array([3.0]), of_median=True) == 0.0
    assert spread_u(np.full(100, 3.0), of_median=False) == 0.0


def test_one_value_among_its_neighbours_has_their_scatter_without_their_drift() -> None:
    noise = np.random.default_rng(5).normal(0.0, 0.3, 4000)
    assert single_u(noise + np.linspace(0.0, 50.0, 4000)) == pytest.approx(0.3, rel=0.06)
    noise[::50] += 40.0  # wild ones
    assert single_u(noise) == pytest.approx(0.3, rel=0.1)
    assert single_u(np.array([1.0, 2.0])) == 0.0
