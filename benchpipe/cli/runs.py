"""Commands that work on runs and show them."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchpipe.cli.keep import gone_to, retain_samples
from benchpipe.cli.options import Again, Json, Lab, Run, Store, Wait, lab_file
from benchpipe.cli.output import give_runs, system_error, tell
from benchpipe.errors import BenchpipeError, ConfigError, DamageError, ExitCode

if TYPE_CHECKING:
    from benchpipe.config.lab import RetentionConfig
    from benchpipe.config.run import RunConfig
    from benchpipe.report.view import RunView


def _load(run: str, lab: Path | None, store: Path | None) -> RunConfig:
    from benchpipe.config.run import find_plan, load_run

    return load_run(find_plan(run, lab), store)


def _view(run: RunConfig) -> RunView:
    from benchpipe.report.view import run_view
    from benchpipe.store.run_store import RunStore

    store = RunStore(run.store, run.name)
    return run_view(run, store.manifest(), store)


def ingest(run: Run, lab: Lab = None, store: Store = None, again: Again = False, wait: Wait = 0.0) -> None:
    """Take what is new in a run's logs into the store.

    Example: benchpipe ingest sample_runs/healthy/plan.toml
    """
    from benchpipe.pipeline import work

    config = _load(run, lab, store)
    outcome = work(config, wait_s=wait, until="ingest", again=again, tell=lambda name: tell(f"reading {name}"))
    sources = outcome.manifest.sources
    account = outcome.manifest.account()
    typer.echo(
        f"{outcome.run.name}: {len(outcome.read)} of {len(sources)} log(s) read; {account.rows:,} rows = "
        f"{account.samples:,} samples + {account.rejects:,} rejected + {account.repeats:,} repeated"
    )


def process(run: Run, lab: Lab = None, store: Store = None, wait: Wait = 0.0) -> None:
    """Make cycles, holds, sweeps and trends of what was ingested.

    Example: benchpipe process sample_runs/healthy/plan.toml
    """
    from benchpipe.pipeline import work

    outcome = work(_load(run, lab, store), wait_s=wait, first="process", until="process")
    rows: dict[str, int] = {}
    for part in outcome.manifest.steps["process"].parts:
        rows[part.table] = rows.get(part.table, 0) + part.rows
    listing = ", ".join(f"{count:,} {table}" for table, count in rows.items()) or "no rows"
    typer.echo(f"{outcome.run.name}: {listing}{'' if outcome.worked else ' (nothing new)'}")


def check(run: Run, lab: Lab = None, store: Store = None, as_json: Json = False, wait: Wait = 0.0) -> int:
    """Judge a run that was processed against its limits, and show it.

    Example: benchpipe check sample_runs/healthy/plan.toml
    """
    from benchpipe.pipeline import work

    config = _load(run, lab, store)
    work(config, wait_s=wait, first="check")
    view = _view(config)
    code = exit_code(view)
    give_runs([view], code, as_json=as_json)
    return code


def show(run: Run, lab: Lab = None, store: Store = None, as_json: Json = False) -> int:
    """Show the summary of a run again; nothing is worked on.

    Example: benchpipe show sample_runs/healthy/plan.toml
    """
    view = _view(_load(run, lab, store))
    code = exit_code(view)
    give_runs([view], code, as_json=as_json)
    return code


def nightly(
    lab: Annotated[
        Path | None, typer.Argument(metavar="[LAB]", help="Lab file or its folder; else the nearest.")
    ] = None,
    as_json: Json = False,
    wait: Wait = 0.0,
    brief: Annotated[bool, typer.Option("--brief", help="Only the line of each run.")] = False,
) -> int:
    """Take in, process and check all runs of a lab; each step only where something is new.

    Example: benchpipe nightly sample_runs/lab.toml
    """
    views, code = run_lab(lab_file(lab), wait)
    give_runs(views, code, as_json=as_json, details=not brief)
    return code


def run_lab(lab: Path, wait_s: float = 0.0) -> tuple[list[RunView], ExitCode]:
    """All runs of a lab, worst first, and the exit code of the worst."""
    from benchpipe.config.run import load_lab
    from benchpipe.store.lock import hold_store

    config, plans, store = load_lab(lab)
    found: list[tuple[ExitCode, RunView]] = []
    names: dict[str, Path] = {}
    with hold_store(store, wait_s=wait_s):
        for plan in plans:
            found.append(_one(plan, store, names, config.retention))
    found.sort(key=lambda item: SEVERITY.index(item[0]))
    return [view for _, view in found], found[0][0]


def _one(
    plan: Path, store: Path, names: dict[str, Path], retention: RetentionConfig
) -> tuple[ExitCode, RunView]:
    """One run of a lab: what breaks it is shown and stops no other. ``names`` gathers the names so far."""
    from benchpipe.cli.bugs import bug_report
    from benchpipe.config.run import load_run
    from benchpipe.pipeline import run_steps
    from benchpipe.report.view import archived_view, failed_view

    name = ""
    try:
        config = load_run(plan, store)
        if names.setdefault(config.name, plan) != plan:
            raise ConfigError(
                f"the name '{config.name}' is taken by another run of the lab", where=names[config.name],
                do_next="give each plan a name of its own: tables are kept by it",
            )  # fmt: skip
        name = config.name
        if (away := gone_to(config)) is not None:
            return ExitCode.OK, archived_view(config, away)
        told = partial(_told, config.name)
        run_steps(config, tell=told)
        retain_samples(config, retention)
        try:
            view = _view(config)
        except DamageError:  # in what no step had to read
            run_steps(config, tell=told, verify=True)
            view = _view(config)
        return exit_code(view), view
    except BenchpipeError as error:
        return ExitCode(error.exit_code), failed_view(plan, str(error), name)
    except OSError as error:
        return ExitCode.BAD_INPUT, failed_view(plan, system_error(error), name)
    except Exception as error:
        return ExitCode.BUG, failed_view(plan, bug_report(error, ["nightly", str(plan)]), name)


def _told(run: str, log: str) -> None:
    tell(f"{run}: reading {log}")


# Worst first: what a person must look at before anything else.
SEVERITY = (
    ExitCode.BUG, ExitCode.LIMIT_FAILED, ExitCode.BAD_INPUT, ExitCode.USAGE, ExitCode.STORE_BUSY,
    ExitCode.INCONCLUSIVE, ExitCode.OK,
)  # fmt: skip


def exit_code(view: RunView) -> ExitCode:
    """Exit code of a run: limits that are not due yet do not count."""
    from benchpipe.check.decision import Verdict

    due = [row for row in view.limits if row["due"]]
    if any(row["verdict"] == Verdict.FAIL for row in due):
        return ExitCode.LIMIT_FAILED
    if any(row["verdict"] != Verdict.PASS for row in due) or not view.limits:
        return ExitCode.INCONCLUSIVE
    return ExitCode.OK
