"""Findings of `doctor` on a machine and a lab; each names the next action."""

from __future__ import annotations

import os
import re
import shutil
import sys
import time
import tomllib
from collections.abc import Iterator
from datetime import datetime, timedelta
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING

from benchpipe.cli.finding import GB, SKEW_S, DoctorFinding, of_error, span_text
from benchpipe.cli.object_findings import cache_space, object_access
from benchpipe.errors import BenchpipeError, ExitCode, StoreBusyError, StoreError, install_extra
from benchpipe.kernels.compiled import kept_kernels
from benchpipe.mirrors import mirror_over
from benchpipe.store.files import TEMPORARY
from benchpipe.store.refusals import refused

if TYPE_CHECKING:
    from benchpipe.config.watching import TellConfig

SPARE = 1 * GB  # so much free space that a night leaves alone; common practice, no source
# log format that needs a library → the library; the extra has its name
EXTRAS = {"hdf5": "h5py", "mdf": "asammdf", "s3": "obstore", "sign": "cryptography", "xlsx": "python-calamine"}


def libraries(formats: set[str]) -> Iterator[DoctorFinding]:
    """Python and the libraries, those of extras that are named too: are they there, and is their version supported."""
    python = ".".join(map(str, sys.version_info[:3]))
    wrong = []
    for requirement in _requirements():
        name, extra = re.split(r"[^A-Za-z0-9_.-]", requirement)[0], re.search(r"extra\s*==\s*['\"](\w+)", requirement)
        if extra is not None and extra[1] not in formats:
            continue
        try:
            version = metadata.version(name)
        except metadata.PackageNotFoundError:
            wrong.append(f"{name} is not installed")
            continue
        least = re.search(r">=\s*([0-9.]+)", requirement)
        if least is not None and _numbers(version) < _numbers(least[1]):
            wrong.append(f"{name} is {version}, {least[1]} or newer is asked for")
    extras = ",".join(sorted(formats & set(EXTRAS)))
    if wrong:
        yield DoctorFinding("wrong", "libraries", "; ".join(wrong), install_extra(extras), ExitCode.USAGE)
    else:
        also = f", those for {extras} too" if extras else ""
        yield DoctorFinding("ok", "libraries", f"Python {python}, benchpipe and all it needs{also}")
        if kept_kernels() is None:
            text = "kernels are compiled each time, which takes about half a minute: no folder for them can be written"
            yield DoctorFinding("look", "libraries", text, "name a folder that can be written in XDG_CACHE_HOME")


def _requirements() -> list[str]:
    """Requirements of the installed package; of a checkout, those of pyproject.toml."""
    try:
        return metadata.requires("benchpipe") or []
    except metadata.PackageNotFoundError:
        checkout = Path(__file__).resolve().parents[2]
        project = tomllib.loads((checkout / "pyproject.toml").read_text(encoding="utf-8"))["project"]
        extras = project["optional-dependencies"].items()
        return [*project["dependencies"], *(f"{one}; extra == '{extra}'" for extra, all_ in extras for one in all_)]


def _numbers(version: str) -> tuple[int, ...]:
    return tuple(int(n) for n in re.findall(r"\d+", version)[:3])


def store_access(lab: Path, store: Path) -> Iterator[DoctorFinding]:
    """Is it the lab's expected store, can it be written, does a lock work, is it locked, does its clock agree?"""
    from benchpipe.store.identity import must_be_there
    from benchpipe.store.lock import hold_store

    try:
        must_be_there(lab, store)
    except BenchpipeError as error:  # an extra that is missing, no credentials
        yield of_error("store", error)
        return
    if mirror_over(store) is not None:
        yield from object_access(store)
        return
    if not store.exists():
        parent = next(folder for folder in store.parents if folder.exists())
        if parent.is_dir() and os.access(parent, os.W_OK | os.X_OK):
            yield DoctorFinding("ok", "store", f"{store} is not there yet, and can be made")
        else:
            yield DoctorFinding(
                "wrong", "store", f"{store} is not there, and cannot be made in {parent}",
                "give this account the right to write there, or name another store in lab.toml", ExitCode.BAD_INPUT,
            )  # fmt: skip
        return
    try:
        with hold_store(store):
            yield DoctorFinding("ok", "store", f"{store} can be written and held: no other job is at work")
            yield from _clock_of(store)
    except StoreBusyError as error:
        yield of_error("store", error)
    except StoreError as error:
        yield of_error("store", error)


