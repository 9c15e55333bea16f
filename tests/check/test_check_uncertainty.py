"""The uncertainty of a judged value: calibration, sampling, spread, each against its formula or a draw."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from benchpipe.check.measures import MEASURES
from benchpipe.check.uncertainty import area_under_read, calibration_u, peak_under_read, sampling_u, spread_u
from benchpipe.check.values import Values
from benchpipe.config.model import load_model
from benchpipe.config.rig import RigConfig
from tests.config.written import write_lab

EMPTY = np.empty(0)
TYPICAL = Values(EMPTY, EMPTY, EMPTY, 0, load_range=75.0, motion_range=3.6, samples=50.0)


# Worst under-read of a sine's amplitude at N samples a cycle, per cent (recomputed: 1 - cos(pi / N)).
@pytest.mark.parametrize(("samples", "per_cent", "digits"), [(10, 4.89, 2), (20, 1.23, 2), (50, 0.197, 3),
                                                             (100, 0.049, 3), (200, 0.012, 3)])  # fmt: skip
def test_the_peak_under_read(samples: int, per_cent: float, digits: int) -> None:
    assert round(100.0 * peak_under_read(samples), digits) == per_cent
    # and of a sine itself, sampled with its peak half way between two samples
    at = 2.0 * np.pi * (np.arange(samples) + 0.5) / samples
    assert 1.0 - np.cos(at).max() == pytest.approx(peak_under_read(samples), abs=1e-12)


# A polygon's area reads low by 1 - sin(2 pi / N) / (2 pi / N), per cent (recomputed).
@pytest.mark.parametrize(("samples", "per_cent", "digits"), [(20, 1.64, 2), (50, 0.26, 2), (100, 0.066, 3),
                                                             (200, 0.016, 3)])  # fmt: skip
def test_the_area_under_read(samples: int, per_cent: float, digits: int) -> None:
    assert round(100.0 * area_under_read(samples), digits) == per_cent
    at = 2.0 * np.pi * np.arange(samples) / samples
    x, y = 3.0 * np.cos(at), 2.0 * np.sin(at + 0.4)
    area = 0.5 * abs(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    ellipse = np.pi * 3.0 * 2.0 * math.cos(0.4)
    assert 1.0 - area / ellipse == pytest.approx(area_under_read(samples), abs=1e-12)


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


def test_sampling_takes_off_peaks_and_areas_only() -> None:
    for name, value, most in [
        ("energy_j", -2.0, 2.0 * area_under_read(50)),
        ("peak_load", 80.0, 37.5 * peak_under_read(50)),
        ("motion_max", 3.0, 1.8 * peak_under_read(50)),
    ]:
        assert sampling_u(MEASURES[name], value, TYPICAL) == pytest.approx(most / math.sqrt(3.0))
    assert sampling_u(MEASURES["secant_stiffness"], 20.0, TYPICAL) == 0.0
    assert sampling_u(MEASURES["energy_j"], 2.0, Values(EMPTY, EMPTY, EMPTY, 0)) == 0.0


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
