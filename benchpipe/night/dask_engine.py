"""Runs on the workers of a dask scheduler: one task is one run's night.

This process keeps the store's lock, the clock and the order; it gives each worker one run at a time. A worker that has
another program, another zone of the clock, or does not see the lab is refused. The run of a worker that is lost is
given to another one, and that is reported.
"""

from __future__ import annotations

import queue
import time
import uuid
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from benchpipe.errors import ConfigError, ExitCode, InputError
from benchpipe.night.dask_worker import IN_HAND, facts_asked, program_facts, work_on_worker
from benchpipe.night.task import Done, Task, WorkerEvent

ANSWERS_S = 10.0  # a scheduler answers within so long
LOOK_S = 0.5
TRIES = 3
NO_WORKER_S = 60.0  # so long a night without a worker waits for one
STOPS_S = 600.0  # and so long for runs that it has cancelled
EXTRA = "pip install 'benchpipe[dask]'"
START = "dask worker ADDRESS --nthreads 1, in an environment with this version of benchpipe that sees the lab's folders"


@dataclass(frozen=True)
class DaskExecutor:
    """Workers of the scheduler at an address; a run may take ``longest_s``."""

    scheduler: str
    lab: Path
    longest_s: float | None = None

    @property
    def alone(self) -> bool:
        """No: runs are worked on elsewhere."""
        return False

    def work(self, tasks: Sequence[Task]) -> Iterator[WorkerEvent]:
        """Work on runs, and yield what happens; the caller holds the store.

        Raises
        ------
        ConfigError
            The extra is not installed, or no scheduler answers.
        InputError
            No worker of this program is there.
        """
        client = _client(self.scheduler, self.lab)
        try:
            yield from _Night(client, list(tasks), self).events()
        finally:
            client.close()


