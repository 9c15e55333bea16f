"""Sign a run: one entry of the ledger, and what its manifest says of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchpipe.check.decision import Verdict
from benchpipe.check.signing import APPROVED, WITHDRAWN, judged_rows, sign_offs, state_to_sign
from benchpipe.errors import ConfigError, DamageError
from benchpipe.ledger.adding import Signing, must_have_text, open_ledger, signers_of, write
from benchpipe.ledger.chain import Ledger
from benchpipe.ledger.entry import SignOffEntry
from benchpipe.ledger.heads import read_heads, run_problems
from benchpipe.ledger.keys import Key
from benchpipe.store.manifest import Head, Manifest
from benchpipe.store.run_store import RunStore

MOST_NAMED = 3


@dataclass(frozen=True)
class Request:
    """What is to be signed: ``meaning`` (reviewed, approved, withdrawn), and why. ``deviation``: why a run counts that
    does not pass."""

    meaning: str
    reason: str
    deviation: str = ""


def sign_run(
    store: RunStore, specimen: str, keys: Sequence[Key], request: Request, place: Signing
) -> tuple[SignOffEntry, Head, Manifest]:
    """Sign a run's figures and verdicts as they are now; the caller holds the store.

    Raises
    ------
    ConfigError
        The run was not judged, or does not pass and no deviation is given; nothing to withdraw; no reason; or a key
        may not sign.
    DamageError
        The ledger or the run's manifest is not what was written, by itself or by the head kept outside the store.
    StoreError
        Disk full, or another reason why it cannot be written. Where the entry is written and the manifest is not,
        the next sign-off completes that.
    """
    must_have_text(request.reason, "--reason")
    ledger = open_ledger(place)
    signers = signers_of(keys, ledger, place)
    _must_follow(store, place)
    manifest = _with_entries(store.manifest(), ledger)
    state = state_to_sign(store, manifest)
    if request.meaning == WITHDRAWN:
        _something_to_withdraw(manifest)
    elif state.verdict != Verdict.PASS and not request.deviation.strip():
        raise _needs_deviation(store, manifest, state.verdict)
    number, previous = ledger.following
    entry = SignOffEntry(
        number=number, previous=previous, when=place.when, run=manifest.run, specimen=specimen,
        meaning=request.meaning,  # type: ignore[arg-type]
        reason=request.reason.strip(), deviation=request.deviation.strip(),
        persons=place.lab.signing.persons if request.meaning == APPROVED else 1,
        signers=tuple(person for _, person in signers.values()), state=state,
    )  # fmt: skip
    head = write(entry, tuple(key for key, _ in signers.values()), place)
    signed = (*manifest.signed, *sign_offs(entry, head.sha256))
    return entry, head, store.commit(manifest.model_copy(update={"signed": signed}))


def _must_follow(store: RunStore, place: Signing) -> None:
    """Refuse a run whose manifest contradicts the one that was noted outside the store."""
    heads = read_heads(place.path, place.store)
    for problem in run_problems(store.folder, heads.runs.get(store.run) if heads is not None else None):
        raise DamageError(
            f"run '{store.run}': {problem}", where=store.folder,
            do_next="see what changed: benchpipe verify --lab LAB. Nothing was signed",
        )  # fmt: skip


def _with_entries(manifest: Manifest, ledger: Ledger) -> Manifest:
    """A manifest with entries of the ledger that a killed job could not write into it."""
    known = {one.entry for one in manifest.signed}
    missing = [
        one
        for number, entry in ledger.sign_offs(manifest.run).items()
        if number not in known
        for one in sign_offs(entry, ledger.names[number - 1])
    ]
    return manifest.model_copy(update={"signed": (*manifest.signed, *missing)}) if missing else manifest


def _something_to_withdraw(manifest: Manifest) -> None:
    if not manifest.signed or manifest.signed[-1].meaning == WITHDRAWN:
        raise ConfigError(f"run '{manifest.run}' has no sign-off to withdraw")


def _needs_deviation(store: RunStore, manifest: Manifest, verdict: str) -> ConfigError:
    """The error for a run that does not pass: names its limits."""
    bad = [row for row in judged_rows(store, manifest) if row["due"] and row["verdict"] != Verdict.PASS]
    named = [f"'{row['limit']}' ({row['block']}): {row['verdict']}" for row in bad[:MOST_NAMED]]
    more = [f"and {len(bad) - MOST_NAMED} more"] if len(bad) > MOST_NAMED else []
    return ConfigError(
        f"run '{manifest.run}' is {verdict}: it is signed with a deviation only",
        got="; ".join([*named, *more]) or "no limit that is due was judged",
        do_next='say why it is signed all the same: --deviation "TEXT"',
    )
