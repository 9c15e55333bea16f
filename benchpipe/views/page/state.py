"""What a page is made from, as a hash: a page that has it is not made again, and what draws it is not imported."""

from __future__ import annotations

from dataclasses import replace

from benchpipe import __version__
from benchpipe.store.manifest import Manifest, key_of
from benchpipe.views.model import RunView

LAYOUT = 2  # rises when a page of the same state looks different


def page_state(manifest: Manifest, view: RunView) -> str:
    """Hash of what a page is made from: a page that has it needs not be made again."""
    shown = replace(view, steps=(), stored=None)
    seen = [
        [(a.code, a.where, a.text, str(a.since)) for a in shown.alarms],
        [(f.code, f.where, f.text) for f in shown.health], shown.running, shown.watched,
        None if shown.pace is None else str(shown.pace), list(shown.do_next),
    ]  # fmt: skip
    return key_of([LAYOUT, __version__, manifest.seal, seen])


def bare_state(view: RunView) -> str:
    """The same of a page without tables."""
    return key_of([LAYOUT, __version__, view.run, view.archived, view.failed or ""])
