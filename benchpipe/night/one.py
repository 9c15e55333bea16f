"""One run of a night: an error in it is shown and stops no other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

from benchpipe.config.lab import RetentionConfig
from benchpipe.config.watching import HealthConfig
from benchpipe.errors import BenchpipeError, DamageError, ExitCode, InputError
from benchpipe.escapes import visible
from benchpipe.health.gather import now_of
from benchpipe.health.look import run_health
from benchpipe.pipeline import Outcome, run_steps
from benchpipe.retention import retain
from benchpipe.run import RunConfig, load_run
from benchpipe.store.archive_note import read_away
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore
from benchpipe.views.exit_codes import exit_code
from benchpipe.views.model import RunView, StepUse
from benchpipe.views.rig_advice import with_health
from benchpipe.views.run_view import archived_view, failed_view, run_view

Bug = Callable[[BaseException, list[str]], str]
Tell = Callable[[str], None]


@dataclass(frozen=True)
class Task:
    """A run to be worked on.

    ``bug`` writes down an error that is ours and says where (a plain function); ``now`` is what the health of
    its rig is compared with, this computer's time if None.
    """

    plan: Path
    store: Path
    name: str
    bug: Bug
    retention: RetentionConfig
    health: HealthConfig = field(default_factory=HealthConfig)
    now: datetime | None = None


@dataclass(frozen=True)
class Done:
    """What came of a run.

    ``steps`` did something this night; those that found nothing new are not there. ``said`` is
    what was done besides, in sentences.
    """

    code: ExitCode
    view: RunView
    steps: tuple[StepUse, ...] = ()
    said: tuple[str, ...] = ()


def work_run(task: Task, tell: Tell) -> Done:
    """Ingest, process and check a run, each only where something is new. The caller holds the store.

    Parameters
    ----------
    tell : callable
        Called with the name of each log that is read.
    """
    try:
        config = load_run(task.plan, task.store)
        away = read_away(config.store / config.name)
        if away is not None and away.state == "leaving":
            return Done(ExitCode.OK, archived_view(config, away))
        outcome = run_steps(config, tell=tell)
        manifest, said = _retained(config, outcome.manifest, task.retention)
        try:
            view = _view(config, manifest, task)
        except DamageError:  # in what no step had to read
            outcome = run_steps(config, tell=tell, verify=True)
            view = _view(config, outcome.manifest, task)
        return Done(exit_code(view), view, _steps(outcome), said)
    except Exception as error:
        done = broken(task, error)
        return replace(done, view=replace(done.view, stored=_stored(task)))


def _stored(task: Task) -> RunView | None:
    """What the store has of a run that could not be processed, as it was; None where there is nothing to show."""
    try:
        config = load_run(task.plan, task.store)
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


def _retained(config: RunConfig, manifest: Manifest, rules: RetentionConfig) -> tuple[Manifest, tuple[str, ...]]:
    """Drop the samples of the run if the lab's rules say so."""
    try:
        gone = retain(config, config.open_store(), manifest, rules, datetime.now(UTC))
    except InputError as error:
        return manifest, (f"samples are due to be dropped, and are kept: {error}",)
    if gone is None:
        return manifest, ()
    text = f"samples dropped by the lab's rule: {gone.rows:,} rows, {gone.bytes / 1e6:,.1f} MB"
    return gone.manifest, (text,)


def _view(config: RunConfig, manifest: Manifest, task: Task) -> RunView:
    return healthy_view(config, manifest, config.open_store(), task.health, task.now or datetime.now(UTC))


def healthy_view(
    config: RunConfig, manifest: Manifest, store: RunStore, rules: HealthConfig, now: datetime
) -> RunView:
    """What is shown of a run, and how its rig is now."""
    health = run_health(config, manifest, store, rules, now)
    view = run_view(config, manifest, store)
    pace = view.pace
    if pace is not None and config.rig.time.dated:
        view = replace(view, pace=pace.seen_at(now_of(config.rig, now)))
    return replace(with_health(view, health.findings), bytes_a_day=health.a_day, watched=health.looked_at)


def _steps(outcome: Outcome) -> tuple[StepUse, ...]:
    return tuple(StepUse(step, outcome.seconds[step], outcome.peak_mb[step]) for step in outcome.worked)
