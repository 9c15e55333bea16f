"""Pages of runs as files: made from the store, written whole, and only where something changed."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path

from benchpipe.config.watching import HealthConfig
from benchpipe.hints import Names
from benchpipe.night.lab import with_known_alarms
from benchpipe.night.one import healthy_view
from benchpipe.run import RunConfig, load_lab
from benchpipe.store.archive_note import read_away
from benchpipe.views.model import RunView
from benchpipe.views.page.model import RunPage
from benchpipe.views.page.run_page import bare_page, run_page
from benchpipe.views.run_view import archived_view
from benchpipe.views.texts import change_texts


def page_of(
    config: RunConfig,
    lab: Path | None,
    names: Names,
    now: datetime,
    *,
    every: bool = False,
    view: RunView | None = None,
) -> RunPage:
    """The page of a run as the store has it.

    Parameters
    ----------
    lab : Path or None
        Its lab file, for the rules on health.
    names : Names
        How commands on it name the run.
    view : RunView, optional
        As a night has made it; else it is made here.
    """
    away = read_away(config.store / config.name)
    if away is not None and away.state == "leaving":
        return _filled(bare_page(archived_view(config, away)), names)
    store = config.open_store()
    if view is None:
        rules = load_lab(lab)[0].health if lab else HealthConfig()
        view = with_known_alarms(healthy_view(config, store, rules, now), config.store, now)
    return _filled(run_page(config, store.manifest(), store, view, every=every), names)


def _filled(page: RunPage, names: Names) -> RunPage:
    """The page with commands that can be pasted."""
    view = replace(change_texts(page.view, names.filled), called=names.run)
    facts = {key: change_texts(getattr(page, key), names.filled) for key in ("rig", "left_out", "origin", "charts")}
    return replace(page, view=view, **facts)
