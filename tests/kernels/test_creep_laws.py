"""The table of creep laws: each row's derivatives, signature and starts."""

from __future__ import annotations

import numpy as np
import pytest

from benchpipe.errors import BenchpipeError
from benchpipe.kernels.creep_laws import LAWS, CreepLaw, law_named, start
from benchpipe.kernels.nonlinear import complex_step

T = np.geomspace(3.0, 3000.0, 40)


def some_parameters(law: CreepLaw) -> np.ndarray:
    """Plausible parameters of a law: every term moves about a degree in 3000 s."""
    known = {"exponent": 0.3, "time constant": 400.0, "second time constant": 2000.0, "time offset": 20.0}
    shapes = [known.get(shape.name, 0.5) for shape in law.shapes]
    return np.append(1.0 / law.basis(T[-1:], shapes)[0], shapes)


@pytest.mark.parametrize("law", LAWS, ids=lambda law: law.name)
def test_derivatives_equal_complex_steps(law: CreepLaw) -> None:
    p = some_parameters(law)
    assert len(law.parameters) == p.size
    by_step = complex_step(lambda t, q: law.basis(t, q[1 + len(law.terms) :]) @ q[: 1 + len(law.terms)])(T, p)
    assert law.gradient(T, p) == pytest.approx(by_step, rel=1e-12, abs=1e-300)
    step = 1e-6 * T
    slope = (law.value(T + step, p) - law.value(T - step, p)) / (2 * step)
    assert law.rate(T, p) == pytest.approx(slope, rel=1e-6, abs=1e-12)
    by_step = complex_step(law.rate)(T, p)
    assert law.rate_gradient(T, p) == pytest.approx(by_step, rel=1e-12, abs=1e-300)


@pytest.mark.parametrize(
    ("name", "slope"),
    # Signatures d log rate / d log t, common knowledge of the laws' own algebra.
    [("steady leak", 0.0), ("log time", -1.0), ("Findley power", 0.3 - 1)],
)
def test_signature(name: str, slope: float) -> None:
    law = law_named(name)
    rate = law.rate(T, some_parameters(law))
    assert np.diff(np.log(rate)) / np.diff(np.log(T)) == pytest.approx(slope, abs=1e-9)


def test_andrade_starts_at_minus_two_thirds_and_ends_as_a_leak() -> None:
    law = law_named("Andrade")
    t = np.array([1e-6, 1.01e-6, 1e9, 1.01e9])
    rate = law.rate(t, np.array([0.0, 1.0, 1.0]))
    slopes = np.diff(np.log(rate))[[0, 2]] / np.diff(np.log(t))[[0, 2]]
    assert slopes == pytest.approx([-2 / 3, 0.0], abs=1e-3)


@pytest.mark.parametrize("law", LAWS, ids=lambda law: law.name)
def test_start_is_next_to_the_truth(law: CreepLaw) -> None:
    p = some_parameters(law)
    motion = law.value(T, p)
    best = start(law, T, motion, lambda v: v)
    assert law.value(T, best) == pytest.approx(motion, abs=1e-3)
    low, high = law.bounds(T[0], T[-1])
    assert ((low < best) & (best < high)).all()


def test_unknown_law_names_the_nearest() -> None:
    with pytest.raises(BenchpipeError, match="Kelvn"):
        law_named("Kelvn")


def test_no_two_rows_share_a_name() -> None:
    assert len({law.name for law in LAWS}) == len(LAWS)
