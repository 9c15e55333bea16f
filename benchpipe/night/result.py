"""What a night says."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from benchpipe.check.specimens import LabTestResult
from benchpipe.errors import ExitCode
from benchpipe.health.finding import Finding
from benchpipe.views.model import RunView


@dataclass(frozen=True)
class NightResult:
    """What a night says.

    Attributes
    ----------
    code : ExitCode
        That of the worst run.
    views : tuple of RunView
        Worst first.
    began : datetime
        UTC.
    store : tuple of Finding
        What is not well with the store.
    note : str
        Why the lab could not note which store it has; empty if it did.
    tests : tuple of LabTestResult
        Results of the lab's tests. They do not change the code: what fails in them fails in a run.
    """

    code: ExitCode
    views: tuple[RunView, ...]
    began: datetime
    store: tuple[Finding, ...] = ()
    note: str = ""
    tests: tuple[LabTestResult, ...] = ()
