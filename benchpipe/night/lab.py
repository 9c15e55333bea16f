"""A night over all runs of a lab."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from benchpipe.check.specimens import LabTestResult
from benchpipe.config.lab_file import read_lab
from benchpipe.errors import BenchpipeError, ConfigError, ExitCode
from benchpipe.health.finding import Finding
from benchpipe.health.look import nobody_named, store_health
from benchpipe.ledger.heads import keep_heads
from benchpipe.night.alarms_kept import with_alarms, with_known_alarms
from benchpipe.night.executor import Executor, LocalExecutor, executor_of
from benchpipe.night.glance import Glance, file_hash, keep_glance, unchanged
from benchpipe.night.result import NightResult as NightResult
from benchpipe.night.shard import Shard
from benchpipe.night.task import Bug, Done, LabMark, Task, WorkerEvent
from benchpipe.night.unchanged import CHANGED, VERIFY, what_changed
from benchpipe.store.identity import must_be_there, note_store
from benchpipe.store.lock import hold_store
from benchpipe.store.open_storage import storage_of
from benchpipe.store.shared_lock import hold_notes, share_store
from benchpipe.store.step_uses import read_step_uses, write_step_uses
from benchpipe.verify.share import SharedRun
from benchpipe.views.exit_codes import SEVERITY, exit_code
from benchpipe.views.model import RunView, StepUse

if TYPE_CHECKING:
    from benchpipe.config.lab import LabConfig
    from benchpipe.plan import PlanConfig
    from benchpipe.run import RunConfig

EventCallback = Callable[[WorkerEvent], None]
Loaded: TypeAlias = "Glance | RunConfig | Exception"


def work_lab(
    lab: Path, *, bug: Bug, jobs: int = 1, wait_s: float = 0.0, watch: EventCallback = lambda _: None,
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
    mark = LabMark(lab.absolute(), file_hash(lab))  # before it is read
    config, plans, store = lab_of(lab)
    now = now or datetime.now(UTC)
    if not new_store:
        must_be_there(lab, store)
    task = Task(lab, store, "", bug, config.retention, config.health, now, date.today(), datetime.now(UTC), mark)
    loaded = [_loaded(replace(task, plan=plan)) for plan in plans]
    with hold_store(store, wait_s=wait_s):
        note = note_store(lab, store, (one.name for _, one in loaded if not isinstance(one, Exception)))
        loaded = [(one, _still(one, found)) for one, found in loaded]
        done = list(_work(loaded, executor_of(config.engine, jobs, lab), watch))
        views = with_alarms(_with_steps(done, store), store, now)
        known = [one for _, one in loaded if not isinstance(one, Exception)]
        changed = what_changed(lab, store, list(map(_shared, known)), config.verify, now, new_store=new_store)
    found = sorted(zip(done, views, strict=True), key=lambda pair: SEVERITY.index(pair[0].code))
    growing = {view.run: view.bytes_a_day for view in views}
    unwell = (*changed, *store_health(store, growing, config.health))
    if len(known) == len(loaded):  # else a name may be of a run that could not be read
        unwell = (*unwell, *nobody_named(config, [view.run for view in views]))
    code = ExitCode.CHANGED if any(one.code == CHANGED for one in changed) else ExitCode.OK
    worst = min(code, found[0][0].code, key=SEVERITY.index)
    return NightResult(worst, tuple(view for _, view in found), now, unwell, note, _tests(config, views, known))


def work_shard(
    lab: Path, shard: Shard, *, bug: Bug, jobs: int = 1, wait_s: float = 0.0, watch: EventCallback = lambda _: None,
    now: datetime | None = None,
) -> NightResult:  # fmt: skip
    """Ingest, process and check the runs of a share of a lab, at the same time as other shares (see
    :mod:`benchpipe.night.shard`).

    Raises
    ------
    StoreBusyError
        Another job holds the store or one of these runs, and did not leave within ``wait_s``.
    StoreGoneError
        The store that the lab had is not there.
    PlaceError
        The store is among the raw logs of a run: nothing is written there.
    """
    mark = LabMark(lab.absolute(), file_hash(lab))
    config, plans, store = lab_of(lab)
    now = now or datetime.now(UTC)
    must_be_there(lab, store)
    task = Task(lab, store, "", bug, config.retention, config.health, now, date.today(), datetime.now(UTC), mark)
    every = [_loaded(replace(task, plan=plan)) for plan in plans]
    names = [one.name for _, one in every if not isinstance(one, Exception)]
    mine = [(one, found) for one, found in every if _is_in(shard, one, found)]
    held = [found.name for _, found in mine if not isinstance(found, Exception)]
    with share_store(store, held, wait_s=wait_s):
        with hold_notes(store):
            note = note_store(lab, store, names)
        mine = [(one, _still(one, found)) for one, found in mine]
        done = list(_work(mine, executor_of(config.engine, jobs, lab), watch))
        with hold_notes(store):
            views = _with_steps(done, store)
            problems = keep_heads(lab, store, held)
    views = [with_known_alarms(view, store, now) for view in views]
    found = sorted(zip(done, views, strict=True), key=lambda pair: SEVERITY.index(pair[0].code))
    changed = tuple(Finding(CHANGED, one, f"stored data changed: {one}", VERIFY) for one in problems)
    codes = [ExitCode.CHANGED if changed else ExitCode.OK, *(one.code for one, _ in found[:1])]
    return NightResult(
        min(codes, key=SEVERITY.index), tuple(view for _, view in found), now, changed, note
    )


def _is_in(shard: Shard, task: Task, found: Loaded) -> bool:
    """Whether a run is in a share; one that cannot be read goes by its plan's path in the lab."""
    if isinstance(found, Exception):
        folder = task.lab.path.parent if task.lab is not None else task.plan.parent
        return shard.has(os.path.relpath(task.plan, folder))
    return shard.has(found.name)


