"""The command that writes simulated logs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from benchpipe.errors import ConfigError, nearest


def simulate(
    scenario: Annotated[str, typer.Argument(metavar="SCENARIO", help="A scenario file, or healthy, wearing, creeping-lock.")],
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="New folder for the logs and truth.json.")],
    seed: Annotated[int | None, typer.Option(min=0, help="Another seed than the scenario's.")] = None,
    cycles: Annotated[int | None, typer.Option(min=10, help="Cycles of the cyclic block.")] = None,
) -> None:
    """Write realistic logs of a simulated rig, with what is true of them beside.

    Example: benchpipe simulate healthy trial --cycles 200
    """
    from benchpipe.simulate import load_scenario, scenarios
    from benchpipe.simulate import simulate as run_simulation

    built_in = scenarios.BUILDERS
    if Path(scenario).suffix == ".toml":
        chosen = load_scenario(Path(scenario))
        changes: dict[str, object] = {} if seed is None else {"seed": seed}
        if cycles is not None:
            blocks = [
                b.model_copy(update={"cycles": cycles}) if b.kind == "cyclic" else b for b in chosen.block
            ]
            changes["block"] = tuple(blocks)
        chosen = chosen.model_copy(update=changes)
    elif scenario in built_in:
        given = {k: v for k, v in (("seed", seed), ("cycles", cycles)) if v is not None}
        chosen = built_in[scenario](**given)
    else:
        raise ConfigError(f"there is no scenario '{scenario}'", expected=nearest(scenario, list(built_in)))
    result = run_simulation(chosen, folder)
    typer.echo(f"{folder}: {result.rows:,} rows in {len(result.logs)} log(s), truth in {folder / 'truth.json'}")
