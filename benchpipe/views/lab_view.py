"""Lab-level notes: everything shown of a lab besides its runs."""

from __future__ import annotations

from dataclasses import dataclass

from benchpipe.check.specimens import LabTestResult
from benchpipe.health.finding import Finding


@dataclass(frozen=True)
class Besides:
    """What is not well with the store's disk, who could not be reached, and why, and the results of the lab's tests."""

    store: tuple[Finding, ...] = ()
    not_told: tuple[str, ...] = ()
    tests: tuple[LabTestResult, ...] = ()


NOTHING = Besides()
