"""Where a judged figure comes from: numbers of its block, and the rows of the logs in which the first and last lie."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from benchpipe.blocks.registry import kind_of
from benchpipe.config.log import name_matches
from benchpipe.errors import ConfigError
from benchpipe.run import RunConfig
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore
from benchpipe.views.trace import LogRows, traced

NOT_KEPT = "its rows of the logs are not known: they were counted by the rig, or lie in a gap"


@dataclass(frozen=True)
class Origin:
    """Where a figure comes from, in words, and the SHA-256 of the logs that are named there, as they were taken."""

    words: str
    logs: tuple[tuple[str, str], ...] = ()


class Origins:
    """Origins of the figures of a run; what several figures share is looked up once."""

    def __init__(self, run: RunConfig, store: RunStore, manifest: Manifest) -> None:
        self._run, self._store, self._manifest = run, store, manifest
        self._known: dict[tuple[str, int], tuple[LogRows, ...]] = {}
        self._blocks = {block.name: block for block in run.plan.block}

    def of(self, row: dict[str, Any]) -> Origin:
        """Origin of a row of the verdicts table."""
        block = self._blocks.get(row["block"])
        events = kind_of(block.kind).events if block is not None else None
        if block is None or events is None or row["first"] is None:
            return Origin(self._counted(row))
        first, last = row["first"], row["last"]
        one = f"{events.number.replace('_', ' ')} {first:,}"
        things = one if first == last else f"{events.plural} {first:,} to {last:,}"
        ends = [self._traced(block.name, events.number, number) for number in (first, last)]
        if not all(ends):
            return Origin(f"{things} of block {block.name}; {NOT_KEPT}")
        begins, until = ends[0][0], ends[1][-1]
        to = "" if until.file == begins.file else f"{until.file}, "
        words = f"{things} of block {block.name}: {begins.file}, row {begins.first:,}, to {to}row {until.last:,}"
        return Origin(words, tuple({begins.file: begins.sha256, until.file: until.sha256}.items()))

    def _counted(self, row: dict[str, Any]) -> str:
        block, every = self._blocks.get(row["block"]), len(self._manifest.sources)
        if block is None:
            return f"all {every:,} logs of the run"
        logs = sum(name_matches(one.file, block.files) for one in self._manifest.sources)
        return f"block {block.name} as a whole: {logs:,} of the {every:,} logs of the run"

    def _traced(self, block: str, what: str, number: int) -> tuple[LogRows, ...]:
        if (block, number) not in self._known:
            try:
                logs = traced(self._run, self._store, self._manifest, block, what, number).logs
            except ConfigError:  # it has no row of its own, as a cycle that the rig alone counted
                logs = ()
            self._known[block, number] = logs
        return self._known[block, number]
