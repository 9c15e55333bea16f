"""A night over all runs of a lab."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from benchpipe.check.specimens import LabTestResult
from benchpipe.errors import BenchpipeError, ConfigError, ExitCode, StoreError
from benchpipe.health.look import nobody_named, store_health
from benchpipe.health.rules import Finding
from benchpipe.ingest.logs import find_logs
from benchpipe.night.apart import WorkerEvent, work_apart
from benchpipe.night.one import Bug, Done, Task, broken, work_run
from benchpipe.night.unchanged import CHANGED, what_changed
from benchpipe.places import PlaceError
from benchpipe.run import RunConfig, load_lab, load_run
from benchpipe.store.identity import must_be_there, note_store
from benchpipe.store.lock import hold_store
from benchpipe.store.notes import SAID, read_said, write_said
from benchpipe.store.run_store import MANIFEST
from benchpipe.store.step_uses import read_step_uses, write_step_uses
from benchpipe.store.storage import storage_of
from benchpipe.views.alarms import alarms_of, dated
from benchpipe.views.exit_codes import SEVERITY
from benchpipe.views.model import Alarm, RunView, StepUse
from benchpipe.views.specimen_views import lab_tests

Watch = Callable[[WorkerEvent], None]


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


def work_lab(
    lab: Path, *, bug: Bug, jobs: int = 1, wait_s: float = 0.0, watch: Watch = lambda _: None,
    now: datetime | None = None, new_store: bool = False,
) -> NightResult:  # fmt: skip
    """Ingest, process and check all runs of a lab, each only where something is new.

    Parameters
    ----------
    lab : Path
        The lab file.
    bug : callable
        Writes down an error that is ours and says where.
    jobs : int
        Runs at once. One works in this process; more, each in a process of its own.
    watch : callable
        Told what happens.
    now : datetime, optional
        Time with which the health of the rigs is compared and alarms are dated; default: this computer's time.
    new_store : bool
        Take the store that is there now, though another was seen there before.

    Raises
    ------
    StoreBusyError
        Another job holds the store and did not leave within ``wait_s``.
    StoreGoneError
        The store that the lab had is not there.
    PlaceError
        The store is among the raw logs of a run: nothing is written there.
    """
    config, plans, store = load_lab(lab, with_tests=True)
    now = now or datetime.now(UTC)
    if not new_store:
        must_be_there(lab, store)
    loaded = [_loaded(Task(plan, store, "", bug, config.retention, config.health, now)) for plan in plans]
    with hold_store(store, wait_s=wait_s):
        note = note_store(lab, store, (one.name for _, one in loaded if isinstance(one, RunConfig)))
        done = list(_work(loaded, jobs, watch))
        views = _with_alarms(_with_steps(done, store), store, now)
        runs = [one for _, one in loaded if isinstance(one, RunConfig)]
        changed = what_changed(lab, store, runs, config.verify, now, new_store=new_store)
    found = sorted(zip(done, views, strict=True), key=lambda pair: SEVERITY.index(pair[0].code))
    growing = {view.run: view.bytes_a_day for view in views}
    unwell = (*changed, *store_health(store, growing, config.health))
    if all(isinstance(one, RunConfig) for _, one in loaded):  # else a name may be of a run that could not be read
        unwell = (*unwell, *nobody_named(config, [view.run for view in views]))
    plans_read = {one.name: one.plan for _, one in loaded if isinstance(one, RunConfig)}
    tests = lab_tests(config, views, plans_read)
    code = ExitCode.CHANGED if any(one.code == CHANGED for one in changed) else ExitCode.OK
    worst = min(code, found[0][0].code, key=SEVERITY.index)
    return NightResult(worst, tuple(view for _, view in found), now, unwell, note, tests)


def _loaded(task: Task) -> tuple[Task, RunConfig | Exception]:
    """A run's configuration, or what is wrong with it."""
    try:
        return task, load_run(task.plan, task.store)
    except PlaceError:
        raise
    except Exception as error:
        return task, error


def _work(loaded: list[tuple[Task, RunConfig | Exception]], jobs: int, watch: Watch) -> Iterator[Done]:
    """Runs that have nothing new are looked at here; the others side by side, if more than one may."""
    names: dict[str, Path] = {}
    apart: list[Task] = []
    for task, config in loaded:
        try:
            if isinstance(config, Exception):
                raise config
            _named(config, names)
        except Exception as error:
            yield _ended(task, broken(task, error), watch)
            continue
        named = replace(task, name=config.name)
        if jobs > 1 and _seems_new(config):
            apart.append(named)
        else:
            watch(WorkerEvent("begins", named))
            yield _ended(named, work_run(named, partial(_reads, named, watch)), watch)
    for event in work_apart(apart, jobs):
        watch(event)
        if event.done is not None:
            storage_of(event.task.store).forget(event.task.name)  # what that process has committed
            yield event.done


def _reads(task: Task, watch: Watch, log: str) -> None:
    watch(WorkerEvent("reads", task, log))


def _ended(task: Task, done: Done, watch: Watch) -> Done:
    watch(WorkerEvent("ends", task, done=done))
    return done


def _named(config: RunConfig, names: dict[str, Path]) -> None:
    if names.setdefault(config.name, config.plan_path) != config.plan_path:
        raise ConfigError(
            f"the name '{config.name}' is taken by another run of the lab", where=names[config.name],
            do_next="give each plan a name of its own: tables are kept by it",
        )  # fmt: skip


def _seems_new(config: RunConfig) -> bool:
    """Whether a run looks as if there is much to do: where it is worked on depends on it, and nothing else."""
    try:
        store = config.open_store()
        written = (store.folder / MANIFEST).stat().st_mtime_ns
        configs = (config.plan_path, config.rig_path, *(limits.file.path for limits in config.limits))
        if any(path.stat().st_mtime_ns > written for path in configs):
            return True
        known = {s.file: (s.size, s.mtime_ns) for s in store.manifest().sources}
        stats = {name: path.stat() for name, path in find_logs(config).files.items()}
        return known != {name: (stat.st_size, stat.st_mtime_ns) for name, stat in stats.items()}
    except (BenchpipeError, OSError):
        return True


def _with_steps(done: list[Done], store: Path) -> list[RunView]:
    """Views with what the steps took when they last did something; it is kept for the nights to come."""
    before = read_step_uses(store)
    new = {one.view.run: one.steps for one in done if one.steps}
    if new:
        kept = {run: tuple((use.step, use.seconds, use.peak_mb) for use in uses) for run, uses in new.items()}
        write_step_uses(store, before | kept)
    old = {run: tuple(StepUse(*use) for use in uses) for run, uses in before.items()}
    return [replace(one.view, steps=(old | new).get(one.view.run, ())) for one in done]


def _with_alarms(views: list[RunView], store: Path, now: datetime) -> list[RunView]:
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
