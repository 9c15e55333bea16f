"""Whether stored and logged data are what they were: heads outside the store, and tonight's share of verification."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from benchpipe.errors import StoreError
from benchpipe.health.finding import Finding
from benchpipe.ledger.heads import keep_heads
from benchpipe.verify.line import Status
from benchpipe.verify.share import VERIFIED, SharedRun, verify_share

if TYPE_CHECKING:
    from benchpipe.config.watching import VerifyConfig

CHANGED = "changed"  # code of a finding: stored or logged data are not what they were
VERIFY = "find out what changed it: benchpipe verify --lab LAB"


def what_changed(
    lab: Path, store: Path, runs: Sequence[SharedRun], rules: VerifyConfig, now: datetime, *, new_store: bool
) -> tuple[Finding, ...]:
    """Note beside the lab file what the store holds now, and verify a share of logs and parts; the caller holds the
    store.

    Returns
    -------
    tuple of Finding
        Of code ``changed``: what contradicts the note, or changed. Others: what could not be noted.
    """
    return (*_heads(lab, store, runs, new_store=new_store), *_share(store, runs, rules, now))


def _heads(lab: Path, store: Path, runs: Sequence[SharedRun], *, new_store: bool) -> tuple[Finding, ...]:
    try:
        problems = keep_heads(lab, store, [run.name for run in runs], new_store=new_store)
    except StoreError as error:
        return (Finding("heads", str(error.where), f"heads are not kept outside the store: {error.what}", VERIFY),)
    return tuple(Finding(CHANGED, one, f"stored data changed: {one}", VERIFY) for one in problems)


def _share(store: Path, runs: Sequence[SharedRun], rules: VerifyConfig, now: datetime) -> tuple[Finding, ...]:
    try:
        lines = verify_share(store, runs, rules.every, now)
    except StoreError as error:
        text = f"what was verified cannot be noted: {error.what}"
        return (Finding("verified", VERIFIED, text, "see that the store's disk can be written"),)
    places = ((f"{line.run}: {line.what}", line.text) for line in lines if line.status is Status.CHANGED)
    return tuple(Finding(CHANGED, place, f"{place} changed: {text}", VERIFY) for place, text in places)
