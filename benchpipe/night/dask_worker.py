"""What a dask worker does for a night: say which program it has, and work on one run."""

from __future__ import annotations

import hashlib
import platform
import threading
import time
from collections.abc import Callable
from functools import lru_cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import benchpipe
from benchpipe.night.task import Done, Task
from benchpipe.store.identity import mark_of

IN_HAND = "benchpipe_runs"  # attribute of a worker: keys of the runs that it works on
LIBRARIES = ("numpy", "scipy", "numba", "llvmlite", "polars", "pyarrow")
_one_at_a_time = threading.Lock()  # a run uses what is of the whole process: peak memory, caches of its store


class StoppedError(BaseException):
    """The night that asked for a run does not want it any more. No step may catch it."""


def facts_asked(store: str, plans: list[str]) -> Callable[[], dict[str, str]]:
    """A function that says which program a worker has, and whether it sees the lab.

    It is a function in a function: such a one is sent as it is, so that a worker without benchpipe can answer too.
    """

    def facts() -> dict[str, str]:
        try:
            from benchpipe.night.dask_worker import program_facts
        except ImportError:
            return {"benchpipe": "not installed, or another version"}
        return program_facts(store, plans)

    return facts


def program_facts(store: str, plans: list[str]) -> dict[str, str]:
    """Versions and sources of the program, the zone of the clock, the store's mark, and which plans are not seen."""
    found = {"benchpipe": benchpipe.__version__, "sources": _sources(), "python": platform.python_version()}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "none"
    missing = [plan for plan in plans if not Path(plan).is_file()]
    return found | {
        "time zone": "/".join((*time.tzname, str(time.timezone))), "store": mark_of(Path(store)) or "not seen",
        "plans": "all seen" if not missing else f"{len(missing)} not seen, such as {missing[0]}",
    }  # fmt: skip


@lru_cache(maxsize=1)
def _sources() -> str:
    """Hash of our own modules by their content."""
    home, found = Path(benchpipe.__file__).parent, hashlib.sha256()
    for path in sorted(home.rglob("*.py")):
        found.update(path.relative_to(home).as_posix().encode() + b"\0" + path.read_bytes())
    return found.hexdigest()[:12]


def work_on_worker(task: Task, topic: str, key: str) -> Done | None:
    """Work on a run in this worker, and report the logs that are read; None where the night cancelled it."""
    from distributed import get_worker

    worker: Any = get_worker()

    def said(kind: str, text: str) -> None:
        worker.log_event(topic, {"key": key, "kind": kind, "text": text})

    def on_progress(log: str) -> None:
        known = worker.state.tasks.get(key)
        if known is None or known.state == "cancelled":
            raise StoppedError
        said("reads", log)

    from benchpipe.night.run import work_run

    in_hand: set[str] = vars(worker).setdefault(IN_HAND, set())
    in_hand.add(key)
    with _one_at_a_time:
        try:
            return work_run(task, on_progress)
        except StoppedError:
            return None
        finally:
            in_hand.discard(key)
            said("over", "")
