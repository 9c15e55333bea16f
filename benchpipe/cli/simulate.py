"""The command that writes simulated logs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from benchpipe.cli.output import say
from benchpipe.errors import ConfigError, nearest


def simulate(
    scenario: Annotated[
        str, typer.Argument(metavar="SCENARIO", help="A scenario file, or healthy, wearing, creeping-lock, two-weeks.")
    ],
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="New folder for the logs and truth.json.")],
    seed: Annotated[int | None, typer.Option(min=0, help="Another seed than the scenario's.")] = None,
    cycles: Annotated[int | None, typer.Option(min=10, help="Cycles of the cyclic block.")] = None,
) -> None:
    """Write realistic logs of a simulated rig, and the true values beside them.

    Example: benchpipe simulate healthy trial --cycles 200
    """
    from benchpipe.simulate import load_scenario, scenarios
    from benchpipe.simulate import simulate as run_simulation

    built_in = {**scenarios.BUILDERS, **scenarios.ROLLED}
    if Path(scenario).suffix == ".toml":
        chosen = load_scenario(Path(scenario))
    elif scenario in built_in:
        chosen = built_in[scenario]()
    else:
        raise ConfigError(f"there is no scenario '{scenario}'", expected=nearest(scenario, list(built_in)))
    chosen = chosen.changed(seed=seed, cycles=cycles)
    result = run_simulation(chosen, folder)
    say(f"{folder}: {result.rows:,} rows in {len(result.logs)} log(s), truth in {result.truth_file}")
