"""A run as it is shown, and how its rig is now, from what the store has: no step is run, and none is imported."""

from __future__ import annotations

from datetime import datetime

from benchpipe.config.watching import HealthConfig
from benchpipe.health.look import RunHealth, run_health
from benchpipe.health.now import tells_zone
from benchpipe.night.glance import RigNow
from benchpipe.run import RunConfig
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore
from benchpipe.views.model import RunView
from benchpipe.views.run_view import run_view


def looked_at(
    config: RunConfig, manifest: Manifest, store: RunStore, rules: HealthConfig, now: datetime
) -> tuple[RunView, RigNow]:
    """What is shown of a run whatever the hour, and how its rig is now."""
    health: RunHealth = run_health(config, manifest, store, rules, now)
    time = config.rig.time
    rig = RigNow(time.dated, tells_zone(time.format), health.looked_at, health.facts, health.findings)
    return run_view(config, manifest, store), rig


def healthy_view(config: RunConfig, manifest: Manifest, store: RunStore, rules: HealthConfig, now: datetime) -> RunView:
    """What is shown of a run, and how its rig is now."""
    view, rig = looked_at(config, manifest, store, rules, now)
    return rig.view_at(view, rules, now)
