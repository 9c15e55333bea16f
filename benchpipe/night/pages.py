"""Pages of runs as files: made from the store, written whole, and only where something changed."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from fnmatch import fnmatch
from itertools import chain, count
from pathlib import Path
from urllib.parse import quote

from benchpipe.config.watching import HealthConfig
from benchpipe.errors import BenchpipeError, ConfigError, StoreError
from benchpipe.hints import Names
from benchpipe.ingest.logs import find_logs
from benchpipe.night.alarms_kept import with_known_alarms
from benchpipe.night.result import NightResult
from benchpipe.report.page.board import board_document
from benchpipe.report.page.document import STATE
from benchpipe.run import RunConfig, load_lab, load_run
from benchpipe.store.archive_note import read_away
from benchpipe.store.files import make_folder
from benchpipe.store.page_note import WrittenPage, read_pages, write_page
from benchpipe.store.record_note import read_records
from benchpipe.store.refusals import refused
from benchpipe.views.model import RunView
from benchpipe.views.page.board import board
from benchpipe.views.page.model import RunPage
from benchpipe.views.page.state import bare_state, page_state
from benchpipe.views.texts import change_texts

BOARD = "index.html"
HEAD = 4096  # bytes of a page that hold its state
_STATE = re.compile(rf'<meta name="{STATE}" content="([0-9a-f]+)"'.encode())


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
    from benchpipe.night.looked import healthy_view
    from benchpipe.views.page.run_page import bare_page, run_page
    from benchpipe.views.run_view import archived_view

    away = read_away(config.store / config.name)
    if away is not None and away.state == "leaving":
        return _filled(bare_page(archived_view(config, away)), names)
    store = config.open_store()
    manifest = store.manifest()
    if view is None:
        rules = load_lab(lab)[0].health if lab else HealthConfig()
        view = with_known_alarms(healthy_view(config, manifest, store, rules, now), config.store, now)
    return _filled(run_page(config, manifest, store, view, every=every), names)


def _filled(page: RunPage, names: Names) -> RunPage:
    """The page with commands that can be pasted."""
    view = replace(change_texts(page.view, names.filled), called=names.run)
    facts = {key: change_texts(getattr(page, key), names.filled) for key in ("rig", "left_out", "origin", "charts")}
    return replace(page, view=view, **facts)


@dataclass(frozen=True)
class Written:
    """Pages of a night: the board, how many pages of runs were written and are as they were, and why some are not noted
    (so that verification does not see them)."""

    board: Path
    new: int
    same: int
    not_noted: tuple[str, ...] = ()


def write_pages(
    lab: Path, night: NightResult, names: Callable[[str], Names], not_told: tuple[str, ...] = ()
) -> Written | None:
    """Write the board of a lab and the pages of its runs, each whole, and only where something changed.

    Parameters
    ----------
    names : callable
        ``names(run)`` gives how commands name a run.

    Returns
    -------
    Written or None
        None where the lab file asks for none.

    Raises
    ------
    ConfigError
        The folder holds logs of a run.
    StoreError
        A page cannot be written.
    """
    config, plans, _ = load_lab(lab)
    if config.page is None:
        return None
    folder = (lab.parent / config.page.folder).absolute()
    known = {run.name: run for run in _loaded_runs(plans, lab)}
    for run in known.values():
        _no_logs(folder, run)
    addresses: dict[str, str] = {}
    noted, counts, not_noted = _noted(lab), [0, 0], list[str]()
    with refused(folder, "name another folder in [page] of the lab file (the night itself is done)"):
        make_folder(folder)
        for view in night.views:
            if not any(fnmatch(view.run, pattern) for pattern in config.page.runs):
                continue
            name = _file_name(view.run, addresses)
            addresses[view.run] = name
            path, run_config = folder / name, known.get(view.run)
            there = _state(path) if noted is None or path in noted else ""
            page = _page_of_night(there, run_config, lab, view, names(view.run), night.began)
            counts[page is None] += 1
            if page is not None:
                from benchpipe.report.page.run_document import run_document

                not_noted.append(write_page(path, run_document(page, BOARD).encode(), view.run, lab))
        shown = board(
            config.name, night.began, night.views, {run: quote(name) for run, name in addresses.items()},
            records=dict(_records(known.values(), folder)), store=night.store, not_told=not_told, note=night.note,
            tests=night.tests,
        )  # fmt: skip
        not_noted.append(write_page(folder / BOARD, board_document(shown).encode(), "", lab))
    return Written(folder / BOARD, counts[0], counts[1], tuple(filter(None, not_noted))[:1])


def _records(runs: Iterable[RunConfig], folder: Path) -> Iterator[tuple[str, str]]:
    """Address of the newest record of each run, where there is one, as the board in a folder has it."""
    for run in runs:
        with suppress(StoreError, OSError, ValueError):  # a note that cannot be read is verification's to name
            paths = [one.path(run.store) for one in read_records(run.store / run.name)]
            there = [path for path in paths if path.is_file()]
            if there:
                yield run.name, quote(Path(os.path.relpath(there[-1], folder)).as_posix())


def _noted(lab: Path) -> dict[Path, WrittenPage] | None:
    """Pages that are noted, and so need not be written again; None where that is not known."""
    try:
        return read_pages(lab)
    except StoreError:
        return None


def _loaded_runs(plans: list[Path], lab: Path) -> Iterator[RunConfig]:
    """Runs of a lab that can be read; why the others cannot is in their views."""
    store = load_lab(lab)[2]
    for plan in plans:
        with suppress(BenchpipeError, OSError):
            yield load_run(plan, store)


def _no_logs(folder: Path, run: RunConfig) -> None:
    """Refuse a folder that holds logs of a run: these are only read."""
    try:
        logs = find_logs(run).files.values()
    except (BenchpipeError, OSError):
        return
    if any(log.parent.resolve() == folder.resolve() for log in logs):
        raise ConfigError(
            f"the folder of the pages holds logs of run '{run.name}', which are only read", where=folder,
            do_next="name another folder in [page] of the lab file",
        )  # fmt: skip


def _page_of_night(
    there: str, run: RunConfig | None, lab: Path, view: RunView, names: Names, now: datetime
) -> RunPage | None:
    """The page of a run; None where one of this state is there already."""
    whole = None if view.failed is not None or view.archived else run
    if there == (bare_state(view) if whole is None else page_state(whole.open_store().manifest(), view)):
        return None
    from benchpipe.views.page.run_page import bare_page

    if whole is None:
        return _filled(bare_page(view), names)
    try:
        return page_of(whole, lab, names, now, view=view)
    except BenchpipeError as error:  # a table that the night did not read; the other runs have their pages
        from benchpipe.views.run_view import failed_view

        return _filled(bare_page(failed_view(whole.plan_path, str(error), whole.name)), names)


def _state(path: Path) -> str:
    """The state that a page was made from; empty where there is none."""
    try:
        with path.open("rb") as file:
            found = _STATE.search(file.read(HEAD))
    except OSError:
        return ""
    return found[1].decode() if found else ""


def _file_name(run: str, taken: dict[str, str]) -> str:
    """A name for the page of a run that no other run has, on any file system."""
    plain = "".join(letter if letter.isalnum() or letter in "-_." else "-" for letter in run).strip(".") or "run"
    others = {name.lower() for name in taken.values()} | {BOARD}
    choices = chain([plain], (f"{plain}-{k}" for k in count(2)))
    return next(f"{one}.html" for one in choices if f"{one}.html".lower() not in others)
