"""Lines of a trace, as `benchpipe trace` prints them."""

from __future__ import annotations

from collections.abc import Iterator

from benchpipe.run import RunConfig
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore
from benchpipe.views.trace import Number, log_states, traced, traced_lines


def trace_rows(
    run: RunConfig, store: RunStore, manifest: Manifest, block: str, what: str, number: Number
) -> Iterator[str]:
    """Lines that say which rows of which logs a cycle, hold or sweep comes from; errors as of `traced`."""
    found = traced(run, store, manifest, block, what, number)
    yield from traced_lines(run, found, block, what, number, log_states(run, manifest, found.logs))
