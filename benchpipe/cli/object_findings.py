"""Findings of `doctor` on a store that is on an object store; each names the next action."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

from benchpipe.cli.finding import GB, SKEW_S, DoctorFinding, of_error, span_text
from benchpipe.errors import BenchpipeError, ExitCode
from benchpipe.mirrors import HOME, address_of, mirrors_home
from benchpipe.store.cache import LIMIT, limit_bytes
from benchpipe.store.lock import hold_store
from benchpipe.store.object_client import open_client
from benchpipe.store.object_probe import Probe, probe
from benchpipe.store.object_requests import Requests

SLOW_S = 0.5  # a night makes about 40 requests a run; common practice, no source


def object_access(store: Path) -> Iterator[DoctorFinding]:
    """Conditions, rights, clock and speed of the object store, and the place for its copy on this machine."""
    address = address_of(store) or str(store)
    try:
        found = probe(Requests(open_client(address), address))
        text = f"{address} can be read, listed, written and removed from, and keeps to conditions of a write"
        yield DoctorFinding("ok", "store", text)
        yield from _clock_and_speed(found)
        with hold_store(store):
            yield DoctorFinding("ok", "store", f"no other job of this machine is at work on {address}")
    except BenchpipeError as error:
        yield of_error("store", error)


def _clock_and_speed(found: Probe) -> Iterator[DoctorFinding]:
    if abs(found.skew_s) > SKEW_S:
        way = "ahead" if found.skew_s > 0 else "behind"
        text = f"the object store is {span_text(abs(found.skew_s))} {way}"
        yield DoctorFinding("look", "clock", text, "set this machine's clock by a time server")
    text = (
        f"the object store answers in {1e3 * found.request_s:,.1f} ms; "
        f"{found.sent / 1e6:,.0f} MB/s there, {found.fetched / 1e6:,.0f} MB/s back"
    )
    slow = found.request_s > SLOW_S
    yield DoctorFinding(
        "look" if slow else "ok", "speed", text, "use a machine or a region nearer to the bucket" if slow else ""
    )


def cache_space(to_come: int) -> DoctorFinding:
    """Compare the free space for this machine's copy with what the next night can need."""
    home = mirrors_home()
    folder = next(one for one in (home, *home.parents) if one.exists())
    free, limit = shutil.disk_usage(folder).free, limit_bytes()
    text = (
        f"{free / GB:,.1f} GB free for this machine's copy of the store in {home} "
        f"(at most {limit / GB:,.1f} GB: {LIMIT}); "
        f"{to_come / 1e6:,.1f} MB of logs are to be read"
    )
    if free < to_come:
        do_next = f"free space there, or name another folder: {HOME}=DIR"
        return DoctorFinding("wrong", "space", text, do_next, ExitCode.BAD_INPUT)
    return DoctorFinding("ok", "space", text)
