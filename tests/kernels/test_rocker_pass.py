"""One pass: a rigid rocker without slip, its axes, its cuts, and what is refused (invented)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchpipe.kernels.rocker_cuts import traverses
from benchpipe.kernels.rocker_pass import in_shank_axes, measure_pass
from benchpipe.kernels.rocker_passes import mean_of_passes
from benchpipe.kernels.rocker_standing import standing

Rolled = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]


def rolled(radius: float = 0.35, n: int = 200, low: float = -15.0, high: float = 20.0, noise: float = 0.0) -> Rolled:
    """Contact, ankle, tilt, travel and force of a wheel: its centre stays a radius above the plate."""
    rng = np.random.default_rng(1)
    tilt = np.radians(np.linspace(low, high, n))
    contact = radius * tilt
    arm = radius - 0.08  # from the centre down to the ankle, which leans with the shank
    ankle = np.stack([contact - arm * np.sin(tilt), radius - arm * np.cos(tilt)])
    cop = np.stack([contact, np.zeros(n)]) + noise * rng.standard_normal((2, n))
    return cop, ankle, tilt, cop[0], np.full(n, 800.0)


def test_a_wheel_gives_its_radius_twice_and_its_arc() -> None:
    found = measure_pass(*rolled())
    assert found.why == ""
    assert 1 / found.curvature.value == pytest.approx(0.35, rel=1e-6)
    assert found.slope.value == pytest.approx(0.35, rel=1e-6)
    assert found.thirds == pytest.approx((0.35, 0.35, 0.35), rel=1e-6)
    assert found.length == pytest.approx(0.35 * math.radians(35.0), rel=1e-6)


@pytest.mark.parametrize("radius", [0.3, 4.0])
def test_how_the_curvature_follows_each_channel_is_what_a_second_fit_shows(radius: float) -> None:
    cop, ankle, tilt, travel, force = rolled(radius, low=-5.0 / radius, high=6.0 / radius)
    found = measure_pass(cop, ankle, tilt, travel, force)
    for k in range(3):
        by = [1.0 + 1e-4 * (k == j) for j in range(3)]
        other = measure_pass(cop * by[0], ankle * by[1], tilt * by[2], travel, force)
        change = (other.curvature.value - found.curvature.value) / 1e-4
        assert found.follows[k] == pytest.approx(change, rel=0.02, abs=0.02 / radius)


def test_axes_lean_with_the_shank() -> None:
    x, y = in_shank_axes(np.array([[0.1], [0.0]]), np.array([[0.0], [0.1]]), np.radians([90.0]))
    assert (x[0], y[0]) == pytest.approx((0.1, 0.1))  # up the shank is forward, forward of it is down


def test_an_offset_of_the_tilt_turns_the_shape_and_changes_neither_figure() -> None:
    cop, ankle, tilt, travel, force = rolled()
    off = measure_pass(cop, ankle, tilt + math.radians(4.0), travel, force)
    assert off.curvature.value == pytest.approx(1 / 0.35, rel=0.03)
    assert off.slope.value == pytest.approx(0.35, rel=1e-6)


def test_noise_of_the_tilt_is_cautioned() -> None:
    cop, ankle, tilt, travel, force = rolled(low=-3.0, high=3.0, radius=1.5)
    noisy = tilt + np.radians(0.4) * np.random.default_rng(2).standard_normal(tilt.size)
    found = measure_pass(cop, ankle, noisy, travel, force)
    assert "noise of the tilt" in found.caution
    assert found.slope.value < 1.5


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda p: (p[0] * 1e3, p[1], p[2], p[3] * 1e3, p[4]), "verify the units"),
        (lambda p: (p[0] * 1e-3, p[1] * 1e-3, p[2], p[3] * 1e-3, p[4]), "verify the units"),
        (lambda _: rolled(low=-1.0, high=1.0), "the arc is 12.2 mm long"),
        (lambda p: (p[0], p[1], -p[2], p[3], p[4]), "reversed"),
        (lambda p: (p[0], p[1] * 1e-3, p[2], p[3], p[4]), "mm above the centre of pressure"),
        (lambda p: (p[0], p[1] * 1e3, p[2], p[3], p[4]), "mm above the centre of pressure"),
        (lambda p: (p[0], p[1] * [[1.0], [-1.0]], p[2], p[3], p[4]), "upward direction"),
        (lambda p: (p[0], p[1], 0.0 * p[2], p[3], p[4]), "does not change"),
        (lambda p: tuple(v[..., :9] for v in p), "9 samples"),
    ],
)
def test_what_cannot_be_is_refused(change: object, words: str) -> None:
    found = measure_pass(*change(rolled()))  # type: ignore[operator]
    assert words in found.why
    assert np.isnan(found.curvature.value)
    assert np.isnan(found.slope.value)


def test_two_feet_on_the_plate_make_the_centre_of_pressure_jump() -> None:
    cop, ankle, tilt, _, force = rolled()
    cop[0, 120:] += 0.2
    assert "two feet" in measure_pass(cop, ankle, tilt, cop[0], force).why


def test_an_arc_too_short_for_its_noise_is_refused() -> None:
    rng = np.random.default_rng(3)
    cop, ankle, tilt, travel, force = rolled(low=-4.0, high=4.0, n=40)
    cop = cop + 3e-3 * rng.standard_normal(cop.shape)
    found = measure_pass(cop, ankle, tilt, travel, force)
    assert "too short for its noise" in found.why
    assert np.isnan(found.curvature.value)


def test_ways_are_cut_where_the_tilt_turns() -> None:
    t = np.linspace(0.0, 4.0, 4001)
    tilt = 15.0 * np.sin(np.pi * t - np.pi / 2) + 0.05 * np.random.default_rng(4).standard_normal(t.size)
    found = traverses(tilt)
    assert [one.forward for one in found] == [True, False, True, False]
    assert [one.first for one in found[1:]] == pytest.approx([1000, 2000, 3000], abs=60)
    assert (found[0].begins, found[0].ends, found[-1].ends) == (False, True, False)


def test_a_resting_tilt_is_no_way() -> None:
    assert len(traverses(np.full(500, 3.0))) == 0


def test_standing_by_shape_and_by_stiffness() -> None:
    flat, curved = (mean_of_passes(np.array([k, k + 0.02, k - 0.02])) for k in (0.3, 2.0))
    # 80 kg, 1.0 m: 785 N m/rad for both legs (13.7 N m/deg)
    stiff = mean_of_passes(np.array([14.5, 14.6, 14.4]))
    found = standing(flat, stiff, 785.0, 1.0, 785.0, 1)
    assert found.least_stiffness == pytest.approx(785.0 * math.pi / 180.0)
    assert (found.shape, found.stiff) == ("yes", "yes")
    assert standing(curved, mean_of_passes(np.array([9.0, 9.1, 9.2])), 785.0, 1.0, 785.0, 1).shape == "no"
    assert standing(curved, mean_of_passes(np.array([9.0, 9.1, 9.2])), 785.0, 1.0, 785.0, 1).stiff == "no"
    wide = mean_of_passes(np.array([0.2, 1.5, 1.0]))
    assert standing(wide, stiff, 785.0, 1.0, None, 1).shape == "undecided"
    assert standing(flat, stiff, 785.0, 1.0, 785.0, 2).stiff == "not known"  # a leg carries half of that load
    assert standing(mean_of_passes(np.array([0.3])), stiff, 785.0, 1.0, 785.0, 1).shape == "not known"
