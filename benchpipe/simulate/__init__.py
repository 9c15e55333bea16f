"""A rig that writes realistic logs with known truth.

``simulate(scenario, folder)`` runs a :class:`~benchpipe.simulate.scenario.ScenarioConfig`,
made in Python, read by ``load_scenario(path)``, or one of :mod:`~benchpipe.simulate.scenarios`.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from benchpipe.simulate.scenario import ScenarioConfig, load_scenario

if TYPE_CHECKING:
    from benchpipe.simulate.truth import TruthResult

__all__ = ["ScenarioConfig", "load_scenario", "simulate"]


def simulate(
    scenario: ScenarioConfig, folder: Path, *, progress: Callable[[int, int], None] | None = None
) -> TruthResult:
    """Run a scenario into a new folder; see :func:`benchpipe.simulate.run.simulate`."""
    from benchpipe.simulate.run import simulate as run  # compiles its kernels: only when needed

    return run(scenario, folder, progress=progress)
