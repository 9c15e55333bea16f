"""How many threads a matrix library takes: one. It reads that once, from the environment, when it is loaded.

The matrices of a night are small. A second thread waits for its share in a circle, half a second of processor time a
night, and is in the way of the run beside; and the order of sums does not follow the number of processors.
"""

from __future__ import annotations

import os

ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}


def take_one_thread() -> None:
    """Let this process and those that it starts take one, unless the environment says another number.

    For processes that are benchpipe's own, before numpy is imported.
    """
    for name, number in ONE_THREAD.items():
        os.environ.setdefault(name, number)
