"""Sign-offs as older versions wrote them: a name that is only typed, and no key."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from benchpipe.check.signing import state_to_sign
from benchpipe.store.manifest import Manifest, SignOff
from benchpipe.store.run_store import RunStore


def unsigned_by_key(store: RunStore, manifest: Manifest, who: str, note: str, now: datetime, **more: Any) -> Manifest:
    """A manifest with a sign-off of its state, committed."""
    state = state_to_sign(store, manifest)
    signed = SignOff(
        who=who, when=now.isoformat(timespec="seconds"), note=note, sequence=state.sequence,
        manifest_sha256=state.manifest, process=state.process, verdicts=state.verdicts, verdict=state.verdict, **more,
    )  # fmt: skip
    return store.commit(manifest.model_copy(update={"signed": (*manifest.signed, signed)}))
