"""Verify the ledger of a store, and the sign-offs of a run against it and against the states that were signed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from benchpipe.config.signing import SignerConfig
from benchpipe.ledger.chain import Ledger
from benchpipe.ledger.entry import SignOffEntry
from benchpipe.ledger.heads import ledger_problems
from benchpipe.store.manifest import Head, Manifest, SignOff
from benchpipe.store.run_store import HISTORY, history_name
from benchpipe.verify.line import Line, Status
from benchpipe.verify.manifests import Documents

LEDGER = "ledger"


def ledger_lines(
    store: Path, ledger: Ledger, kept: Sequence[Head], signers: Sequence[SignerConfig] | None
) -> Iterator[Line]:
    """The ledger by itself, by heads that were kept outside the store, and by the signers that the lab file names.

    Parameters
    ----------
    kept : sequence of Head
        Heads that were kept outside.
    signers : sequence of SignerConfig or None
        Those of the lab file; None where there is no lab file.
    """
    bad = False
    for trouble in ledger.troubles:
        bad = True
        status = Status.CHANGED if trouble.known else Status.UNKNOWN
        yield Line(status, "", f"ledger entry {trouble.number}", trouble.what)
    for head in kept:
        for problem in ledger_problems(store, head):
            bad = True
            yield Line(Status.CHANGED, "", LEDGER, problem)
    if ledger.head is None:
        return
    for line in _signer_lines(ledger, signers):
        bad = True
        yield line
    if not any(head.entries for head in kept):
        bad = True
        text = f"{ledger.head}: no head of it was kept outside the store, so a cut end would not show"
        yield Line(Status.UNKNOWN, "", LEDGER, text)
    elif not bad and (beyond := len(ledger.names) - max(head.entries for head in kept)):
        yield Line(Status.UNKNOWN, "", LEDGER, f"{ledger.head}: its last {beyond} entries are newer than the kept head")
    elif not bad:
        yield Line(Status.HOLDS, "", LEDGER, f"{ledger.head}, {len(ledger.active())} key(s) may sign")


def _signer_lines(ledger: Ledger, signers: Sequence[SignerConfig] | None) -> Iterator[Line]:
    """Signers of the ledger and of the lab file are the same persons with the same keys."""
    if signers is None:
        yield Line(Status.UNKNOWN, "", "signers", "no lab file names whose keys these are")
        return
    named = {one.key: one for one in signers}
    for key, known in ledger.admitted.items():
        person, one = known.person, named.get(key)
        if one is None:
            text = f"the lab file names no person with the key that entry {known.entry} admits"
            yield Line(Status.UNKNOWN, "", f"signer {person.name}", text)
        elif (one.name, one.role) != (person.name, person.role):
            text = f"the lab file names {one.name}, {one.role} for the key that entry {known.entry} admits as " + (
                f"{person.name}, {person.role}"
            )
            yield Line(Status.CHANGED, "", f"signer {person.name}", text)


def sign_off_lines(run: str, ledger: Ledger, found: Documents) -> Iterator[Line]:
    """Sign-offs of a run: each entry of the ledger is in the manifest and the other way round, and the state that was
    signed is still there as it was."""
    signed = found.current.manifest.signed if found.current is not None else ()
    entries = ledger.sign_offs(run)
    for number, entry in entries.items():
        yield from _entry_lines(run, number, entry, ledger, found)
    if found.current is None:
        return
    for one in signed:
        if one.entry is None:
            text = f"{one.meaning} by {one.who} on {one.when}: unsigned by key, so who did it cannot be verified"
            yield Line(Status.HOLDS, run, f"sign-off of state {one.sequence}", text)
        elif one.entry not in entries or ledger.names[one.entry - 1] != one.entry_sha256:
            text = f"the manifest names entry {one.entry} of the ledger, which is not there as it was signed"
            yield Line(Status.CHANGED, run, f"sign-off of state {one.sequence}", text)
        elif not _agree(one, entries[one.entry]):
            text = f"the manifest says otherwise of it than entry {one.entry} of the ledger"
            yield Line(Status.CHANGED, run, f"sign-off of state {one.sequence}", text)
    missing = set(entries) - {one.entry for one in signed}
    for number in sorted(missing):
        text = "the manifest does not name it: a job was killed over it, or the run was put back to an older state"
        yield Line(Status.UNKNOWN, run, f"ledger entry {number}", text)


def _agree(one: SignOff, entry: SignOffEntry) -> bool:
    state = entry.state
    said = (one.meaning, one.note, one.deviation, one.when, one.persons, one.sequence, one.manifest_sha256)
    wrote = (entry.meaning, entry.reason, entry.deviation, entry.when, entry.persons, state.sequence, state.manifest)
    who = any((one.who, one.role, one.key) == (p.name, p.role, p.key) for p in entry.signers)
    return who and said == wrote and (one.process, one.verdicts) == (state.process, state.verdicts)


def _entry_lines(run: str, number: int, entry: SignOffEntry, ledger: Ledger, found: Documents) -> Iterator[Line]:
    if any(trouble.number == number and trouble.known for trouble in ledger.troubles):
        return  # said of the ledger
    who = " and ".join(f"{one.name}, {one.role}" for one in entry.signers)
    what = f"ledger entry {number}"
    name = f"{HISTORY}/{history_name(entry.state.sequence)}"
    copy = found.copies.get(entry.state.sequence)
    if copy is None:
        yield Line(Status.CHANGED, run, what, f"{who} signed state {entry.state.sequence}, and {name} is gone")
    elif copy.sha256 != entry.state.manifest:
        yield Line(Status.CHANGED, run, what, f"{name} is not the manifest that {who} signed")
    else:
        yield Line(Status.HOLDS, run, what, f"{entry.meaning} by {who} on {entry.when} (state {entry.state.sequence})")


def same_as_signed(ledger: Ledger, found: Documents, run: str) -> bool:
    """Whether the run's figures, verdicts and logs are those of a state that a sound entry of the ledger names."""
    troubled = {trouble.number for trouble in ledger.troubles}
    current = found.current
    if current is None:
        return False
    for number, entry in ledger.sign_offs(run).items():
        copy = found.copies.get(entry.state.sequence)
        sound = number not in troubled and copy is not None and copy.sha256 == entry.state.manifest
        if sound and copy is not None and _made(copy.manifest) == _made(current.manifest):
            return True
    return False


def _made(manifest: Manifest) -> object:
    """Hashes of all that a run's figures and verdicts are."""
    steps = {name: [part.sha256 for part in step.parts] for name, step in manifest.steps.items() if name != "keep"}
    sources = [(s.file, s.sha256, s.taken, [p.sha256 for p in s.parts]) for s in manifest.sources]
    return steps, sources, manifest.placed
