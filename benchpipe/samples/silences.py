"""How long the log is silent after a block's samples: a rig that went on in another mode lost nothing."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from benchpipe.samples.signals import Signals

Whole = NDArray[np.int64]
NEVER: int = np.iinfo(np.int64).max


class Left(NamedTuple):
    """The last sample of a block so far, and the first row of another mode after it; NEVER where there is none yet."""

    last_us: int
    other_us: int


def with_silences(signals: Signals, other_us: Whole, left: Left | None) -> tuple[Signals, Left | None]:
    """Samples of a batch with the silence before each: from the sample before to the next row that is not lost.

    Parameters
    ----------
    signals : Signals
        Samples of the block in the batch.
    other_us : int64 array, shape (k,)
        Times of the batch's rows that are of another mode.
    left : Left or None
        As the batch before left it; None at the beginning: the first sample has no silence.

    Returns
    -------
    signals : Signals
        With ``silence_us``.
    left : Left or None
    """
    first = int(other_us[0]) if other_us.size else NEVER
    if not len(signals):
        return replace(signals, silence_us=np.empty(0, np.int64)), (
            left and left._replace(other_us=min(left.other_us, first))
        )
    time_us = signals.time_us
    following = np.append(other_us, NEVER)[np.searchsorted(other_us, time_us)]  # of another mode, after each sample
    before = time_us[:1] if left is None else np.array([left.last_us])
    others = np.array([NEVER if left is None else min(left.other_us, first)])
    before, others = np.append(before, time_us[:-1]), np.append(others, following[:-1])
    return replace(signals, silence_us=np.minimum(others, time_us) - before), Left(
        int(time_us[-1]), int(following[-1])
    )
