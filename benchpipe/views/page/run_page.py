"""Gather the page of a run from its view and its tables."""

from __future__ import annotations

from benchpipe.blocks.charts import BlockCharts, ChartTask
from benchpipe.blocks.registry import kind_of
from benchpipe.run import RunConfig
from benchpipe.samples.signals import signal_units
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore
from benchpipe.views.model import RunView
from benchpipe.views.page.bounds import bounded, bounded_facts
from benchpipe.views.page.drift import drift_of
from benchpipe.views.page.margins import margins
from benchpipe.views.page.model import BaselineChange, Drift, RunPage
from benchpipe.views.page.origin import left_out_facts, origin_facts, rig_facts
from benchpipe.views.page.pictures import picture
from benchpipe.views.page.state import bare_state, page_state

LEFT_OUT = {"rejected rows": "benchpipe export RUN rejects", "remarks": "benchpipe export RUN remarks"}


def run_page(
    run: RunConfig, manifest: Manifest, store: RunStore, view: RunView, *, every: bool = False,
    drift: Drift | None = None,
) -> RunPage:  # fmt: skip
    """The page of a run.

    Parameters
    ----------
    view : RunView
        With its health and alarms.
    every : bool
        Trends of all measures of a cycle, not of the main ones alone.
    drift : Drift, optional
        What the analysis of drift found; else as the view has it.
    """
    off = drift.corrected if drift is not None else {}
    found = [
        kind_of(block.kind).charts(ChartTask(block, signal_units(run.rig), run.rig, manifest, store, every))
        for block in run.plan.block
    ]
    return RunPage(
        view, margins(view.limits), tuple(_changes(found)),
        tuple(bounded(chart) for one in found for chart in one.charts),
        tuple(picture(t, view.limits, off.get((t.block, t.measure))) for one in found for t in one.trends),
        tuple(store.read(manifest, "budgets").to_pylist()),
        rig_facts(run, view),
        tuple(bounded_facts(one, LEFT_OUT[one.title]) for one in left_out_facts(view, manifest, store)),
        tuple(bounded_facts(one, "see the manifest in the store") for one in origin_facts(run, manifest)),
        page_state(manifest, view), drift or drift_of(view),
    )  # fmt: skip


def bare_page(view: RunView) -> RunPage:
    """The page of a run whose tables are not at hand: archived, or one that could not be processed."""
    return RunPage(view, margins(view.limits), (), (), (), (), (), (), (), bare_state(view))


def _changes(found: list[BlockCharts]) -> list[BaselineChange]:
    """Change of each measure since its baseline, as the table of trends has it."""
    return [
        BaselineChange(t.block, t.measure, t.label, t.change, float(t.median[-1]), t.unit, t.worst)
        for one in found
        for t in one.trends
        if t.median.size
    ]
