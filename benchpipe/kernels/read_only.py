"""What kernels are given: a kernel is compiled again for each kind of array, which takes seconds."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray


def read_only(values: NDArray[Any]) -> NDArray[Any]:
    """The same values, in one piece and read-only, as they come from a file; what is given stays as it is.

    Parameters
    ----------
    values : array, any shape

    Returns
    -------
    array of the same shape and kind
        A view where it lies in one piece already, else a copy.
    """
    seen = np.ascontiguousarray(values).view()
    seen.flags.writeable = False
    return seen
