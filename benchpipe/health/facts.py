"""Inputs to the health rules. Collected once by gather.py; rules never touch files."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from benchpipe.blocks.cyclic.plan import CyclicBlock

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class CycleTail:
    """The last rows of a cyclic block's cycles, in order.

    Attributes
    ----------
    block : CyclicBlock
    rate : float
        Samples a second of the rig file.
    columns : dict of arrays, shape (n,)
        Columns of the cycles table; NaN for null.
    differ : float
        Cycles by which counter and detection went apart in them for no known reason; NaN without a counter.
    counted : int
        Cycles detected between the first and the last row with a counter.
    """

    block: CyclicBlock
    rate: float
    columns: dict[str, NDArray[np.generic]]
    differ: float = float("nan")
    counted: int = 0

    def last(self, name: str, most: int) -> Floats:
        """A column of the last complete cycles, at most so many."""
        import numpy as np

        complete = np.asarray(self.columns["complete"], bool)
        values: Floats = np.asarray(self.columns[name], np.float64)[complete][-most:]
        return values


@dataclass(frozen=True)
class ChannelTail:
    """How a channel ends: for how long it has shown nothing new.

    Attributes
    ----------
    still_s : float
        Time since its value last changed, or since it last had one [s].
    missing : bool
        It has no value at the end.
    least : bool
        It has been so at least that long: as far back as was looked.
    """

    name: str
    still_s: float
    missing: bool
    least: bool


@dataclass(frozen=True)
class RunFacts:
    """One run as its rig's clock and the store tell of it.

    Attributes
    ----------
    now_us : int
        Now by the clock that ``seen_us`` is of.
    today : date
    seen_us : int or None
        The rig's last sign of life: its last row by its own clock, or the last writing of its log.
    by_row : bool
        It is a row's time.
    block : str
        Block that the last rows belong to, or the first of several that they may; empty where there is none.
    over : bool
        That block is finished, or the whole plan is: the rig may stand.
    standing_s : float
        How long rows have come since the last cycle of it ended [s]; NaN where this is not known.
    cycles : CycleTail or None
        Of the block where it is cyclic, else None.
    channels : tuple of ChannelTail
        Channels that have shown nothing new at the end of the log, longest first.
    due : tuple of (str, date)
        Channels and the day their calibration is due.
    a_day : float
        Bytes by which its tables grow in a day of logs; 0 where it does not go on, or too little is known.
    longest_cycle_s : float
        A cycle of the block lasts no longer [s]; 0 where it is not cyclic.
    """

    now_us: int
    today: date
    seen_us: int | None
    by_row: bool
    block: str
    over: bool
    standing_s: float
    cycles: CycleTail | None
    channels: tuple[ChannelTail, ...]
    due: tuple[tuple[str, date], ...]
    a_day: float = 0.0
    longest_cycle_s: float = 0.0


@dataclass(frozen=True)
class StoreFacts:
    """The store's disk.

    Attributes
    ----------
    free : int
        Bytes that can still be written.
    a_day : float
        Bytes by which the tables of the runs that go on grow in a day of logs.
    runs : tuple of str
        These runs.
    """

    free: int
    a_day: float
    runs: tuple[str, ...]
