"""Verify runs of a store: what is stored and logged against what was written, taken and signed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from benchpipe.config.signing import SignerConfig
from benchpipe.errors import StoreBusyError, StoreError
from benchpipe.ledger.chain import Ledger, read_ledger
from benchpipe.ledger.heads import Heads, ledger_problems, run_problems
from benchpipe.store.archive_note import read_away
from benchpipe.store.ledger_file import LEDGER
from benchpipe.store.manifest import Head
from benchpipe.store.open_storage import storage_of
from benchpipe.store.run_store import MANIFEST
from benchpipe.verify.files import archive_lines, log_lines, part_lines
from benchpipe.verify.line import Line, Status, in_order
from benchpipe.verify.manifests import Documents, quarantine_lines, read_documents
from benchpipe.verify.notes import note_lines, run_note_lines
from benchpipe.verify.pages import NotedPages
from benchpipe.verify.record import RecordCheck, record_lines
from benchpipe.verify.settings import settings_lines
from benchpipe.verify.signatures import ledger_lines, same_as_signed, sign_off_lines

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Verifying:
    """What is verified, and by what.

    Attributes
    ----------
    store : Path
    runs : dict
        Name of each run, and the folder of its plan; None where no plan is known.
    heads : Heads or None
        Heads noted beside the lab file.
    head : Head or None
        Head of the ledger that a person gives, from a record, a page or a message.
    signers : sequence of SignerConfig or None
        Those of the lab file; None where there is none.
    recompute : bool
        Make figures and verdicts again from the logs too, in a scratch folder.
    records : sequence of Path
        Records that a person names, of the one run that is verified.
    lab : Path or None
        The lab file beside which pages are noted.
    """

    store: Path
    runs: Mapping[str, Path | None]
    heads: Heads | None = None
    head: Head | None = None
    signers: Sequence[SignerConfig] | None = None
    recompute: bool = False
    records: Sequence[Path] = ()
    lab: Path | None = None


def verify(asked: Verifying, on_progress: Progress = lambda _: None) -> list[Line]:
    """Verify runs and the ledger of their store: one line a thing, worst first. Nothing is written or locked.

    Raises
    ------
    StoreBusyError
        Another job wrote to the store meanwhile, and not all holds: it may be of that.
    StoreError
        The store cannot be read.
    """
    before = _stamps(asked)
    lines = _verified(asked, on_progress)
    if any(line.status is not Status.HOLDS for line in lines) and _stamps(asked) != before:
        raise StoreBusyError(
            "another job wrote to the store while it was verified",
            where=asked.store,
            do_next="run again when it has ended",
        )
    return in_order(lines)


def _stamps(asked: Verifying) -> list[tuple[int, int]]:
    """Size and time of the files that every job writes last."""
    found = []
    files = storage_of(asked.store)
    for run in asked.runs:
        files.pull(run, every=True)
    files.pull(every=True)
    for folder, name in (("", LEDGER), *((run, MANIFEST) for run in asked.runs)):
        entry = files.list(folder).get(name)
        found.append((entry.size, entry.modified_ns) if entry is not None else (0, 0))
    return found


def _verified(asked: Verifying, on_progress: Progress) -> list[Line]:
    ledger = read_ledger(asked.store)
    noted = asked.heads.ledger if asked.heads is not None else None
    kept = [head for head in (asked.head, noted) if head is not None]
    lines = [*note_lines(asked.store), *ledger_lines(asked.store, ledger, kept, asked.signers)]
    anchored = all(line.status is Status.HOLDS for line in lines) and ledger.head is not None
    pages = NotedPages(asked.lab)
    lines += pages.lines("")
    for run, home in asked.runs.items():
        lines += _run_lines(run, home, asked, ledger, anchored=anchored, on_progress=on_progress)
        lines += pages.lines(run)
    return lines


def _run_lines(
    run: str, home: Path | None, asked: Verifying, ledger: Ledger, *, anchored: bool, on_progress: Progress
) -> Iterator[Line]:
    here, lines = asked.store / run, list[Line]()
    kept = asked.heads.runs.get(run) if asked.heads is not None else None
    try:
        away = read_away(here)
    except StoreError as error:
        yield Line(Status.CHANGED, run, "archived.json", error.what)
        return
    folder = here
    if away is not None and away.state == "leaving":
        folder = away.archive / run
        yield from archive_lines(run, away)
        if not (folder / MANIFEST).is_file():
            return
    if not folder.is_dir() or (folder == here and not storage_of(asked.store).exists(run)):
        gone = kept is not None or ledger.sign_offs(run)
        status, text = (Status.CHANGED, "its folder is gone") if gone else (Status.UNKNOWN, "nothing of it is stored")
        yield Line(status, run, "store", text)
        return
    found = read_documents(folder)
    lines += found.lines
    lines += sign_off_lines(run, ledger, found)
    lines += _named_head(run, asked.store, found)
    problems = list(run_problems(folder, kept))
    lines += [Line(Status.CHANGED, run, "manifest", problem) for problem in problems]
    if kept is None and found.current is not None and not (anchored and same_as_signed(ledger, found, run)):
        text = "no head of it was kept outside the store, and no entry of the ledger names this state: an older state "
        lines.append(
            Line(Status.UNKNOWN, run, "manifest", text + "that was put back, or a whole forgery, would not show")
        )
    elif kept is not None and not problems and found.current is not None:
        lines += _newer(run, kept, found)
    yield from lines
    yield from settings_lines(folder, found)
    if found.current is not None:
        yield from quarantine_lines(folder)
        yield from run_note_lines(run, folder, found.current.manifest)
        on_progress(f"verifying {run}: tables")
        yield from part_lines(folder, found.current.manifest)
        yield from log_lines(run, home, found.current.manifest, on_progress)
        if asked.recompute:
            from benchpipe.verify.recompute import recompute_lines

            yield from recompute_lines(folder, home, found.current.manifest, on_progress)
    yield from record_lines(RecordCheck(run, asked.store, found, ledger, asked.signers), folder, asked.records)


def _named_head(run: str, store: Path, found: Documents) -> Iterator[Line]:
    """The ledger still has the entry that was its last when the run's manifest was written."""
    head = found.current.manifest.ledger if found.current is not None else None
    for problem in ledger_problems(store, head):
        yield Line(Status.CHANGED, "", "ledger", f"{problem} (the manifest of run '{run}' names it)")


def _newer(run: str, kept: Head, found: Documents) -> Iterable[Line]:
    """A state after the one that was noted: it follows from that, and nothing outside the store knows it."""
    newest = found.current.manifest.sequence if found.current is not None else 0
    if newest > kept.entries:
        text = f"state {newest} is newer than the head that was kept outside: state {kept.entries}"
        yield Line(Status.UNKNOWN, run, "manifest", text)
