"""Persons sign a run's figures and verdicts: who, when, in which meaning, and of which state."""

from __future__ import annotations

import hashlib
from typing import Any

from benchpipe.check.decision import Verdict, worst
from benchpipe.errors import ConfigError
from benchpipe.ledger.chain import same_person
from benchpipe.ledger.entry import SignedState, SignOffEntry
from benchpipe.store.configuration import configuration_of
from benchpipe.store.manifest import Manifest, SignOff, key_of
from benchpipe.store.open_storage import read_file
from benchpipe.store.record_note import record_of_state
from benchpipe.store.run_store import MANIFEST, RunStore

JUDGED = ("limits_file", "limit", "block", "operator", "value", "unit", "verdict", "due")
APPROVED, WITHDRAWN = "approved", "withdrawn"


def state_to_sign(store: RunStore, manifest: Manifest) -> SignedState:
    """What a person signs of a run: its manifest, figures and verdicts as they are now, and the record of this state,
    where one was written.

    Raises
    ------
    ConfigError
        The run was not judged yet.
    StoreError
        The note on written records cannot be read.
    """
    if "check" not in manifest.steps:
        raise ConfigError(
            f"run '{manifest.run}' was not judged yet: there is nothing to sign",
            where=store.folder,
            do_next="work on it first: benchpipe nightly LAB",
        )
    verdicts = judged_rows(store, manifest)
    document = hashlib.sha256(read_file(store.folder / MANIFEST)).hexdigest()
    record = record_of_state(store.folder, document)
    return SignedState(
        sequence=manifest.sequence,
        manifest=document,
        process=manifest.steps["process"].key,
        verdicts=key_of(verdicts),
        verdict=str(worst([Verdict(row["verdict"]) for row in verdicts if row["due"]])),
        configuration=configuration_of(manifest),
        record=record.sha256 if record is not None else None,
    )


def sign_offs(entry: SignOffEntry, name: str) -> tuple[SignOff, ...]:
    """What a manifest says of an entry of the ledger: a sign-off for each person.

    Parameters
    ----------
    name : str
        SHA-256 of the entry.
    """
    state = entry.state
    return tuple(
        SignOff(
            who=person.name, role=person.role, key=person.key, when=entry.when, note=entry.reason,
            meaning=entry.meaning, deviation=entry.deviation, persons=entry.persons, entry=entry.number,
            entry_sha256=name, sequence=state.sequence, manifest_sha256=state.manifest, process=state.process,
            verdicts=state.verdicts, verdict=state.verdict,
        )
        for person in entry.signers
    )  # fmt: skip


def standing(store: RunStore, manifest: Manifest) -> SignOff | None:
    """The last approval, if it counts: figures and verdicts are still those that were signed, it was not withdrawn,
    and enough different persons have signed them."""
    same = _of_this_state(store, manifest, _not_withdrawn(manifest))
    approvals = [one for one in same if one.meaning == APPROVED]
    enough = bool(approvals) and _persons(same) >= approvals[-1].persons
    return approvals[-1] if enough else None


def why_not_approved(store: RunStore, manifest: Manifest) -> str:
    """Why no approval of a run counts, in words; empty where one does."""
    if standing(store, manifest) is not None:
        return ""
    signed = _not_withdrawn(manifest)
    if not manifest.signed:
        return "it is not signed off"
    if not signed:
        return "its sign-off was withdrawn"
    same = _of_this_state(store, manifest, signed)
    if not same:
        return "its figures or verdicts have changed since it was signed off"
    approvals = [one for one in same if one.meaning == APPROVED]
    if not approvals:
        return "it was reviewed, and is not approved yet"
    return f"{_persons(same)} of {approvals[-1].persons} persons have signed it"


def signed_words(store: RunStore, manifest: Manifest) -> str:
    """The last sign-off in a line; empty where there is none. What is displayed of a signature has its date and time
    (21 CFR 11.50 (a) (2) and (b))."""
    if not manifest.signed:
        return ""
    last = manifest.signed[-1]
    moment = last.when.replace("T", " ")
    if last.meaning == WITHDRAWN:
        return f"sign-off withdrawn by {last.who}, {last.role} on {moment}: {last.note} (ledger entry {last.entry})"
    if last.entry is None:
        words = f"{last.verdict}, signed off by {last.who} on {moment} (state {last.sequence}), unsigned by key"
    else:
        place = f"state {last.sequence}, ledger entry {last.entry}"
        words = f"{last.verdict}, {last.meaning} by {last.who}, {last.role} on {moment} ({place})"
        words += f"; deviation: {last.deviation}" if last.deviation else ""
    if not _of_this_state(store, manifest, _not_withdrawn(manifest)):
        return f"{words}; figures or verdicts have changed since: sign off again"
    why = why_not_approved(store, manifest) if last.meaning == APPROVED else ""
    return f"{words}; {why}" if why else words


def judged_rows(store: RunStore, manifest: Manifest) -> list[dict[str, Any]]:
    """What a person signs: each limit, its value and its verdict."""
    rows: list[dict[str, Any]] = store.read(manifest, "verdicts", list(JUDGED)).to_pylist()
    return rows


def _not_withdrawn(manifest: Manifest) -> tuple[SignOff, ...]:
    """Sign-offs since the last that was a withdrawal."""
    withdrawn = [i for i, one in enumerate(manifest.signed) if one.meaning == WITHDRAWN]
    return manifest.signed[withdrawn[-1] + 1 :] if withdrawn else manifest.signed


def _of_this_state(store: RunStore, manifest: Manifest, signed: tuple[SignOff, ...]) -> tuple[SignOff, ...]:
    """Those of the figures and verdicts that the run has now."""
    if not signed or not {"process", "check"} <= set(manifest.steps):
        return ()
    now = (manifest.steps["process"].key, key_of(judged_rows(store, manifest)))
    return tuple(one for one in signed if (one.process, one.verdicts) == now)


def _persons(signed: tuple[SignOff, ...]) -> int:
    return len({same_person(one.who) for one in signed})
