"""The chi distribution against scipy's."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from scipy import stats

from benchpipe.kernels.chi import chi_density, chi_ends


@pytest.mark.parametrize("dof", [1.0, 2.0, 2.7, 9.0, 40.0, 1e3])
def test_density_and_quantiles_are_those_of_scipy(dof: float) -> None:
    s = np.linspace(0.05, 4.0, 50) * np.sqrt(dof)
    np.testing.assert_allclose(chi_density(s, dof), stats.chi.pdf(s, dof), rtol=1e-10, atol=1e-300)
    for risk in (1e-12, 1e-3, 0.05):
        assert chi_ends(risk, dof) == pytest.approx((stats.chi.ppf(risk, dof), stats.chi.isf(risk, dof)), rel=1e-9)


def test_a_comparison_imports_no_distributions() -> None:
    program = (
        "import sys; from benchpipe.kernels.families import dunnett_factor, tukey_factor; "
        "from benchpipe.kernels.sample_size import groups_needed, pairs_needed; "
        "dunnett_factor([0.5, 0.5], 9.0); tukey_factor(3, 9.0); pairs_needed(0.07, 0.02); groups_needed(0.07, 0.02); "
        "print('scipy.stats' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
