"""Result types of a record: data only."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from benchpipe.store.manifest import Head, SignOff
from benchpipe.views.page.model import Facts, Margin, RunPage
from benchpipe.views.record.origins import Origin


@dataclass(frozen=True)
class Attachment:
    """A file that the record carries. ``name`` is ASCII and unique in the record."""

    name: str
    what: str
    mime: str
    data: bytes

    @property
    def sha256(self) -> str:
        """Hash of its bytes."""
        return hashlib.sha256(self.data).hexdigest()


@dataclass(frozen=True)
class JudgedLimit:
    """One judged figure.

    Attributes
    ----------
    meaning : str
        What the measure is.
    budget : tuple of dict
        Rows of the budgets table.
    origin : Origin
        From which numbers of the block and which rows of which logs it comes.
    """

    margin: Margin
    meaning: str
    budget: tuple[dict[str, Any], ...]
    origin: Origin

    @property
    def row(self) -> dict[str, Any]:
        """Its row of the verdicts table."""
        return self.margin.row


@dataclass(frozen=True, eq=False)
class RunRecord:
    """Everything in the record of a run.

    Attributes
    ----------
    page : RunPage
        As of the state alone: without health and alarms, which are of a day.
    state : int
        Number of the state; ``manifest`` is the SHA-256 of its manifest.
    date : datetime or None
        Of the last sample or the last sign-off, whichever is later; None where neither has a date.
    """

    page: RunPage
    state: int
    manifest: str
    date: datetime | None
    ledger: Head | None
    signed: tuple[SignOff, ...]
    judged: tuple[JudgedLimit, ...]
    plan: tuple[Facts, ...]
    rig: tuple[Facts, ...]
    left_out: tuple[Facts, ...]
    origin: tuple[Facts, ...]
    attached: tuple[Attachment, ...]
