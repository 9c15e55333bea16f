"""The steps of a run, in order: each is skipped or run, and committed, in one place."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from typing import Any, TypedDict, Unpack

from benchpipe.check.run import CHECK
from benchpipe.check.validate_limits import limits_fit
from benchpipe.drift.run import DRIFT
from benchpipe.errors import BenchpipeError, ConfigError, DamageError
from benchpipe.ingest.run import INGEST
from benchpipe.process.run import PROCESS
from benchpipe.run import RunConfig
from benchpipe.steps import REBUILT, Night, StepKind, StepResult, StepTask
from benchpipe.store.configuration import configuration_of, freeze, list_sha256
from benchpipe.store.lock import hold_store
from benchpipe.store.manifest import Manifest, Step
from benchpipe.store.mending import Mended, mend, mend_more
from benchpipe.store.run_store import RunStore
from benchpipe.store.settings_dates import note_settings
from benchpipe.stream.memory import forget_peak, give_back, peak_mb

STEPS: tuple[StepKind[Any], ...] = (INGEST, PROCESS, DRIFT, CHECK)


class StepOptions(TypedDict, total=False):
    """Options of :func:`run_steps`.

    ``first`` and ``until`` choose the steps by name; ``again`` reads every log again and discards what
    was made of them; ``verify`` compares every file of the store with its hash first; ``today``
    is compared with calibration due dates; ``on_progress`` is called with each log that is read.
    """

    first: str
    until: str
    again: bool
    verify: bool
    today: date | None
    on_progress: Callable[[str], None] | None


@dataclass
class Outcome:
    """What the steps of one run did; ``seconds`` and ``peak_mb`` (memory) are of each step, ``worked`` those that
    found something new."""

    run: RunConfig
    manifest: Manifest
    read: tuple[str, ...] = ()
    seconds: dict[str, float] = field(default_factory=dict)
    peak_mb: dict[str, float] = field(default_factory=dict)
    worked: tuple[str, ...] = ()


def work(run: RunConfig, *, wait_s: float = 0.0, **options: Unpack[StepOptions]) -> Outcome:
    """Hold the store and do the steps of one run (see :func:`run_steps`).

    Raises
    ------
    StoreBusyError
        Another job holds the store.
    BenchpipeError
        The run cannot go on; what was committed before stays.
    """
    limits_fit(run)
    with hold_store(run.store, wait_s=wait_s):
        return run_steps(run, **options)


def run_steps(run: RunConfig, **options: Unpack[StepOptions]) -> Outcome:
    """Do the steps of a run from ``first`` to ``until``, each only where something is new.

    The caller holds the store. Damaged parts are set aside and rebuilt from the logs, if
    ``first`` is the ingest. The manifest is read once.
    """
    limits_fit(run)
    names = [kind.name for kind in STEPS]
    first, until = options.get("first", names[0]), options.get("until", names[-1])
    steps = STEPS[names.index(first) : names.index(until) + 1]
    store, units = run.open_store(), {kind.name: kind.unit for kind in STEPS}
    if first != names[0]:
        mended = Mended(store.manifest())
        _must_fit(STEPS[: names.index(first)], run, mended.manifest)
        return _do(run, store, mended, steps, options)
    again = options.get("again", False)
    mended = mend(store, units, verify=options.get("verify", False), again=again)
    while True:
        try:
            return _do(run, store, mended, steps, options)
        except DamageError as error:
            mended = mend_more(store, units, mended, error)


def _do(
    run: RunConfig, store: RunStore, mended: Mended, steps: tuple[StepKind[Any], ...], options: StepOptions
) -> Outcome:
    outcome = Outcome(run, mended.manifest)
    store.clean(outcome.manifest)
    night = Night(
        run, store, mended.manifest, options.get("today") or date.today(), options.get("again", False),
        options.get("on_progress"), mended.lost,
    )  # fmt: skip
    committed = outcome.manifest
    for kind in steps:
        night = replace(night, manifest=outcome.manifest)
        _parents_must_be_done(kind, night)
        with _timed(outcome, kind.name):
            outcome.manifest, read = do_step(kind, night)
            give_back(thoroughly=False)
        outcome.read += read
        committed = outcome.manifest if outcome.manifest.sequence != committed.sequence else committed
    if outcome.manifest.configuration != committed.configuration:  # the same results, by other files
        outcome.manifest = _commit(night, outcome.manifest)
    elif committed.sequence:
        freeze(store, run.files)  # one that was damaged is written again
    return outcome


def do_step(kind: StepKind[Any], night: Night) -> tuple[Manifest, tuple[str, ...]]:
    """Skip a step or run it, and commit once what it made.

    Returns
    -------
    manifest : Manifest
        The same where there is nothing new.
    read : tuple of str
        Logs that were read.
    """
    manifest = night.manifest
    before, key = manifest.steps.get(kind.name), kind.key(night)
    if manifest.closed and kind.kept is not None and before is not None and not (kind.looks and night.again):
        return _committed(night, kind.kept(night, key)), ()
    past = kind.read(before, night.run)
    if before is not None and before.key == key and not past.unfit and not kind.looks:
        return _by_files(manifest, kind.name, night), ()
    fits = before if past.state is not None else None
    result = kind.run(StepTask(**vars(night), key=key, past=past.state, before=fits))
    _declared(kind, result, night.run)
    step = Step(
        key=key, version=kind.version, parts=result.parts, remarks=(*kind.rebuilt(past.unfit), *result.remarks),
        zeros=result.zeros, state=result.state.stored,
    )  # fmt: skip
    others = {} if kind.looks and night.again else manifest.steps  # and all that was made of the logs
    update: dict[str, Any] = {"steps": {**others, kind.name: step}}
    if result.sources is not None and result.placed is not None:
        update |= {"sources": result.sources, "placed": result.placed}
    new = _by_files(manifest.model_copy(update=update), kind.name, night)
    return (_commit(night, new) if past.unfit else _committed(night, new)), result.read


def _by_files(manifest: Manifest, step: str, night: Night) -> Manifest:
    """The manifest, which says that a step was done with the run's settings files as they are now."""
    kept = {name: one for name, one in manifest.configuration.items() if name in manifest.steps}
    sha256 = list_sha256(night.run.files) if night.run.files else ""
    kept |= {step: sha256} if sha256 else {}
    return manifest if kept == manifest.configuration else manifest.model_copy(update={"configuration": kept})


