"""Commands for those who sign: make keys, admit and revoke them, sign a run."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchpipe.cli.heads import heads_kept
from benchpipe.cli.options import Lab, RunArgument, Store, Wait, lab_file, loaded
from benchpipe.cli.output import say
from benchpipe.cli.passphrases import PassphraseFile, passphrase, unlocked
from benchpipe.errors import ConfigError, nearest
from benchpipe.escapes import quoted

if TYPE_CHECKING:
    from benchpipe.ledger.adding import Signing
    from benchpipe.ledger.keys import Key
    from benchpipe.store.manifest import Head

DAYS = 3 * 365


def sign(
    run: RunArgument,
    meaning: Annotated[
        str, typer.Option("--meaning", metavar="WORD", help="What the signature means: reviewed, approved, withdrawn.")
    ],
    reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="Why, in words.")],
    key: Annotated[
        list[Path], typer.Option("--key", metavar="FILE", help="Key of who signs; once for each person who signs now.")
    ],
    deviation: Annotated[
        str,
        typer.Option("--deviation", metavar="TEXT", help="Why a run counts that does not pass. It must be given then."),
    ] = "",
    passphrase_file: PassphraseFile = None,
    lab: Lab = None,
    store: Store = None,
    wait: Wait = 0.0,
) -> None:
    """Sign a run's figures and verdicts as they are now, with a key that the lab file names.

    Example: benchpipe sign sample_runs/healthy/plan.toml --meaning approved --reason "figures and record reviewed"
    --key ../keys/reviewer.p12 --passphrase-file ../keys/reviewer.txt
    """
    from benchpipe.ledger.entry import MEANINGS
    from benchpipe.signing import Request, sign_run
    from benchpipe.store.lock import hold_store

    if meaning not in MEANINGS:
        raise ConfigError(f"'{meaning}' is no meaning of a signature", expected=nearest(meaning, list(MEANINGS)))
    config = loaded(run, lab, store)
    path = _lab_of(config.plan_path, lab)
    keys = unlocked(key, passphrase_file or (), config.store)
    with hold_store(config.store, wait_s=wait):
        place = _place(path, config.store)
        request = Request(meaning, reason, deviation)
        entry, head, _ = sign_run(config.open_store(), config.plan.specimen, keys, request, place)
        heads_kept(path, config.store, [config.name])
    state = entry.state
    say(
        f"{config.name}: state {state.sequence} ({state.verdict}) {meaning}",
        *(f"  by        {one.name}, {one.role}" for one in entry.signers),
        f"  when      {entry.when}",
        f"  reason    {entry.reason}",
        *([f"  deviation {entry.deviation}"] if entry.deviation else []),
        f"  verdicts  {state.verdicts}",
        f"  manifest  {state.manifest}",
        *_head_words(head),
    )


def key(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The key: a PKCS#12 file of one person.")],
    make: Annotated[bool, typer.Option("--make", help="Make a key and write it there.")] = False,
    documents: Annotated[
        bool, typer.Option("--documents", help="A key that signs records (RSA), not entries of the ledger (Ed25519).")
    ] = False,
    name: Annotated[str, typer.Option("--name", metavar="NAME", help="With --make: printed name of the person.")] = "",
    days: Annotated[int, typer.Option("--days", min=1, max=3650, help="With --make: it can sign so long.")] = DAYS,
    admit: Annotated[
        bool, typer.Option("--admit", help="Let it sign in a lab from now on: an entry of its ledger.")
    ] = False,
    revoke: Annotated[
        str, typer.Option("--revoke", metavar="PRINT", help="Sign with FILE that the key of this print counts no more.")
    ] = "",
    reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="With --revoke: why, in words.")] = "",
    by: Annotated[
        list[Path] | None, typer.Option("--with", metavar="FILE", help="With --admit: key of a person who may sign.")
    ] = None,
    passphrase_file: PassphraseFile = None,
    lab: Lab = None,
    wait: Wait = 0.0,
) -> None:
    """Make a key, show it, let it sign in a lab, or revoke one.

    Example: benchpipe key ../keys/reviewer.p12 --passphrase-file ../keys/reviewer.txt
    """
    if sum((make, admit, bool(revoke))) > 1:
        raise ConfigError("--make, --admit and --revoke are given together", do_next="give one of them")
    files = passphrase_file or ()
    if documents:
        if admit or revoke:
            raise ConfigError(
                "a key that signs records is not admitted or revoked in the ledger",
                do_next="name it in the person's [[signer]] of the lab file, or remove it there: document_key",
            )
        _document_key(file, name if make else None, files, days)
        return
    if make:
        from benchpipe.ledger.keys import make_key, must_be_apart

        must_be_apart(file)
        made = make_key(file, name, passphrase(file, files, 0, twice=True), days, _now())
        _show_key(file, made, "made")
        return
    keys = unlocked((file, *(by or ())), files)
    if admit:
        _admit(keys, lab_file(lab), wait)
    elif revoke:
        _revoke(keys, revoke, reason, lab_file(lab), wait)
    else:
        _show_key(file, keys[0], "shown")


def _document_key(file: Path, make: str | None, files: Sequence[Path], days: int) -> None:
    """Make a key that signs records where a name is given, and show it."""
    from benchpipe.ledger.document_keys import load_document_key, make_document_key
    from benchpipe.ledger.keys import must_be_apart

    must_be_apart(file)
    if make is not None:
        found = make_document_key(file, make, passphrase(file, files, 0, twice=True), days, _now())
    else:
        found = load_document_key(file, passphrase(file, files, 0))
    say(
        f"{quoted(file)}: key of {found.name} for records, {'shown' if make is None else 'made'}",
        f"  valid     {found.valid_from:%Y-%m-%d} to {found.valid_until:%Y-%m-%d}",
        f"  key       {found.print}",
        "",
        "For the person's [[signer]] in the lab file:",
        "",
        f'document_key = "{found.print}"',
        "",
        f'Then: benchpipe record RUN --sign {quoted(file)} --reason "TEXT"',
    )


def _admit(keys: Sequence[Key], path: Path, wait: float) -> None:
    from benchpipe.ledger.adding import admit
    from benchpipe.store.lock import hold_store

    folder = _store_of(path)
    with hold_store(folder, wait_s=wait):
        entry, head = admit(keys[0], keys[1:], _place(path, folder))
        heads_kept(path, folder, ())
    by = [one.name for one in entry.signers[1:]]
    say(
        f"{entry.signer.name}, {entry.signer.role} may sign from now on"
        + (f", admitted by {' and '.join(by)}" if by else ""),
        f"  key       {entry.signer.key}",
        *_head_words(head),
    )


def _revoke(keys: Sequence[Key], print_: str, reason: str, path: Path, wait: float) -> None:
    from benchpipe.ledger.adding import revoke
    from benchpipe.store.lock import hold_store

    folder = _store_of(path)
    with hold_store(folder, wait_s=wait):
        entry, person, head = revoke(print_, reason, keys, _place(path, folder))
        heads_kept(path, folder, ())
    say(
        f"the key of {person.name}, {person.role} counts no more from now on; what it signed before stays signed",
        f"  key       {entry.key}",
        *_head_words(head),
    )


def _show_key(file: Path, found: Key, what: str) -> None:
    say(
        f"{quoted(file)}: key of {found.name}, {what}",
        f"  valid     {found.valid_from:%Y-%m-%d} to {found.valid_until:%Y-%m-%d}",
        f"  key       {found.print}",
        "",
        "For the lab file, with the role of the person:",
        "",
        "[[signer]]",
        f'name = "{found.name}"',
        'role = "ROLE"',
        f'key = "{found.print}"',
        "",
        f"Then: benchpipe key {quoted(file)} --admit --lab FILE",
    )


def _head_words(head: Head) -> list[str]:
    return [f"  ledger    {head}"]


def _now() -> datetime:
    return datetime.now().astimezone()


def _place(path: Path, store: Path) -> Signing:
    from benchpipe.ledger.adding import Signing
    from benchpipe.run import load_lab

    return Signing(path, load_lab(path)[0], store, _now())


def _store_of(path: Path) -> Path:
    from benchpipe.run import load_lab
    from benchpipe.store.identity import must_be_there

    folder = load_lab(path)[2]
    must_be_there(path, folder)
    return folder


def _lab_of(plan: Path, lab: Path | None) -> Path:
    from benchpipe.config.lab_file import find_lab

    found = lab.absolute() if lab is not None else find_lab(plan.parent)
    if found is None:
        raise ConfigError(
            "no lab file names who may sign", where=plan, do_next="name one with --lab FILE, with a [[signer]] in it"
        )
    return found
