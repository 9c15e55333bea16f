"""What the ingest keeps for the next night besides the records of the logs."""

from __future__ import annotations

from typing import NamedTuple

from pydantic import Field

from benchpipe.samples.second_state import SecondState
from benchpipe.store.manifest import Account
from benchpipe.store.state import State


class Copied(NamedTuple):
    """Samples of one log that are samples of another (or of itself): their number in all, and where they are.

    ``log`` and ``other`` are places in the order of logs, that of ``other`` not before the first; ``first`` counts
    samples from 0; ``first_us`` and ``last_us`` are times by the log's own axis; ``exact`` are equal values.
    """

    log: int
    first: int
    first_us: int
    last_us: int
    other: int
    other_first: int
    other_first_us: int
    other_last_us: int
    rows: int
    exact: bool

    @property
    def at_once(self) -> bool:
        """Whether two logs hold the same at the same times: such logs overlap, and are placed so."""
        times = (self.first_us, self.last_us) == (self.other_first_us, self.other_last_us)
        return self.exact and times and self.log != self.other


class FoundCopy(NamedTuple):
    """A stretch of samples that is a copy, as pieces of two logs each, or the part by which a log goes on with one.

    Values of each channel differ by ``tolerance`` at most. ``again``: the rows at ``places`` of the stretch (numbers in
    all logs) come again too often to be copies, as the logs that followed show.
    """

    pieces: tuple[Copied, ...]
    tolerance: tuple[float, ...]
    places: tuple[int, ...]
    again: bool


class ComparedLog(NamedTuple):
    """The hash of a log's samples, and the copies that it brought when it was compared with the logs before it."""

    parts: str
    found: tuple[FoundCopy, ...]


class CopyState(State):
    """Logs of one logger that were compared, in the order of time."""

    logs: tuple[ComparedLog, ...] = ()


class ZeroState(State):
    """Zeros of one channel: which inputs were looked at, and where the open idle stretch begins.

    ``key`` is of the first ``inputs`` inputs and of what the zeros are taken by; the stretch begins at ``from_us`` in
    the input number ``part``.
    """

    key: str
    inputs: int
    part: int
    from_us: int | None


class RowAccount(State):
    """Where all rows of the run's logs ended."""

    rows: int
    samples: int
    rejects: int
    repeats: int


class IngestState(State):
    """State of the ingest: ``zeros`` by channel, ``copies`` by logger."""

    account: RowAccount
    zeros: dict[str, ZeroState] = Field(default_factory=dict)
    second: SecondState | None = None
    copies: tuple[CopyState, ...] = ()


def row_account(account: Account) -> RowAccount:
    """An account as it is kept."""
    return RowAccount(**account._asdict())
