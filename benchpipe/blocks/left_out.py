"""Missing measurements: why a cycle, hold or sweep may hide a violation of a limit.

A limit that no cycle may break is met only where every cycle shows that it met it. A cycle whose figure is
missing, or some of whose samples are, may have broken it. An incomplete cycle without missing samples (a stop,
the end of a log) hides nothing: its extremes count, its loop is not measured.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from benchpipe.columns import floats
from benchpipe.config.limits import AcceptConfig

Floats = NDArray[np.float64]
Codes = NDArray[np.int8]
# Key in a limit file → words; the worst first: a cycle that has several is counted under the first.
REASONS: dict[str, str] = {
    "saturated": "saturated",
    "gap": "with a gap or broken off by one",
    "lost_rows": "with rejected rows or rows without a value",
    "reversed": "with a loop the wrong way round (a reversed channel)",
    "stood_still": "in which a channel stood still",
    "stuck": "with a channel stuck or clipped in a part",
    "thinned": "with samples missing",
    "under_sampled": "under-sampled",
    "uncrossed": "that went on without crossing both thresholds",
    "missing": "not measured",
    "uncounted": "counted by the rig and not logged",
    "incomplete": "incomplete (a stop, the end of a log)",
}
NAMES = tuple(REASONS)
NONE = -1
INCOMPLETE = NAMES.index("incomplete")
THINNED_FROM = 1.5  # of the usual step: one row that is missing makes two, a clock that jitters makes less
MOST_LOST = 0.2  # of a cycle's rows: with more, its figures are not those of the cycle
BOUNDS = tuple(NAMES.index(name) for name in ("saturated", "stuck"))  # an extreme was at least what was read


@dataclass(frozen=True)
class LogClock:
    """How a rig's log tells the time.

    Attributes
    ----------
    rate : float
        Samples a second.
    restarts_us : tuple of int
        Times at which the clock began again: what was broken off there ended with its log.
    by_sample : bool
        The log has no time column: rows are counted.
    """

    rate: float
    restarts_us: tuple[int, ...] = ()
    by_sample: bool = False


@dataclass(frozen=True)
class LeftOut:
    """How many were left out for one reason, and which came first."""

    reason: str
    count: int
    first: str

    @property
    def words(self) -> str:
        """``3 saturated (first: cycle 17)``."""
        return f"{self.count:,} {REASONS[self.reason]}" + (f" (first: {self.first})" if self.first else "")


def item_reasons(rows: pa.Table, rate: float) -> tuple[Codes, Floats]:
    """Why each hold, sweep, window, proof or lock change may hide something, and the share of its rows that is lost.

    Parameters
    ----------
    rows : pyarrow Table
        Columns ``samples`` and those of :data:`benchpipe.columns.LOSSES`; a part of the resistance has none of them.
    """
    count = rows.num_rows
    codes, share = np.full(count, NONE, np.int8), np.zeros(count)
    if "lost_rows" not in rows.column_names:
        return codes, share
    lost, samples = np.nan_to_num(floats(rows.column("lost_rows"))), floats(rows.column("samples"))
    missing = np.maximum(np.nan_to_num(floats(rows.column("longest_step_s"))) * rate - 1.0, 0.0)
    thin = missing > THINNED_FROM - 1.0
    codes[thin] = NAMES.index("thinned")
    codes[lost > 0] = NAMES.index("lost_rows")
    missing = np.where(lost > 0, lost, np.where(thin, missing, 0.0))
    stuck = np.nan_to_num(floats(rows.column("stuck_rows")))
    codes[stuck > missing] = NAMES.index("stuck")
    missing = np.maximum(stuck, missing)
    share[:] = missing / np.maximum(lost + samples, 1.0)
    return codes, share


def accepted_rows(codes: Codes, complete: NDArray[np.bool_], accept: AcceptConfig, of: int) -> NDArray[np.bool_]:
    """Rows left out for a reason of which a limit accepts so many; one that is incomplete is that, whatever else."""
    accepted = np.zeros(len(codes), bool)
    plain = np.where(complete, codes, np.where(codes == NAMES.index("gap"), codes, INCOMPLETE))
    for name, share in accept.shares():
        here = plain == NAMES.index(name)
        if 0 < here.sum() <= share * of:
            accepted |= here
    return accepted


def counted(
    codes: Codes, called: Callable[[int], str], *, uncounted: float = 0.0, where: str = ""
) -> tuple[LeftOut, ...]:
    """How many were left out, by reason, the worst first.

    Parameters
    ----------
    called : callable
        What a row is called, such as ``"cycle 17"``, by its place.
    uncounted : float
        Cycles that the rig counted and no log holds, and ``where`` the first of them was.
    """
    found = []
    for place, name in enumerate(NAMES):
        at = np.flatnonzero(codes == place)
        if at.size:
            found.append(LeftOut(name, int(at.size), called(int(at[0]))))
        elif name == "uncounted" and uncounted >= 0.5:
            found.append(LeftOut(name, round(uncounted), where))
    return tuple(found)


def not_accepted(left_out: Iterable[LeftOut], accept: AcceptConfig, of: int) -> tuple[LeftOut, ...]:
    """What hides more than the limit accepts; an incomplete cycle without missing samples hides nothing."""
    shares = dict(accept.shares())
    return tuple(
        one for one in left_out if one.reason != "incomplete" and one.count > shares.get(one.reason, 0.0) * max(of, 1)
    )


def listed(left_out: Iterable[LeftOut]) -> str:
    """All of it in words."""
    return ", ".join(one.words for one in left_out)
