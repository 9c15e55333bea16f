"""Alarms of a night, dated by what the nights before reported."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path

from benchpipe.errors import StoreError
from benchpipe.store.notes import SAID, read_said, write_said
from benchpipe.views.alarms import alarms_of, dated
from benchpipe.views.model import Alarm, RunView


def with_alarms(views: list[RunView], store: Path, now: datetime) -> list[RunView]:
    """Views with their alarms, since when they stand and whether they are new; it is kept for the next night."""
    found = [list(alarms_of(view)) for view in views]
    try:
        said = read_said(store)
    except StoreError as error:
        said = {}
        found[0].append(Alarm(views[0].run, "last-night", SAID, f"{error.what}: all alarms count as new"))
    alarms = [dated(some, said, now) for some in found]
    here = {view.run for view in views}
    others = {identity: since for identity, since in said.items() if identity[0] not in here}
    write_said(store, others | {a.identity: a.since for some in alarms for a in some if a.since is not None})
    return [replace(view, alarms=some) for view, some in zip(views, alarms, strict=True)]


def with_known_alarms(view: RunView, store: Path, now: datetime) -> RunView:
    """A view with its alarms as the last night left them; nothing is kept."""
    try:
        said = read_said(store)
    except StoreError:
        said = {}
    return replace(view, alarms=dated(alarms_of(view), said, now))
