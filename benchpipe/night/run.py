"""One run of a night: an error in it is shown and stops no other."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

from benchpipe.config.watching import HealthConfig
from benchpipe.errors import BenchpipeError, DamageError, ExitCode, InputError
from benchpipe.escapes import visible
from benchpipe.night.keeping import kept_glance
from benchpipe.night.looked import looked_at
from benchpipe.night.task import Done, Progress, Task
from benchpipe.pipeline import Outcome, run_steps
from benchpipe.retention import retain
from benchpipe.run import RunConfig, load_run
from benchpipe.store.archive_note import read_away
from benchpipe.store.manifest import Manifest
from benchpipe.views.exit_codes import exit_code
from benchpipe.views.model import RunView, StepUse
from benchpipe.views.run_view import archived_view, failed_view, run_view


def work_run(task: Task, on_progress: Progress) -> Done:
    """Ingest, process and check a run, each only where something is new. The caller holds the store.

    Parameters
    ----------
    on_progress : callable
        Called with the name of each log that is read.
    """
    try:
        config = load_run(task.plan, task.store, task.lab_path)
        away = read_away(config.store / config.name)
        if away is not None and away.state == "leaving":
            return Done(ExitCode.OK, archived_view(config, away))
        outcome = run_steps(config, on_progress=on_progress, today=task.today)
        manifest, said = _retained(config, outcome.manifest, task)
        try:
            bare, rig = looked_at(config, manifest, config.open_store(), _rules(task), _now(task))
        except DamageError:  # in what no step had to read
            outcome = run_steps(config, on_progress=on_progress, today=task.today, verify=True)
            manifest = outcome.manifest
            bare, rig = looked_at(config, manifest, config.open_store(), _rules(task), _now(task))
        view = rig.view_at(bare, _rules(task), _now(task))
        kept = kept_glance(task, config, manifest, bare, rig, settled=not said)
        return Done(exit_code(view), view, _steps(outcome), said, kept)
    except Exception as error:
        done = broken(task, error)
        return replace(done, view=replace(done.view, stored=_stored(task)))


def _stored(task: Task) -> RunView | None:
    """What the store has of a run that could not be processed, as it was; None where there is nothing to show."""
    try:
        config = load_run(task.plan, task.store, task.lab_path)
        manifest = config.open_store().manifest()
        return run_view(config, manifest, config.open_store()) if manifest.sources else None
    except (BenchpipeError, OSError):
        return None


def broken(task: Task, error: Exception) -> Done:
    """A run that could not be processed."""
    if isinstance(error, BenchpipeError):
        code, why = error.exit_code, str(error)
    elif isinstance(error, OSError):
        code = ExitCode.BAD_INPUT
        why = f"{error.strerror or error}" + (f"\n  where:    {visible(str(error.filename))}" if error.filename else "")
    else:
        code, why = ExitCode.BUG, task.bug(error, ["nightly", str(task.plan)])
    return Done(code, failed_view(task.plan, why, task.name))


def _retained(config: RunConfig, manifest: Manifest, task: Task) -> tuple[Manifest, tuple[str, ...]]:
    """Drop the samples of the run if the lab's rules say so."""
    try:
        gone = retain(config, config.open_store(), manifest, task.retention, task.began or datetime.now(UTC))
    except InputError as error:
        return manifest, (f"samples are due to be dropped, and are kept: {error}",)
    if gone is None:
        return manifest, ()
    text = f"samples dropped by the lab's rule: {gone.rows:,} rows, {gone.bytes / 1e6:,.1f} MB"
    return gone.manifest, (text,)


def _rules(task: Task) -> HealthConfig:
    return task.health or HealthConfig()


def _now(task: Task) -> datetime:
    return task.now or datetime.now(UTC)


def _steps(outcome: Outcome) -> tuple[StepUse, ...]:
    return tuple(StepUse(step, outcome.seconds[step], outcome.peak_mb[step]) for step in outcome.worked)
