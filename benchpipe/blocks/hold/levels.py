"""The leak over levels of load."""

from __future__ import annotations

import numpy as np
import pyarrow as pa

from benchpipe.columns import floats
from benchpipe.kernels.lines import LineResult


def leak_over_levels(holds: pa.Table) -> LineResult:
    """Exponent of the leak's rate in load over all holds of a run: ``slope``, with its interval.

    Not ``converged`` below three levels of load; loads that agree to two digits are one level. Holds whose leak
    is not known, or not above zero, are left out.

    Parameters
    ----------
    holds : pa.Table
        Rows of the holds table, of any blocks.
    """
    from benchpipe.kernels.creep_outlook import leak_exponent

    load, leak, u = (np.abs(floats(holds.column(name))) for name in ("load_mean", "leak_per_h", "leak_u_per_h"))
    known = np.isfinite(leak) & np.isfinite(u)
    level = np.array([float(f"{value:.2g}") for value in load[known]])
    return leak_exponent(level, leak[known], u[known])
