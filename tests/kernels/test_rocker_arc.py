"""The arc of a rocker: certified circles, independent packages, and a flat foot that stays flat."""

from __future__ import annotations

import numpy as np
import pytest

from benchpipe.kernels.rocker_arc import ArcResult, fit_arc

# W. Gander, G. H. Golub & R. Strebel, BIT 34 (1994) 558: six points and their geometric fit. The sums of squares are
# those of the published circles, recomputed.
GANDER = ((1, 2, 5, 7, 9, 3), (7, 6, 8, 7, 5, 7))
# SciPy cookbook, "Least Squares Circle" (scipy.github.io/old-wiki): both sets and their answers.
COOKBOOK = ((9, 35, -13, 10, 23, 0), (34, 10, 6, -14, 27, -10))
SHORT_ARC = ((36, 36, 19, 18, 33, 26), (14, 10, 28, 31, 18, 26))


def points(of: tuple[tuple[int, ...], tuple[int, ...]]) -> tuple[np.ndarray, np.ndarray]:
    return np.array(of[0], float), np.array(of[1], float)


@pytest.mark.parametrize(
    ("of", "x", "y", "radius", "squares"),
    [
        (GANDER, 4.7398, 2.9835, 4.7142, 1.227599),
        (COOKBOOK, 10.50009, 9.65995, 23.33353, 7.71185),
        (SHORT_ARC, 9.88757, 3.68750, 27.35044, 4.04252),
    ],
)
def test_published_circles_to_the_digits_given(of: object, x: float, y: float, radius: float, squares: float) -> None:
    fit = fit_arc(*points(of))  # type: ignore[arg-type]
    assert fit.converged
    digits = 5e-5 if of is GANDER else 5e-6
    assert (fit.centre_x, fit.centre_y, abs(fit.radius)) == pytest.approx((x, y, radius), abs=digits)
    assert float(fit.distance @ fit.distance) == pytest.approx(squares, abs=5e-6)


def white_u(fit: ArcResult) -> float:
    """Textbook standard error of the curvature, where the noise of neighbours is independent: s² (JᵀJ)⁻¹."""
    s = fit.rms * np.sqrt(fit.n_used / (fit.n_used - 3))  # three parameters were fitted
    return float(s / fit.scale**2 * np.sqrt(np.linalg.inv(fit.gradient.T @ fit.gradient)[0, 0]))


def test_the_standard_error_of_the_cookbooks_short_arc() -> None:
    fit = fit_arc(*points(SHORT_ARC))
    # recomputed by an independent calculation, in both forms: of the curvature and of the radius
    assert abs(fit.curvature) == pytest.approx(0.036562, abs=5e-7)
    u = white_u(fit)
    assert u == pytest.approx(0.012334, abs=5e-7)
    assert u * fit.radius**2 == pytest.approx(9.226, abs=2e-3)


@pytest.mark.parametrize("of", [GANDER, COOKBOOK, SHORT_ARC])
def test_an_independent_package_finds_the_same_circle(of: tuple[tuple[int, ...], tuple[int, ...]]) -> None:
    circle_fit = pytest.importorskip("circle_fit")
    x, y, radius, _ = circle_fit.standardLSQ(np.column_stack(points(of)))
    fit = fit_arc(*points(of))
    assert (fit.centre_x, fit.centre_y, abs(fit.radius)) == pytest.approx(
        (x, y, radius), rel=1e-4
    )  # its search ends at 1e-4


@pytest.mark.parametrize("radius", [0.3, 2.0, 1e6])
def test_orthogonal_regression_finds_the_same_arc(radius: float) -> None:
    odrpack = pytest.importorskip("odrpack")
    rng = np.random.default_rng(3)
    s = np.linspace(-0.1, 0.1, 60)
    x = radius * np.sin(s / radius) + 1e-3 * rng.standard_normal(s.size)
    y = radius - radius * np.cos(s / radius) + 1e-3 * rng.standard_normal(s.size)

    def ring(both: np.ndarray, beta: np.ndarray) -> np.ndarray:
        curvature, slope, offset = beta
        u, v = (both[0] + slope * both[1], both[1] - slope * both[0] - offset) / np.hypot(1.0, slope)
        return np.asarray(v - 0.5 * curvature * (u * u + v * v)).reshape(1, -1)

    found = odrpack.odr_fit(
        ring, np.stack([x, y]), np.zeros((1, s.size)), np.array([0.1, 0.0, 0.0]), task="implicit-ODR", maxit=500
    )
    assert fit_arc(x, y).curvature == pytest.approx(found.beta[0], rel=1e-4)


def test_a_flat_foot_is_flat_where_an_algebraic_circle_is_not() -> None:
    rng = np.random.default_rng(5)
    curvature, algebraic = [], []
    for _ in range(100):
        x = np.linspace(-0.1, 0.1, 100) + 1e-3 * rng.standard_normal(100)
        y = 1e-3 * rng.standard_normal(100)
        curvature.append(fit_arc(x, y).curvature)
        a, b, c = np.linalg.lstsq(np.column_stack([x, y, np.ones(100)]), x**2 + y**2, rcond=None)[0]
        algebraic.append(np.sqrt(c + 0.25 * (a * a + b * b)))
    assert abs(np.mean(curvature)) < 4 * 0.067 / np.sqrt(100)
    assert np.std(curvature) == pytest.approx(0.067, rel=0.25)  # √720 σ/(√n L²)
    assert np.median(algebraic) < 0.2  # the radius of a tight rocker, of a foot that has none


@pytest.mark.parametrize("curvature", [3.0, 0.5, 1e-6, 0.0, -0.5])
@pytest.mark.parametrize("turn", [0.0, 0.6, -1.2])
def test_arcs_without_noise_are_exact_whatever_their_direction(curvature: float, turn: float) -> None:
    s = np.linspace(-0.08, 0.12, 101)
    angle = curvature * s
    x = np.where(np.abs(angle) > 1e-12, np.sin(angle) / (curvature or 1.0), s)
    y = np.where(np.abs(angle) > 1e-12, 2 * np.sin(angle / 2) ** 2 / (curvature or 1.0), 0.5 * curvature * s**2)
    fit = fit_arc(x * np.cos(turn) - y * np.sin(turn) + 5.0, x * np.sin(turn) + y * np.cos(turn) - 3.0)
    assert fit.converged
    assert fit.curvature == pytest.approx(curvature, abs=1e-8)
    assert fit.length == pytest.approx(0.2, abs=1e-9)
    assert fit.rms < 1e-10


def test_the_gradient_is_that_of_the_distances() -> None:
    from benchpipe.kernels import rocker_arc

    rng = np.random.default_rng(9)
    a, b = rng.standard_normal((2, 30))
    at = np.array([0.4, 0.3, -0.2])
    _, gradient = rocker_arc._distance_and_gradient(a, b, tuple(at))
    for k in range(3):
        step = np.zeros(3)
        step[k] = 1e-6
        ends = [rocker_arc._distance(a, b, tuple(at + sign * step)) for sign in (1.0, -1.0)]
        np.testing.assert_allclose(gradient[:, k], (ends[0] - ends[1]) / 2e-6, rtol=1e-5, atol=1e-7)


@pytest.mark.parametrize("count", [0, 3, 4])
def test_too_few_points_or_one_place_give_no_arc(count: int) -> None:
    assert not fit_arc(np.arange(count, dtype=float), np.zeros(count)).converged
    assert not fit_arc(np.full(20, 0.3), np.full(20, 0.1)).converged