def _clock_of(store: Path) -> Iterator[DoctorFinding]:
    """Compare the time of a new file on the disk of the store with this machine's clock."""
    path = store / f"{TEMPORARY}doctor-{os.getpid()}"
    with refused(store, "choose another store"):
        before = time.time()
        path.write_bytes(b"")
        try:
            skew = path.stat().st_mtime - before
        finally:
            path.unlink()
    if abs(skew) > SKEW_S:
        way = "ahead" if skew > 0 else "behind"
        text = f"the disk or share of the store is {span_text(abs(skew))} {way}"
        yield DoctorFinding("look", "clock", text, "set both clocks by the same time server")


def clock(newest_us: int | None, where: str, written: list[tuple[float, Path]]) -> Iterator[DoctorFinding]:
    """Is this machine's clock before times that it has already recorded?

    Parameters
    ----------
    newest_us : int or None
        Last row of all runs with dates, by the rigs' clocks; ``where`` names the run.
    written : list of (time, path)
        When the files of the store were last written [s since 1970].
    """
    now = time.time()
    local = datetime.now().astimezone()
    name = local.tzname() or ""
    zone = f"{name} (UTC{local.strftime('%z')})" if name else f"UTC{local.strftime('%z')}"
    said = [
        DoctorFinding("ok", "clock", f"{local:%Y-%m-%d %H:%M} {zone}; dates in logs are taken as each rig writes them")
    ]
    late = [(when - now, path) for when, path in written if when > now + SKEW_S]
    if late:
        ahead, path = max(late)
        text = f"it is {local:%Y-%m-%d %H:%M}, and {path} was written {span_text(ahead)} later: the clock was set back"
        said = [DoctorFinding("wrong", "clock", text, "set the clock by a time server", ExitCode.BAD_INPUT)]
    yield from said
    wall = now + (local.utcoffset() or timedelta(0)).total_seconds()
    if newest_us is not None and newest_us / 1e6 > wall + SKEW_S:
        yield DoctorFinding(
            "look", "clock", f"the last row of {where} is {span_text(newest_us / 1e6 - wall)} ahead of this machine",
            "compare the rig's clock with this one; logs of a simulation may be of any date",
        )  # fmt: skip


def _size(size: float) -> str:
    return f"{size / GB:,.1f} GB" if size >= GB else f"{size / 1e6:,.1f} MB"


def space(store: Path, to_come: int) -> DoctorFinding:
    """Compare the free space of the store with the most that the next night can need: the size of its new logs."""
    if mirror_over(store) is not None:
        return cache_space(to_come)
    folder = next(f for f in (store, *store.parents) if f.exists())
    free = shutil.disk_usage(folder).free
    text = f"{_size(free)} free for the store; {_size(to_come)} of logs are to be read"
    if free < to_come:
        return DoctorFinding(
            "wrong", "space", text, "free space on that disk, or name another store", ExitCode.BAD_INPUT
        )
    if free < to_come + SPARE:
        return DoctorFinding("look", "space", text,
                       "free space on that disk soon: 'drop' and 'archive' in: benchpipe guide nightly")  # fmt: skip
    return DoctorFinding("ok", "space", text)


def telling(asked: tuple[TellConfig, ...], folder: Path) -> Iterator[DoctorFinding]:
    """Notifications: the library, and the addresses, which are never shown."""
    from benchpipe.notify.addresses import addresses
    from benchpipe.notify.sending import library

    for one in asked:
        try:
            library()
            found = addresses(one, folder)
        except BenchpipeError as error:
            yield of_error("tell", error, one.name)
            continue
        path = None if one.file is None else folder / one.file
        if path is not None and os.name == "posix" and path.stat().st_mode & 0o077:
            yield DoctorFinding(
                "look", "tell", f"{one.name}: others can read {path}, which holds secrets", f"chmod 600 {path}"
            )
        else:
            yield DoctorFinding("ok", "tell", f"{one.name}: {len(found)} address(es)")
