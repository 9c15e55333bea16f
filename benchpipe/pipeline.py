"""Which steps a run still needs, in order: ingest → process → check."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date
from typing import Literal, TypedDict, Unpack

from benchpipe.check.run import check_run
from benchpipe.check.validate_limits import limits_fit
from benchpipe.errors import ConfigError, DamageError
from benchpipe.ingest.run import ingest_run
from benchpipe.process.run import process_run
from benchpipe.run import RunConfig
from benchpipe.store.lock import hold_store
from benchpipe.store.manifest import Manifest
from benchpipe.store.mending import Mended, mend, mend_more
from benchpipe.store.run_store import RunStore
from benchpipe.stream.memory import forget_peak, peak_mb

StepName = Literal["ingest", "process", "check"]
STEPS: tuple[StepName, ...] = ("ingest", "process", "check")


class StepOptions(TypedDict, total=False):
    """Options of :func:`run_steps`.

    ``first`` and ``until`` choose the steps; ``again`` reads every log again and discards what
    was made of them; ``verify`` holds every file of the store against its hash first; ``today``
    is compared with calibration due dates; ``tell`` is called with each log that is read.
    """

    first: StepName
    until: StepName
    again: bool
    verify: bool
    today: date | None
    tell: Callable[[str], None] | None


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
    ``first`` is the ingest.
    """
    limits_fit(run)
    first, until = options.get("first", "ingest"), options.get("until", "check")
    steps = STEPS[STEPS.index(first) : STEPS.index(until) + 1]
    store = run.open_store()
    if first != "ingest":
        return _do(run, store, Mended(store.manifest()), steps, options)
    mended = mend(store, verify=options.get("verify", False), again=options.get("again", False))
    while True:
        try:
            return _do(run, store, mended, steps, options)
        except DamageError as error:
            mended = mend_more(store, mended, error)


def _do(run: RunConfig, store: RunStore, mended: Mended, steps: tuple[StepName, ...], options: StepOptions) -> Outcome:
    outcome = Outcome(run, mended.manifest)
    store.clean(outcome.manifest)
    if "ingest" in steps:
        with _timed(outcome, "ingest"):
            again, tell = options.get("again", False), options.get("tell")
            result = ingest_run(run, store, again=again, tell=tell, lost=mended.lost)
            outcome.manifest, outcome.read = result.manifest, result.read
            if again:  # and all that was made of the samples
                forgotten = {"steps": {"ingest": outcome.manifest.steps["ingest"]}}
                outcome.manifest = store.commit(outcome.manifest.model_copy(update=forgotten))
    _samples_exist(outcome)
    if "process" in steps:
        with _timed(outcome, "process"):
            outcome.manifest = process_run(run, store, outcome.manifest)
    if "check" in steps:
        _processed(outcome)
        with _timed(outcome, "check"):
            today = options.get("today") or date.today()
            outcome.manifest = check_run(run, store, outcome.manifest, today=today)
    return outcome


def _samples_exist(outcome: Outcome) -> None:
    if not outcome.manifest.sources:
        raise ConfigError(
            f"nothing of run '{outcome.run.name}' is in the store yet",
            where=outcome.run.store,
            do_next="run this first: benchpipe ingest RUN",
        )


def _processed(outcome: Outcome) -> None:
    if "process" not in outcome.manifest.steps:
        raise ConfigError(
            f"run '{outcome.run.name}' is not processed yet",
            where=outcome.run.store,
            do_next="run this first: benchpipe process RUN",
        )


@contextmanager
def _timed(outcome: Outcome, step: StepName) -> Iterator[None]:
    started, before = time.perf_counter(), outcome.manifest.sequence
    forget_peak()
    yield
    outcome.seconds[step], outcome.peak_mb[step] = time.perf_counter() - started, peak_mb()
    if outcome.manifest.sequence != before:
        outcome.worked = (*outcome.worked, step)
