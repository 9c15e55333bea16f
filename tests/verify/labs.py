"""A small lab whose runs were signed by two invented persons, its earlier states, and tampering with a copy of it."""

from __future__ import annotations

import os
import shutil
from dataclasses import dataclass
from pathlib import Path

from benchpipe.cli.main import call
from benchpipe.config.signing import SignerConfig
from benchpipe.ledger.heads import keep_heads, read_heads
from benchpipe.ledger.keys import Key
from benchpipe.run import load_lab
from benchpipe.signing import Request, sign_run
from benchpipe.store.manifest import Head
from benchpipe.store.run_store import RunStore
from benchpipe.verify.line import Line
from benchpipe.verify.run import Verifying, verify
from tests.ledger.signers import QUALITY, REVIEWER, admit_all, make_person, name_signers, place_of

RUNS = ("wearing", "creeping-lock")
SPECIMENS = {"wearing": "Birch-2 (invented)", "creeping-lock": "Cedar-3 (invented)"}


@dataclass(frozen=True)
class SignedLab:
    """A lab, its store at each moment (worked through; first run signed; all signed), and the keys of its signers."""

    lab: Path
    moments: tuple[Path, ...]
    keys: tuple[Key, ...]


def make_signed_lab(sample_lab: Path, folder: Path, *, documents: bool = False) -> SignedLab:
    """Copy a worked-through lab, and sign two of its runs: one that fails, with a deviation, in both.

    Parameters
    ----------
    documents : bool
        Write a record of each before it is signed, and a page of each after.
    """
    shutil.copytree(sample_lab.parents[1], folder / "lab", dirs_exist_ok=True)
    lab = folder / "lab" / "sample_runs" / "lab.toml"
    store, moments = lab.parent / "store", []
    keys = (make_person(folder / "keys", REVIEWER), make_person(folder / "keys", QUALITY))
    name_signers(lab, list(zip(keys, (REVIEWER, QUALITY), strict=True)), persons=2)
    keep_heads(lab, store, RUNS)
    if documents:
        write_documents(lab, "record", "pdf")
    moments.append(_kept(store, folder, 0))
    admit_all(lab, keys)
    for number, run in enumerate(RUNS, start=1):
        for key, meaning in zip(keys, ("reviewed", "approved"), strict=True):
            sign_run(
                RunStore(store, run), SPECIMENS[run], (key,), Request(meaning, "figures seen", "an invented deviation"),
                place_of(lab),
            )  # fmt: skip
        keep_heads(lab, store, RUNS)
        moments.append(_kept(store, folder, number))
    if documents:
        write_documents(lab, "page", "html")
    return SignedLab(lab, tuple(moments), keys)


def write_documents(lab: Path, command: str, suffix: str) -> None:
    """Write a record or a page of each run, as a person does."""
    for run in RUNS:
        plan, out = lab.parent / run / "plan.toml", lab.parent / f"{run}.{suffix}"
        assert call([command, str(plan), "--out", str(out)]) == 0


def _kept(store: Path, folder: Path, number: int) -> Path:
    return Path(shutil.copytree(store, folder / f"moment-{number}"))


def verified(lab: Path, *, anchored: bool = True, head: Head | None = None, recompute: bool = False) -> list[Line]:
    """Verify the runs of a lab by the heads that were kept outside the store, or without them."""
    config, _, store = load_lab(lab)
    homes: dict[str, Path | None] = {run: lab.parent / run for run in RUNS}
    signers: tuple[SignerConfig, ...] = config.signer
    heads = read_heads(lab, store) if anchored else None
    return verify(Verifying(store, homes, heads, head, signers, recompute, lab=lab))


def write_kept(path: Path, data: bytes) -> None:
    """Change a file in its place and keep its time, as a bit that rots or a careful hand does."""
    stat = path.stat()
    path.write_bytes(data)
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))


def flipped(data: bytes, place: int, bit: int) -> bytes:
    """The same with one bit changed."""
    changed = bytearray(data)
    changed[place] ^= 1 << bit
    return bytes(changed)
