"""Rows of a log that come late and lie before its first row: those that no earlier log holds are rejects."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from benchpipe.store.manifest import EARLY_ROWS, Part
from benchpipe.store.run_store import RunStore


def early_rejects(store: RunStore, parts: Iterable[Part], known: Iterable[tuple[int, int]]) -> NDArray[np.int64]:
    """Rows of a log's parts that are rejects.

    Parameters
    ----------
    parts : iterable of Part
        Of one log, of whatever table.
    known : iterable of (row, rows)
        Those that are in earlier logs (:attr:`benchpipe.store.manifest.Placed.early`).

    Returns
    -------
    int64 array, shape (n,)
        Rising.
    """
    own = [part for part in parts if part.table == EARLY_ROWS]
    row = np.asarray(store.read_parts(own, EARLY_ROWS, ["row"]).column("row"), np.int64)
    again = [np.arange(first, first + rows) for first, rows in known]
    return np.setdiff1d(row, np.concatenate(again)) if again else np.sort(row)
