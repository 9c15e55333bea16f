"""Note the heads of a store beside the lab file after a command that wrote to it."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from benchpipe.cli.output import tell
from benchpipe.errors import StoreError
from benchpipe.escapes import quoted


def heads_kept(lab: Path | None, store: Path, runs: Iterable[str]) -> None:
    """Note the heads of a store; what contradicts the note, or hinders it, is reported on standard error.

    Parameters
    ----------
    lab : Path or None
        The lab file; without one, heads are kept nowhere.
    """
    if lab is None:
        return
    from benchpipe.ledger.heads import keep_heads

    try:
        problems = keep_heads(lab, store, runs)
    except StoreError as error:
        problems = (f"heads are not kept outside the store: {error}",)
    for problem in problems:
        tell(f"note: {problem}. See what changed: benchpipe verify --lab {quoted(lab)}")
