"""Current health of a run and of a store."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from fnmatch import fnmatch
from pathlib import Path
from typing import TYPE_CHECKING

from benchpipe.errors import BenchpipeError, nearest
from benchpipe.health.facts import RunFacts, StoreFacts
from benchpipe.health.finding import Finding
from benchpipe.health.rules import RUN_RULES, STORE_RULES, findings
from benchpipe.mirrors import mirror_over

if TYPE_CHECKING:
    from benchpipe.config.lab import LabConfig
    from benchpipe.config.watching import HealthConfig
    from benchpipe.run import RunConfig
    from benchpipe.store.manifest import Manifest
    from benchpipe.store.run_store import RunStore

NOT_LOOKED_AT = "not-looked-at"


@dataclass(frozen=True)
class RunHealth:
    """How a run's rig is: what is not well, worst first, and the bytes a day its tables grow by.

    ``looked_at``: without it, that nothing was found says nothing. ``facts``: what the rules looked at, where there
    is any.
    """

    findings: tuple[Finding, ...] = ()
    a_day: float = 0.0
    looked_at: bool = False
    facts: RunFacts | None = field(default=None, compare=False, repr=False)


def run_health(run: RunConfig, manifest: Manifest, store: RunStore, config: HealthConfig, now: datetime) -> RunHealth:
    """Look at a run's rig; that it could not be looked at is a finding too."""
    from benchpipe.health.gather import run_facts, watched

    if not watched(run.name, config):
        return RunHealth()
    try:
        facts = run_facts(run, manifest, store, config, now)
    except (BenchpipeError, OSError) as error:
        return RunHealth((_not_looked_at(error),))
    if facts is None:
        return RunHealth()
    return RunHealth(findings(RUN_RULES, facts, config), facts.a_day, True, facts)


def store_health(store: Path, a_day: Mapping[str, float], config: HealthConfig) -> tuple[Finding, ...]:
    """What is not well with the store's disk, by the bytes that its runs need a day."""
    if mirror_over(store) is not None:  # an object store says nothing of its space
        return ()
    growing = {run: rate for run, rate in a_day.items() if rate > 0.0}
    try:
        facts = StoreFacts(shutil.disk_usage(store).free, sum(growing.values()), tuple(growing))
    except OSError as error:
        return (_not_looked_at(error),)
    return findings(STORE_RULES, facts, config)


def nobody_named(lab: LabConfig, runs: Sequence[str]) -> Iterator[Finding]:
    """Patterns of a lab file that match no run: its rig would not be watched, and its alarms not sent."""
    asked = [("watch of [health]", lab.health.watch)]
    asked += [(f"runs of [[tell]] '{one.name}'", one.runs) for one in lab.tell]
    for key, patterns in asked:
        for pattern in patterns:
            if not any(fnmatch(run, pattern) for run in runs):
                text = f"{key} names '{pattern}', and no run of the lab is called so; {nearest(pattern, list(runs))}"
                yield Finding(NOT_LOOKED_AT, f"{key}: {pattern}", text, "correct or remove the name in lab.toml")


def _not_looked_at(error: Exception) -> Finding:
    text = "the health could not be looked at: " + str(error).splitlines()[0]
    return Finding(NOT_LOOKED_AT, "", text, "see that the store and the logs can be read, then run again")