def _commit(night: Night, new: Manifest) -> Manifest:
    """The new manifest, committed once the settings files that it names are safe."""
    freeze(night.store, night.run.files)
    new = night.store.commit(new)
    used = configuration_of(new)
    if used is not None:
        note_settings(night.run.store, night.run.name, new.sequence, used, datetime.now(UTC))
    return new


def _committed(night: Night, new: Manifest) -> Manifest:
    """The new manifest, committed; the old one where they differ at most in what was rebuilt an earlier night.

    Other settings files alone are no reason to commit here: that is done once, after the last step.
    """
    by_files = {"configuration": night.manifest.configuration}
    if _but_rebuilt(new.model_copy(update=by_files)) == _but_rebuilt(night.manifest):
        return night.manifest.model_copy(update={"configuration": new.configuration})
    return _commit(night, new)


def _but_rebuilt(manifest: Manifest) -> Manifest:
    """A manifest without the remarks on what was rebuilt: these stay until there is something new."""
    said = {name: [r for r in step.remarks if r.code != REBUILT] for name, step in manifest.steps.items()}
    less = {
        name: step.model_copy(update={"remarks": tuple(said[name])})
        for name, step in manifest.steps.items()
        if len(said[name]) < len(step.remarks)
    }
    return manifest.model_copy(update={"steps": {**manifest.steps, **less}}) if less else manifest


def _declared(kind: StepKind[Any], result: StepResult[Any], run: RunConfig) -> None:
    """Refuse parts of tables that the step does not declare: repair and retention would not know them."""
    others = set(run.tables) if kind.unit == "block" else set()
    odd = {part.table for part in result.parts} - set(kind.tables) - others
    if odd:
        raise BenchpipeError(
            f"the step '{kind.name}' wrote the table '{min(odd)}'",
            expected=f"one of {', '.join(kind.tables) or 'no table'}",
            do_next="this is a fault of the program: name the table in the declaration of the step",
        )


def _parents_must_be_done(kind: StepKind[Any], night: Night) -> None:
    """Refuse a step whose parents have not run; the first one that is missing is named."""
    for parent in (other for other in STEPS if other.name in kind.parents):
        _parents_must_be_done(parent, night)
        if parent.name not in night.manifest.steps or not night.manifest.sources:
            what, command = parent.undone
            raise ConfigError(
                what.format(run=night.run.name), where=night.run.store, do_next=f"run this first: {command}"
            )


def _must_fit(steps: tuple[StepKind[Any], ...], run: RunConfig, manifest: Manifest) -> None:
    """Refuse to begin after steps whose state is of another version: what they made is to be rebuilt first."""
    for kind in () if manifest.closed else steps:
        for what, why in kind.read(manifest.steps.get(kind.name), run).unfit.items():
            raise ConfigError(
                f"what the step '{kind.name}' kept of '{what}' is not of this version ({why})",
                where=run.store,
                do_next="rebuild it first: benchpipe nightly LAB",
            )


@contextmanager
def _timed(outcome: Outcome, step: str) -> Iterator[None]:
    started, before = time.perf_counter(), outcome.manifest.sequence
    forget_peak()
    yield
    outcome.seconds[step], outcome.peak_mb[step] = time.perf_counter() - started, peak_mb()
    if outcome.manifest.sequence != before:
        outcome.worked = (*outcome.worked, step)
