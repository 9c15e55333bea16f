"""Whether numbers are finite, at the speed of reading them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.compiled import compiled_sums


@compiled_sums
def surely_finite(values: NDArray[Any]) -> bool:
    """Whether the sum of a float array, shape (n,), is finite: then so is each value.

    Finite values whose sum is beyond the largest number give false.

    Parameters
    ----------
    values : float array, shape (n,)
        In any unit.

    Returns
    -------
    bool
        False does not say that a value is not finite.
    """
    total = values.dtype.type(0.0)
    for k in range(values.size):
        total += values[k]
    return bool(np.isfinite(total))
