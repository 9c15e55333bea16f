"""Do single steps of a run, as the pipeline does them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, NamedTuple

import pytest

from benchpipe import pipeline
from benchpipe.check.run import CHECK
from benchpipe.ingest.run import INGEST
from benchpipe.pipeline import do_step
from benchpipe.process.run import PROCESS
from benchpipe.run import RunConfig
from benchpipe.steps import Night
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore


class Ingested(NamedTuple):
    """The manifest after an ingest, and the logs that were read."""

    manifest: Manifest
    read: tuple[str, ...]


def ingest_run(run: RunConfig, store: RunStore, **asked: Any) -> Ingested:
    """Ingest the logs of a run; ``asked`` are fields of :class:`benchpipe.steps.Night`."""
    return Ingested(*do_step(INGEST, Night(run, store, store.manifest(), **asked)))


def process_run(run: RunConfig, store: RunStore, manifest: Manifest) -> Manifest:
    """Make the tables of the blocks."""
    return do_step(PROCESS, Night(run, store, manifest))[0]


def check_run(run: RunConfig, store: RunStore, manifest: Manifest, **asked: Any) -> Manifest:
    """Judge a run."""
    return do_step(CHECK, Night(run, store, manifest, **asked))[0]


def with_run(monkeypatch: pytest.MonkeyPatch, name: str, run: Callable[..., Any]) -> None:
    """Put another function in the place of a step's own."""
    steps = tuple(replace(kind, run=run) if kind.name == name else kind for kind in pipeline.STEPS)
    monkeypatch.setattr(pipeline, "STEPS", steps)
