"""Try an object store: does it enforce conditions, what may this account do, does its clock agree, how fast is it?

All is tried on objects of names of their own, which are removed again.
"""

from __future__ import annotations

import os
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass

from benchpipe.errors import StoreError
from benchpipe.store.object_client import TagChangedError
from benchpipe.store.object_requests import Requests

FOLDER = ".probe"
LEFT_NS = 24 * 3600 * 10**9
PROBE_BYTES = 8 << 20
SMALL = 10  # requests that the time of one is the mean of


@dataclass(frozen=True)
class Probe:
    """What was found: the clock of the object store less this one's [s], the time of a small request [s], and bytes a
    second there and back."""

    skew_s: float
    request_s: float
    sent: float
    fetched: float


def must_have_conditions(requests: Requests) -> None:
    """Refuse an object store that writes over an object though another state was named.

    Raises
    ------
    StoreError
        It does, or it cannot be asked.
    """
    with _probe_name(requests) as name:
        tag = requests.put_if(name, b"one", None)
        _must_refuse(requests, name, None, "that is there already")
        now = requests.put_if(name, b"two", tag)
        _must_refuse(requests, name, tag, "in another state than the one that was named")
        if now == tag or requests.get(name).data != b"two":
            raise _no_conditions(requests, "in the state that was named")


def _must_refuse(requests: Requests, name: str, tag: str | None, what: str) -> None:
    try:
        requests.put_if(name, uuid.uuid4().bytes, tag)
    except TagChangedError:
        return
    raise _no_conditions(requests, what)


def _no_conditions(requests: Requests, what: str) -> StoreError:
    return StoreError(
        f"the object store does not keep to conditions of a write (an object {what}): two jobs could undo one "
        "another's work without a word",
        where=requests.address,
        do_next="use a server that enforces If-Match and If-None-Match on PUT, or a store in a folder",
    )


def probe(requests: Requests) -> Probe:
    """Try rights, conditions, clock and speed.

    Raises
    ------
    StoreError
        What is not as it must be; the first thing of them.
    """
    must_have_conditions(requests)
    with _probe_name(requests) as name:
        began = time.time()
        requests.put(name, b"")
        head = requests.head(name)
        ended = time.time()
        if head is None or name not in requests.list(name.rpartition("/")[0]):
            raise StoreError("an object that was just written is not there", where=f"{requests.address}/{name}",
                             do_next="use a server that shows a write at once")  # fmt: skip
        written = head.modified_ns / 1e9
        skew = written - ended if written > ended else min(written + 1.0 - began, 0.0)  # its times may be whole seconds
        started = time.perf_counter()
        for _ in range(SMALL):
            requests.head(name)
        small = (time.perf_counter() - started) / SMALL
        data = os.urandom(PROBE_BYTES)
        started = time.perf_counter()
        requests.put(name, data)
        sent = PROBE_BYTES / (time.perf_counter() - started)
        started = time.perf_counter()
        same = b"".join(requests.stream(name)) == data
        fetched = PROBE_BYTES / (time.perf_counter() - started)
        if not same:
            raise StoreError("an object came back with other bytes", where=f"{requests.address}/{name}",
                             do_next="see what is between this machine and the object store")  # fmt: skip
    return Probe(skew, small, sent, fetched)


@contextmanager
def _probe_name(requests: Requests) -> Iterator[str]:
    """A name that no run has; what is there is removed at the end, and that this may be done is tried too.

    What a job left that was killed over it is removed a day later, by the clock of the object store.
    """
    name = f"{FOLDER}/{uuid.uuid4().hex}"
    try:
        yield name
    except BaseException:
        with suppress(StoreError):
            requests.delete([name])
        raise
    there = requests.list(FOLDER)
    clock = max((one.modified_ns for one in there.values()), default=0)
    requests.delete([name, *(one for one, entry in there.items() if entry.modified_ns < clock - LEFT_NS)])
