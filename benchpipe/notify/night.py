"""Notifications after a night: new alarms for each recipient, none of them twice.

A message goes out at least once: it is recorded as sent only after it was sent.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from fnmatch import fnmatch
from pathlib import Path

from benchpipe.config.lab import LabConfig
from benchpipe.config.watching import HEALTH_CODES, TellConfig
from benchpipe.errors import BenchpipeError, StoreError
from benchpipe.health.finding import Finding
from benchpipe.health.look import NOT_LOOKED_AT
from benchpipe.notify.addresses import Address, addresses
from benchpipe.notify.message import body, title
from benchpipe.notify.sending import send
from benchpipe.notify.sent_log import Identity, Told, read_told, write_told
from benchpipe.store.ledger_file import head_of
from benchpipe.views.caution import CAUTION
from benchpipe.views.model import Alarm, RunView

Send = Callable[[Address, str, str], str | None]
OCCASIONS = {"limit-fail": "limit-failed", "broken": "run-broke"}  # code of an alarm → what [[tell]] calls it


@dataclass(frozen=True)
class TellResult:
    """Labels of who got a message, and who could not be reached and why, in sentences."""

    told: tuple[str, ...] = ()
    not_told: tuple[str, ...] = ()


def tell_night(
    lab: LabConfig, folder: Path, store: Path, views: Sequence[RunView], disk: Sequence[Finding], began: datetime,
    *, environ: Mapping[str, str] | None = None, send: Send = send,
) -> TellResult:  # fmt: skip
    """Tell each of the lab file's ``[[tell]]`` what is new to it. Nothing that fails here breaks a night.

    Parameters
    ----------
    folder : Path
        The lab file's.
    disk : sequence of Finding
        What is not well with the store.
    """
    if not lab.tell:
        return TellResult()
    failed: list[str] = []
    told: list[str] = []
    before: Told = {}
    try:
        before = read_told(store)
    except StoreError as error:
        failed.append(error.what)
    after: Told = {}
    head = _head(store)
    alarms = [alarm for view in views for alarm in view.alarms] + [Alarm("", f.code, f.where, f.text) for f in disk]
    for one in lab.tell:
        chosen = {alarm.identity: alarm for alarm in alarms if wanted(alarm, one)}
        try:
            targets = addresses(one, folder, environ)
        except BenchpipeError as error:
            failed.append(f"{one.name}: {_in_a_line(error)}")
            after |= {label: known for label, known in before.items() if _of(label, one)}
            continue
        for target in targets:
            known = before.get(target.label, frozenset())
            go_on = frozenset(i for i in known if i in chosen or _unseen(i, views))
            new = [alarm for identity, alarm in chosen.items() if identity not in known]
            after[target.label] = go_on
            if not new and "night-finished" not in one.on:
                continue
            text = body(lab.name, began, views, new, _do_next(views, disk), len(go_on & chosen.keys()), head)
            why = _try(send, target, title(lab.name, new), text)
            if why is None:
                after[target.label] = go_on | {alarm.identity for alarm in new}
                told.append(target.label)
            else:
                failed.append(f"{target.label}: {why}")
    try:
        write_told(store, after)
    except (BenchpipeError, OSError) as error:
        failed.append(f"sent alarms could not be recorded, and are sent again: {str(error).splitlines()[0]}")
    return TellResult(tuple(told), tuple(failed))


def send_test(
    lab: LabConfig, folder: Path, *, environ: Mapping[str, str] | None = None, send: Send = send
) -> TellResult:
    """Send a message to everyone the lab file names, so that one knows that it arrives. Nothing is noted."""
    failed: list[str] = []
    told: list[str] = []
    for one in lab.tell:
        try:
            targets = addresses(one, folder, environ)
        except BenchpipeError as error:
            failed.append(f"{one.name}: {_in_a_line(error)}")
            continue
        for target in targets:
            text = f"A test message of benchpipe. '{one.name}' gets: {', '.join(one.on)}.\n\n{CAUTION}"
            why = _try(send, target, f"{lab.name}: test", text)
            failed += [f"{target.label}: {why}"] if why is not None else []
            told += [target.label] if why is None else []
    return TellResult(tuple(told), tuple(failed))


def _head(store: Path) -> str:
    """End of the store's ledger in words; empty where there is none."""
    try:
        return str(head_of(store) or "")
    except StoreError as error:
        return error.what


def wanted(alarm: Alarm, one: TellConfig) -> bool:
    """Whether a recipient chose to get an alarm."""
    if alarm.run and not any(fnmatch(alarm.run, pattern) for pattern in one.runs):
        return False
    if alarm.code in HEALTH_CODES:
        return "health" in one.on or alarm.code in one.on
    return OCCASIONS.get(alarm.code, "alarm") in one.on


def _try(send: Send, target: Address, title: str, text: str) -> str | None:
    try:
        return send(target, title, text)
    except BenchpipeError as error:
        return _in_a_line(error)


def _in_a_line(error: BenchpipeError) -> str:
    return error.what + (f" ({error.do_next})" if error.do_next else "")


def _of(label: str, one: TellConfig) -> bool:
    """Whether an address is one of a ``[[tell]]``."""
    return label == one.name or label.rpartition(" ")[0] == one.name


def _unseen(identity: Identity, views: Sequence[RunView]) -> bool:
    """Whether an alarm may still hold unseen: its run could not be processed, or its rig could not be checked."""
    run, code, _ = identity
    here = next((view for view in views if view.run == run), None)
    if here is None:
        return False
    not_looked = code in HEALTH_CODES and any(f.code == NOT_LOOKED_AT for f in here.health)
    return code != "broken" and (here.failed is not None or not_looked)


def _do_next(views: Sequence[RunView], disk: Sequence[Finding]) -> dict[Identity, str]:
    found: dict[Identity, str] = {("", f.code, f.where): f.do_next for f in disk}
    for view in views:
        found |= {(view.run, f.code, f.where): f.do_next for f in view.health}
        firsts = [alarm for alarm in view.alarms if alarm.code in OCCASIONS][:1]
        found |= {alarm.identity: view.do_next[0] for alarm in firsts if view.do_next}
    return found