def lab_of(lab: Path) -> tuple[LabConfig, list[Path], Path]:
    """Read a lab file, and verify what its tests name: config, plan files, store.

    Raises
    ------
    ConfigError
        The file is wrong, or a test names a run, block or limit file that is not there.
    """
    config, plans, store, _ = read_lab(lab)
    if config.test:
        from benchpipe.run import load_lab

        return load_lab(lab, with_tests=True)
    return config, plans, store


def _tests(config: LabConfig, views: list[RunView], known: list[Glance | RunConfig]) -> tuple[LabTestResult, ...]:
    """Results of the lab's tests."""
    if not config.test:
        return ()
    from benchpipe.plan import load_plan
    from benchpipe.views.specimen_views import lab_tests

    plans: dict[str, PlanConfig] = {
        one.name: load_plan(one.plan)[0] if isinstance(one, Glance) else one.plan for one in known
    }
    return lab_tests(config, views, plans)


def _loaded(task: Task) -> tuple[Task, Loaded]:
    """What the last night kept of a run whose configs are as they were; its configuration, or what is wrong with it."""
    glance = unchanged(task.store, task.plan, task.lab)
    if glance is not None and glance.settled:
        return task, glance
    return task, _config(task)


def _config(task: Task) -> RunConfig | Exception:
    from benchpipe.places import PlaceError
    from benchpipe.run import load_run

    try:
        return load_run(task.plan, task.store, task.lab_path)
    except PlaceError:
        raise
    except Exception as error:
        return error


def _still(task: Task, found: Loaded) -> Loaded:
    """The same where it counts: a glance of data that are not as they were does not."""
    if isinstance(found, Glance) and not found.data_are_same(task.today or date.today()):
        return _config(task)
    return found


def _shared(known: Glance | RunConfig) -> SharedRun:
    if isinstance(known, Glance):
        return SharedRun(known.name, known.plan.parent, known.store, known.files)
    return SharedRun.of(known)


def _work(loaded: list[tuple[Task, Loaded]], executor: Executor, watch: EventCallback) -> Iterator[Done]:
    """Runs that have nothing new are looked at here; the others side by side, if more than one may."""
    names: dict[str, Path] = {}
    apart: list[Task] = []
    runs = [one for _, one in loaded if not isinstance(one, (Exception, Glance))]
    for task, config in loaded:
        try:
            if isinstance(config, Exception):
                raise config
            _named(config.name, config.plan if isinstance(config, Glance) else config.plan_path, names)
        except Exception as error:
            from benchpipe.night.run import broken

            yield _ended(task, broken(task, error), watch)
            continue
        named = replace(task, name=config.name)
        if isinstance(config, Glance):
            glanced = _glanced(config, task)
            if glanced is not None:
                yield _ended(named, glanced, watch)
                continue
            config = _config(task)
        if not executor.alone and not isinstance(config, Exception) and _seems_new(config):
            apart.append(named)
        else:
            _warm(runs, executor, partial(_warms, named, watch))
            from benchpipe.night.run import work_run

            watch(WorkerEvent("begins", named))
            yield _kept(_ended(named, work_run(named, partial(_reads, named, watch)), watch), named)
    if apart:
        _warm(runs, executor, partial(_warms, apart[0], watch))
        for event in executor.work(apart):
            watch(event)
            if event.done is not None:
                storage_of(event.task.store).forget(event.task.name)  # what that process has committed
                yield _kept(event.done, event.task)


def _warm(runs: list[RunConfig], executor: Executor, on_progress: Callable[[str], None]) -> None:
    """Compile kernels before the first run that needs them, where the runs are worked on on this machine."""
    if runs and isinstance(executor, LocalExecutor):
        from benchpipe.night.warming import warm_kernels

        warm_kernels(filter(_seems_new, runs), on_progress)
    runs.clear()


def _glanced(glance: Glance, task: Task) -> Done | None:
    """A run that has nothing new; None where what was kept of it is not what was written."""
    from benchpipe.config.watching import HealthConfig

    try:
        view = glance.view(task.health or HealthConfig(), task.now or datetime.now(UTC))
    except ValueError:
        return None
    return Done(exit_code(view), view)


def _kept(done: Done, task: Task) -> Done:
    keep_glance(task.store, task.plan, done.kept)
    return done


def _warms(task: Task, watch: EventCallback, text: str) -> None:
    watch(WorkerEvent("warms", task, text))


def _reads(task: Task, watch: EventCallback, log: str) -> None:
    watch(WorkerEvent("reads", task, log))


def _ended(task: Task, done: Done, watch: EventCallback) -> Done:
    watch(WorkerEvent("ends", task, done=done))
    return done


def _named(name: str, plan: Path, names: dict[str, Path]) -> None:
    if names.setdefault(name, plan) != plan:
        raise ConfigError(
            f"the name '{name}' is taken by another run of the lab", where=names[name],
            do_next="give each plan a name of its own: tables are kept by it",
        )  # fmt: skip


def _seems_new(config: RunConfig) -> bool:
    """Whether a run looks as if there is much to do: where it is worked on depends on it, and nothing else."""
    from benchpipe.ingest.logs import find_logs
    from benchpipe.store.run_store import MANIFEST

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
