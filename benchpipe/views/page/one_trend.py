"""Trends of one measure, for the terminal: the same pictures that a page has."""

from __future__ import annotations

from benchpipe.blocks.charts import ChartTask
from benchpipe.blocks.registry import kind_of
from benchpipe.errors import ConfigError, nearest
from benchpipe.run import RunConfig
from benchpipe.samples.signals import signal_units
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore
from benchpipe.views.model import RunView
from benchpipe.views.page.model import TrendPicture
from benchpipe.views.page.pictures import picture


def trends_of(
    run: RunConfig, manifest: Manifest, store: RunStore, view: RunView, measure: str
) -> tuple[TrendPicture, ...]:
    """Pictures of one measure, block by block.

    Raises
    ------
    ConfigError
        No block has cycles with it.
    """
    units = signal_units(run.rig)
    charts = (kind_of(b.kind).charts(ChartTask(b, units, run.rig, manifest, store, True)) for b in run.plan.block)
    trends = [trend for one in charts for trend in one.trends]
    found = tuple(picture(trend, view.limits) for trend in trends if trend.measure == measure)
    if not found:
        known = list(dict.fromkeys(trend.measure for trend in trends))
        raise ConfigError(
            f"run '{run.name}' has no trend of '{measure}'",
            where=store.folder,
            expected=nearest(measure, known) if known else "a cyclic block with complete cycles; there is none",
            do_next="name a column of the cycles with --trend: benchpipe export RUN cycles lists them",
        )
    return found
