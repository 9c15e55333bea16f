"""Names of a run's manifest and of its copies, and which copies stay."""

from __future__ import annotations

from benchpipe.store.manifest import Manifest

MANIFEST = "manifest.json"
HISTORY = "history"
COPIES_KEPT = 60  # newest manifests of a run, besides those that were signed


def history_name(sequence: int) -> str:
    """Name of the copy of a manifest."""
    return f"{sequence:06d}.json"


def keeps(manifest: Manifest, name: str) -> bool:
    """Whether a copy in the history stays: one that counted, and is new or was signed."""
    newest, signed = manifest.sequence, {history_name(one.sequence) for one in manifest.signed}
    return history_name(max(newest - COPIES_KEPT + 1, 0)) <= name <= history_name(newest) or name in signed
