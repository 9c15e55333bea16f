"""Analysis of variance against certified and worked sets."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import scipy.stats

from benchpipe.kernels.anova import one_way, within_blocks

# NIST Statistical Reference Datasets, analysis of variance: certified F; the files come with scipy's own tests.
CERTIFIED = {
    "SiRstv": 1.18046237440255, "AtmWtAg": 15.9467335677930,
    "SmLs01": 21.0, "SmLs02": 201.0, "SmLs03": 2001.0, "SmLs04": 21.0, "SmLs05": 201.0, "SmLs06": 2001.0,
    "SmLs07": 21.0, "SmLs08": 201.0, "SmLs09": 2001.0,
}  # fmt: skip
PENICILLIN = [[89, 88, 97, 94], [84, 77, 92, 79], [81, 87, 87, 85], [87, 92, 89, 84], [79, 81, 80, 88]]


@pytest.mark.parametrize("name", list(CERTIFIED))
def test_nist_certified_f(name: str) -> None:
    path = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova" / f"{name}.dat"
    if not path.is_file():
        pytest.skip("this scipy is installed without the data of its tests")
    rows = np.array([line.split() for line in path.read_text().splitlines()[60:] if line.strip()], float)
    found = one_way([rows[rows[:, 0] == k, 1] for k in np.unique(rows[:, 0])])
    # the stiff sets lose digits in the data themselves: 1000000000000.4 is stored to 1.2e-4, 1000000.4 to 1.2e-10
    digits = 2e-4 if name >= "SmLs07" else 1e-12 if name in ("SiRstv", "SmLs01", "SmLs02", "SmLs03") else 1e-9
    assert found.between.f == pytest.approx(CERTIFIED[name], rel=digits)


def test_the_stiff_sets_are_right_for_the_values_that_were_stored() -> None:
    """The same design as SmLs07 with its leading digits exactly taken off, against exact arithmetic."""
    from fractions import Fraction

    pattern = [0.4, 0.3, 0.2] + [0.5, 0.4] * 2
    groups = [[1e12 + v + 0.1 * k for v in pattern] for k in range(4)]
    exact = [[Fraction(v) for v in g] for g in groups]
    means = [sum(g) / len(g) for g in exact]
    grand = sum(sum(g) for g in exact) / sum(len(g) for g in exact)
    between = sum(len(g) * (m - grand) ** 2 for g, m in zip(exact, means, strict=True)) / 3
    within = sum((v - m) ** 2 for g, m in zip(exact, means, strict=True) for v in g) / (4 * len(pattern) - 4)
    assert one_way(groups).between.f == pytest.approx(float(between / within), rel=1e-12)


def test_tukey_set_of_the_nist_handbook() -> None:
    groups = [
        [6.9, 5.4, 5.8, 4.6, 4.0], [8.3, 6.8, 7.8, 9.2, 6.5], [8.0, 10.5, 8.1, 6.9, 9.3], [5.8, 3.8, 6.1, 5.6, 6.2]
    ]  # fmt: skip
    found = one_way(groups)
    assert found.between.f == pytest.approx(9.7238, abs=5e-5)
    assert found.between.p == pytest.approx(6.8445e-4, abs=5e-9)


def test_penicillin_blocks() -> None:
    values = np.array(PENICILLIN, float)
    block, variant = np.indices(values.shape)
    found = within_blocks(values.ravel(), variant.ravel(), block.ravel())
    assert (found.blocks.squares, found.variants.squares, found.error.squares) == pytest.approx((264, 70, 226))
    assert found.blocks.f == pytest.approx(3.5044, abs=5e-5)
    assert found.blocks.p == pytest.approx(0.0407, abs=5e-5)
    assert found.variants.f == pytest.approx(1.2389, abs=5e-5)
    assert found.variants.p == pytest.approx(0.339, abs=5e-4)
    assert found.balanced
    assert found.connected
    assert found.effects == pytest.approx(values.mean(axis=0) - values[:, 0].mean())
    assert found.contrast_u(2, 0) == pytest.approx(np.sqrt(226 / 12 * 2 / 5))


def test_a_design_that_is_not_connected_is_named() -> None:
    found = within_blocks(np.arange(8.0), np.array([0, 1, 0, 1, 2, 3, 2, 3]), np.array([0, 0, 0, 0, 1, 1, 1, 1]))
    assert not found.connected


def test_an_incomplete_design_gives_the_least_squares_effects() -> None:
    block = np.array([0, 0, 1, 1, 2, 2])
    variant = np.array([0, 1, 1, 2, 0, 2])
    truth = np.array([0.0, 1.0, 3.0])
    found = within_blocks(truth[variant] + 10.0 * block, variant, block)
    assert found.connected
    assert not found.balanced
    assert found.effects == pytest.approx(truth)
