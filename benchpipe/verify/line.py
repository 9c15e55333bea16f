"""What a verification says: one line a thing."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from benchpipe.errors import ExitCode


class Status(StrEnum):
    """What is known of a thing, worst first."""

    CHANGED = "changed"
    UNKNOWN = "not known"
    HOLDS = "holds"


CODES = {
    Status.CHANGED: ExitCode.CHANGED, Status.UNKNOWN: ExitCode.INCONCLUSIVE, Status.HOLDS: ExitCode.OK
}  # fmt: skip


@dataclass(frozen=True)
class Line:
    """One thing that was verified. ``run`` is empty for what belongs to the store as a whole."""

    status: Status
    run: str
    what: str
    text: str


def in_order(lines: Iterable[Line]) -> list[Line]:
    """Lines, the worst first, else as they came."""
    return sorted(lines, key=lambda line: list(Status).index(line.status))


def code_of(lines: Iterable[Line]) -> ExitCode:
    """Exit code of the worst line."""
    return CODES[min((line.status for line in lines), key=list(Status).index, default=Status.UNKNOWN)]


def code_of_states(states: Iterable[Status]) -> ExitCode:
    """Exit code of the worst of some states; of none, that all holds."""
    return CODES[min(states, key=list(Status).index, default=Status.HOLDS)]