def _client(scheduler: str, lab: Path) -> Any:
    try:
        import distributed
    except ImportError:
        raise ConfigError(
            "the engine 'dask' is not installed", where=lab, do_next=f'{EXTRA}, or remove kind = "dask" from [engine]'
        ) from None
    made: Any = distributed.Client
    try:
        return made(scheduler, timeout=ANSWERS_S, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        raise ConfigError(
            f"no scheduler answers at {scheduler}", where=lab, got=str(error).splitlines()[0] if str(error) else None,
            do_next='start it (dask scheduler), correct scheduler in [engine], or work here with kind = "local"',
        ) from None


@dataclass
class _Given:
    """A run that a worker has."""

    task: Task
    worker: str
    future: Any
    since: float = field(default_factory=time.monotonic)


class _Night:
    """The runs of a night, and the workers that have them."""

    def __init__(self, client: Any, tasks: list[Task], engine: DaskExecutor) -> None:
        self._client, self._engine = client, engine
        self._topic = f"benchpipe-{uuid.uuid4().hex}"
        self._waiting, self._tried = deque(tasks), dict[Path, int]()
        self._given: dict[str, _Given] = {}
        self._news: queue.SimpleQueue[tuple[str, str, str]] = queue.SimpleQueue()
        self._fit: dict[str, bool] = {}  # by address
        self._refused: dict[str, str] = {}
        self._plans = [str(task.plan) for task in tasks]
        self._store = tasks[0].store if tasks else Path()
        self._worker_seen = time.monotonic()

    def events(self) -> Iterator[WorkerEvent]:
        self._client.subscribe_topic(self._topic, self._hear)
        try:
            looked, workers = float("-inf"), list[str]()
            while self._waiting or self._given:
                if time.monotonic() - looked >= LOOK_S:
                    workers, looked = self._workers(), time.monotonic()
                    yield from self._lost(workers)
                self._give(workers)
                yield from self._heard()
        except BaseException:  # Control-C, or a caller that leaves: nothing is begun any more
            self._cancel_all()
            raise
        finally:
            with suppress(Exception):
                self._client.unsubscribe_topic(self._topic)

    def _hear(self, event: tuple[float, dict[str, str]]) -> None:
        said = event[1]
        self._news.put((said["key"], said["kind"], said["text"]))

    def _workers(self) -> list[str]:
        """Addresses of the workers that are there and fit; new ones are asked first.

        Raises
        ------
        InputError
            There has been none for a while.
        """
        there = list(self._client.scheduler_info(n_workers=-1)["workers"])
        new = [address for address in there if address not in self._fit]
        if new:
            mine = program_facts(str(self._store), self._plans)
            answers = self._client.run(facts_asked(str(self._store), self._plans), workers=new, on_error="return")
            for address in new:
                odd = _other(mine, answers.get(address))
                self._fit[address] = not odd
                if odd:
                    self._refused[address] = odd
        fit = [address for address in there if self._fit[address]]
        now = time.monotonic()
        self._worker_seen = now if fit else self._worker_seen
        refused = "; ".join(f"{address}: {why}" for address, why in self._refused.items() if address in there)
        if not fit and (refused or now - self._worker_seen > NO_WORKER_S):
            raise InputError(
                f"no worker of {self._engine.scheduler} can work on the runs", where=self._engine.lab,
                got=f"refused: {refused}" if refused else "no worker", expected="workers of this very program",
                do_next=f"start one: {START}; then run again, nothing is lost",
            )  # fmt: skip
        return fit

    def _give(self, workers: list[str]) -> None:
        """One run to each worker that has none."""
        busy = {given.worker for given in self._given.values()}
        for address in workers:
            if address in busy or not self._waiting:
                continue
            task = self._waiting.popleft()
            self._tried[task.plan] = self._tried.get(task.plan, 0) + 1
            key = f"{self._topic}-{task.name}-{self._tried[task.plan]}"
            future = self._client.submit(
                work_on_worker, task, self._topic, key, key=key, workers=[address], allow_other_workers=False,
                pure=False, retries=0,
            )  # fmt: skip
            self._given[key] = _Given(task, address, future)
            if self._tried[task.plan] == 1:
                self._news.put((key, "begins", ""))
            future.add_done_callback(lambda done, key=key: self._news.put((key, "done", "")))

    def _lost(self, workers: list[str]) -> Iterator[WorkerEvent]:
        """Runs whose worker is gone, or that take too long."""
        for key, given in list(self._given.items()):
            took = time.monotonic() - given.since
            late = self._engine.longest_s is not None and took > self._engine.longest_s
            if given.future.done() or not (late or given.worker not in workers):
                continue
            why = f"the worker {given.worker} that worked on it is gone"
            if late:
                why = f"it took {took:,.0f} s on the worker {given.worker}, allowed are {self._engine.longest_s:,.0f} s"
            yield self._again(key, why)

    def _again(self, key: str, why: str) -> WorkerEvent:
        given = self._given.pop(key)
        given.future.cancel()
        if self._tried[given.task.plan] < TRIES:
            self._waiting.append(given.task)
            return WorkerEvent("again", given.task, why)
        from benchpipe.views.run_view import failed_view

        text = f"{why}, {TRIES} times\n  do next:  see the worker's log (memory?); then run again, nothing is lost"
        return WorkerEvent(
            "ends", given.task, done=Done(ExitCode.INTERRUPTED, failed_view(given.task.plan, text, given.task.name))
        )

    def _heard(self) -> Iterator[WorkerEvent]:
        """What workers have said and finished; results are released once they are read."""
        try:
            key, kind, text = self._news.get(timeout=LOOK_S)
        except queue.Empty:
            return
        given = self._given.get(key)
        if given is None or kind == "over":
            return
        if kind == "begins":
            yield WorkerEvent("begins", given.task)
        elif kind == "reads":
            yield WorkerEvent("reads", given.task, text)
        else:
            yield self._ended(key, given)

    def _ended(self, key: str, given: _Given) -> WorkerEvent:
        try:
            done = given.future.result()
        except Exception as error:
            return self._again(key, f"the worker {given.worker} lost it: {_first(error)}")
        if done is None:
            return self._again(key, "it was cancelled on its worker")
        del self._given[key]
        given.future.release()
        return WorkerEvent("ends", given.task, done=done)

    def _cancel_all(self) -> None:
        """Cancel what is given, and wait until no worker works on it: they would write without the store's lock."""
        running = {key for key, given in self._given.items() if not given.future.done()}
        addresses = {key: self._given[key].worker for key in running}
        with suppress(Exception):
            self._client.cancel([given.future for given in self._given.values()], force=True)
        end = time.monotonic() + STOPS_S
        while running and time.monotonic() < end:
            with suppress(queue.Empty):
                key, kind, _ = self._news.get(timeout=LOOK_S)
                running -= {key} if kind == "over" else set()
            with suppress(Exception):
                there = self._client.scheduler_info(n_workers=-1)["workers"]
                running = {key for key in running if addresses[key] in there and self._begun(key, addresses[key])}

    def _begun(self, key: str, address: str) -> bool:
        """Whether a worker still works on a run."""
        found = self._client.run(_executes_asked(key), workers=[address], on_error="return").get(address)
        return found is not False


def _executes_asked(key: str) -> Any:
    """A function that says whether a worker has a run in hand."""

    def executes(dask_worker: Any) -> bool:
        return key in getattr(dask_worker, IN_HAND, ())

    return executes


def _other(mine: dict[str, str], theirs: Any) -> str:
    """What of a worker's program is another one than this; empty where nothing is."""
    if not isinstance(theirs, dict):
        return f"it did not answer ({_first(theirs)})" if isinstance(theirs, BaseException) else "it did not answer"
    odd = [
        f"{name} {theirs.get(name, 'not known')}, here {value}"
        for name, value in mine.items()
        if theirs.get(name) != value
    ]
    return ", ".join(odd[:3]) + (f" and {len(odd) - 3} more" if len(odd) > 3 else "")


def _first(error: BaseException) -> str:
    return str(error).splitlines()[0] if str(error) else type(error).__name__
