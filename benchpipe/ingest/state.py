"""What the ingest keeps for the next night besides the records of the logs."""

from __future__ import annotations

from typing import NamedTuple

from pydantic import Field

from benchpipe.samples.second_state import SecondState
from benchpipe.store.manifest import Account
from benchpipe.store.state import State


class Copied(NamedTuple):
    """Samples of one log that are samples of another (or of itself): their number in all, and where they are.

    ``first`` counts samples from 0; ``first_us`` and ``last_us`` are times by the log's own axis.
    """

    file: str
    first: int
    first_us: int
    last_us: int
    other: str
    other_first: int
    other_first_us: int
    other_last_us: int
    rows: int


class CopyState(State):
    """Logs of one logger that were compared, each with the hash of its parts, and the copies found in them."""

    parts: dict[str, str] = Field(default_factory=dict)
    found: tuple[Copied, ...] = ()


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
