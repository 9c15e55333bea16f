"""What is said of a lab besides its runs."""

from __future__ import annotations

from dataclasses import dataclass

from benchpipe.health.rules import Finding


@dataclass(frozen=True)
class Besides:
    """What is not well with the store's disk, and who could not be told, and why."""

    store: tuple[Finding, ...] = ()
    not_told: tuple[str, ...] = ()


NOTHING = Besides()
