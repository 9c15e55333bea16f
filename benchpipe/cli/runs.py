"""Commands that work on runs and show them."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchpipe.cli.heads import heads_kept
from benchpipe.cli.naming import names_given, names_in
from benchpipe.cli.notify import tell_of
from benchpipe.cli.options import (
    Again,
    Jobs,
    Json,
    Junit,
    Lab,
    RunArgument,
    ShardOption,
    Store,
    Wait,
    default_jobs,
    lab_file,
    loaded,
)
from benchpipe.cli.output import give_runs, say, tell
from benchpipe.cli.progress import tell_of_kernels
from benchpipe.errors import ConfigError, ExitCode

if TYPE_CHECKING:
    from benchpipe.hints import Names
    from benchpipe.night.result import NightResult
    from benchpipe.run import RunConfig

DETAILED = 5
MOST_REMARKS = 12


def _show(run: RunConfig, lab: Path | None, called: Names, *, as_json: bool) -> ExitCode:
    """Show a run as it is in the store, its alarms as the last night left them."""
    from dataclasses import replace
    from datetime import UTC, datetime

    from benchpipe.config.lab_file import find_lab
    from benchpipe.config.watching import HealthConfig
    from benchpipe.night.alarms_kept import with_known_alarms
    from benchpipe.night.looked import healthy_view
    from benchpipe.run import load_lab
    from benchpipe.verify.share import verified_words
    from benchpipe.views.exit_codes import exit_code

    lab, now = lab or find_lab(run.plan_path.parent), datetime.now(UTC)
    rules = load_lab(lab)[0].health if lab else HealthConfig()
    kept = run.open_store()
    view = healthy_view(run, kept.manifest(), kept, rules, now)
    code = exit_code(view)
    view = replace(view, verified=verified_words(run.store, run.name))
    give_runs([with_known_alarms(view, run.store, now)], code, lambda _: called, as_json=as_json)
    return code


def ingest(run: RunArgument, lab: Lab = None, store: Store = None, again: Again = False, wait: Wait = 0.0) -> None:
    """Ingest new logs and new rows of a run into the store.

    Example: benchpipe ingest sample_runs/healthy/plan.toml
    """
    from benchpipe.pipeline import work
    from benchpipe.views.alarms import QUIET

    config = loaded(run, lab, store)
    tell_of_kernels()
    outcome = work(config, wait_s=wait, until="ingest", again=again, on_progress=_reading)
    _heads_kept(config, lab)
    sources = outcome.manifest.sources
    account = outcome.manifest.account()
    say(
        f"{outcome.run.name}: {len(outcome.read)} of {len(sources)} log(s) read; {account.rows:,} rows = "
        f"{account.samples:,} samples + {account.rejects:,} rejected + {account.repeats:,} repeated"
    )
    odd = [*outcome.manifest.steps["ingest"].remarks, *(r for s in sources for r in s.remarks)]
    lines = [f"! {remark.where}: {remark.text}" for remark in odd if remark.code not in QUIET]
    called = names_given(run, lab, store)
    say(*map(called.filled, lines[:MOST_REMARKS]))
    if len(lines) > MOST_REMARKS:
        say(called.filled(f"! and {len(lines) - MOST_REMARKS} more: benchpipe export RUN remarks"))


def _heads_kept(config: RunConfig, lab: Path | None) -> None:
    from benchpipe.config.lab_file import find_lab

    heads_kept(lab or find_lab(config.plan_path.parent), config.store, [config.name])


def _reading(name: str) -> None:
    tell(f"reading {name}")


def process(run: RunArgument, lab: Lab = None, store: Store = None, wait: Wait = 0.0) -> None:
    """Make cycles, holds, sweeps and trends of the ingested samples.

    Example: benchpipe process sample_runs/healthy/plan.toml
    """
    from benchpipe.pipeline import work

    config = loaded(run, lab, store)
    outcome = work(config, wait_s=wait, first="process", until="process")
    _heads_kept(config, lab)
    rows: dict[str, int] = {}
    for part in outcome.manifest.steps["process"].parts:
        rows[part.table] = rows.get(part.table, 0) + part.rows
    listing = ", ".join(f"{count:,} {table}" for table, count in rows.items()) or "no rows"
    say(f"{outcome.run.name}: {listing}{'' if outcome.worked else ' (nothing new)'}")


def check(run: RunArgument, lab: Lab = None, store: Store = None, as_json: Json = False, wait: Wait = 0.0) -> int:
    """Judge a processed run against its limits, look for drift, and show it.

    Example: benchpipe check sample_runs/healthy/plan.toml
    """
    from benchpipe.pipeline import work

    config = loaded(run, lab, store)
    work(config, wait_s=wait, first="drift")
    _heads_kept(config, lab)
    return _show(config, lab, names_given(run, lab, store), as_json=as_json)


def show(
    run: RunArgument,
    lab: Lab = None,
    store: Store = None,
    as_json: Json = False,
    trend: Annotated[
        str | None, typer.Option("--trend", metavar="MEASURE", help="Draw a measure of the cycles instead.")
    ] = None,
) -> int:
    """Show the summary of a run again, without any work on it.

    Example: benchpipe show sample_runs/healthy/plan.toml
    """
    if trend is not None:
        return draw_trend(loaded(run, lab, store), trend)
    known = None if store is not None else _last_view(run, lab, as_json=as_json)
    if known is not None:
        return known
    return _show(loaded(run, lab, store), lab, names_given(run, lab, store), as_json=as_json)


def _last_view(run: str, lab: Path | None, *, as_json: bool) -> ExitCode | None:
    """Show a run as the last night saw it, where nothing that it was made from has changed; None where it has."""
    from datetime import UTC, datetime

    from benchpipe.night.last_view import last_view
    from benchpipe.views.exit_codes import exit_code

    view = last_view(run, lab, datetime.now(UTC))
    if view is None:
        return None
    code = exit_code(view)
    give_runs([view], code, lambda _: names_given(run, lab, None), as_json=as_json)
    return code


def draw_trend(run: RunConfig, measure: str) -> ExitCode:
    """Draw a measure over the cycles of each block that has it."""
    import sys

    from benchpipe.report.trend_text import can_draw, trend_lines
    from benchpipe.views.page.drift import drift_of
    from benchpipe.views.page.one_trend import trends_of
    from benchpipe.views.run_view import run_view

    kept = run.open_store()
    manifest = kept.manifest()
    view = run_view(run, manifest, kept)
    for shown in trends_of(run, manifest, kept, view, measure):
        say(*trend_lines(shown, drift_of(view), plain=not can_draw(sys.stdout.encoding)))
    return ExitCode.OK


def nightly(
    lab: Annotated[
        Path | None, typer.Argument(metavar="[LAB]", help="Lab file or its folder. Default: the nearest.")
    ] = None,
    as_json: Json = False,
    wait: Wait = 0.0,
    jobs: Jobs = 0,
    junit: Junit = None,
    shard: ShardOption = None,
    details: Annotated[
        bool | None,
        typer.Option("--details/--brief", help=f"Each run's summary too (else up to {DETAILED} runs), or the table."),
    ] = None,
    new_store: Annotated[
        bool, typer.Option("--new-store", help="Accept the store that is there now, though another one was expected.")
    ] = False,
) -> int:
    """Ingest, process and check all runs of a lab; only new data.

    Example: benchpipe nightly sample_runs/lab.toml
    """
    if junit is not None and junit.is_dir():  # before hours of work
        raise ConfigError("a folder is there", where=junit, do_next="name a file with --junit")
    if shard is not None:
        return _share(lab_file(lab), shard, wait_s=wait, jobs=jobs, as_json=as_json, details=details)
    night = work_night(lab_file(lab), wait_s=wait, jobs=jobs, new_store=new_store)
    if night.note:
        tell(f"note: {night.note}")
    from benchpipe.views.lab_view import Besides

    code, not_told = tell_of(lab_file(lab), night)
    for why in not_told:
        tell(f"not told: {why}")
    views, besides = list(night.views), Besides(night.store, not_told, night.tests)
    details = len(views) <= DETAILED if details is None else details
    names = partial(names_in, lab_file(lab))
    give_runs(views, code, names, as_json=as_json, details=details, besides=besides)
    write_pages_of(lab_file(lab), night, not_told)
    if junit is not None:
        from benchpipe.report.junit import to_junit
        from benchpipe.store.files import write_whole
        from benchpipe.store.refusals import refused

        with refused(junit.absolute(), "name another file with --junit (the night itself is done)"):
            write_whole(junit.absolute(), to_junit(views, night.began))
    return code


def _share(
    lab: Path, shard: str, *, wait_s: float, jobs: int, as_json: bool, details: bool | None
) -> ExitCode:  # fmt: skip
    """Work on a share of the runs, and show them."""
    from benchpipe.cli.bugs import bug_report
    from benchpipe.cli.progress import watching
    from benchpipe.night.lab import work_shard
    from benchpipe.night.shard import Shard
    from benchpipe.views.lab_view import Besides

    asked = Shard.parse(shard)
    with watching(0) as watch:
        night = work_shard(lab, asked, bug=bug_report, jobs=jobs or default_jobs(), wait_s=wait_s, watch=watch)
    if night.note:
        tell(f"note: {night.note}")
    if not night.views:
        tell(f"no run of the lab is in share {shard}")
        return ExitCode.OK
    details = len(night.views) <= DETAILED if details is None else details
    names = partial(names_in, lab)
    give_runs(list(night.views), night.code, names, as_json=as_json, details=details, besides=Besides(night.store))
    return night.code


def write_pages_of(lab: Path, night: NightResult, not_told: tuple[str, ...] = ()) -> None:
    """Write the lab's pages, and say where the board is."""
    from benchpipe.config.lab_file import read_lab

    if read_lab(lab)[0].page is None:
        return
    from benchpipe.night.pages import write_pages

    written = write_pages(lab, night, partial(names_in, lab), not_told)
    if written is not None:
        tell(f"pages: {written.board} ({written.new} written, {written.same} as they were)")
        for why in written.not_noted:
            tell(f"note: {why}")


def work_night(lab: Path, *, wait_s: float = 0.0, jobs: int = 1, new_store: bool = False) -> NightResult:
    """A night over a lab, with its progress on standard error."""
    from benchpipe.cli.bugs import bug_report
    from benchpipe.cli.progress import watching
    from benchpipe.night.lab import lab_of, work_lab

    with watching(len(lab_of(lab)[1])) as watch:
        return work_lab(
            lab, bug=bug_report, jobs=jobs or default_jobs(), wait_s=wait_s, watch=watch, new_store=new_store
        )
