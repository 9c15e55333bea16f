"""Commands for a finished run: drop its samples, archive it, restore it."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from benchpipe.cli.completion import complete_runs
from benchpipe.cli.heads import heads_kept
from benchpipe.cli.options import Lab, RunArgument, Store, Wait, a_folder, loaded
from benchpipe.cli.output import say, tell
from benchpipe.errors import ConfigError

MB = 1e6


def drop(run: RunArgument, lab: Lab = None, store: Store = None, wait: Wait = 0.0) -> None:
    """Drop the samples of a signed run; cycles, loops, holds and their origins in the raw logs are kept.

    Every log is verified against its hash first, since the logs are the other copy. Logs are only read.

    Example: benchpipe drop sample_runs/creeping-lock/plan.toml
    """
    from benchpipe.config.lab_file import find_lab
    from benchpipe.retention import drop_samples
    from benchpipe.store.lock import hold_store

    config = loaded(run, lab, store)
    with hold_store(config.store, wait_s=wait):
        run_store = config.open_store()
        gone = drop_samples(
            config, run_store, run_store.manifest(), "the command 'drop'", datetime.now(UTC),
            on_progress=lambda name: tell(f"checking {name}"),
        )  # fmt: skip
        heads_kept(lab or find_lab(config.plan_path.parent), config.store, [config.name])
    say(
        f"{config.name}: samples dropped: {gone.rows:,} rows, {gone.bytes / MB:,.1f} MB; what was made of them is kept"
    )


Name = Annotated[
    str,
    typer.Argument(metavar="RUN", help="A plan file, or a run's name in the store.", autocompletion=complete_runs),
]


def archive(
    run: Name,
    to: Annotated[
        Path,
        typer.Option("--to", metavar="DIR", parser=a_folder, help="Folder of the archive, made if it is missing."),
    ],
    lab: Lab = None,
    store: Store = None,
    wait: Wait = 0.0,
) -> None:
    """Move a run's tables from the store to an archive; the logs stay where they are.

    Example: benchpipe archive sample_runs/wearing/plan.toml --to archive
    """
    from benchpipe.check.signing import signed_words
    from benchpipe.store.archive import archive_run, must_be_apart
    from benchpipe.store.lock import hold_store

    name, folder = _place(run, lab, store)
    to = to.absolute()
    must_be_apart(folder, to)
    _apart_from_logs(run, lab, to)
    with hold_store(folder, wait_s=wait), hold_store(to, wait_s=wait):
        count = archive_run(folder, name, to, datetime.now(UTC), on_progress=tell, signed=signed_words)
    say(f"{name}: {count} file(s) moved to {to / name}, each verified against its SHA-256")


def restore(
    run: Name,
    source: Annotated[
        Path | None,
        typer.Option(
            "--from", metavar="DIR", parser=a_folder, help="Folder of the archive. Default: the noted one."
        ),
    ] = None,
    check: Annotated[bool, typer.Option("--check", help="Only verify the archive against its hashes.")] = False,
    lab: Lab = None,
    store: Store = None,
    wait: Wait = 0.0,
) -> None:
    """Move a run's tables from its archive back to the store.

    Example: benchpipe restore sample_runs/wearing/plan.toml
    """
    from benchpipe.store.archive import restore_run, where_away
    from benchpipe.store.archived_files import verify
    from benchpipe.store.lock import hold_store

    name, folder = _place(run, lab, store)
    source = source.absolute() if source is not None else None
    away = where_away(folder / name, source)
    place = source or (away.archive if away is not None else None)
    if place is None:
        restore_run(folder, name, None, datetime.now(UTC))  # says why it cannot
        return
    if not place.is_dir():
        raise ConfigError("the archive is not there", where=place, do_next="if it was moved, name it: --from DIR")
    if check:
        count = verify(place / name, on_progress=tell)
        say(f"{name}: {count} file(s) in {place / name} are as they were put there")
        return
    with hold_store(folder, wait_s=wait), hold_store(place, wait_s=wait):
        restore_run(folder, name, source, datetime.now(UTC), on_progress=tell)
    say(f"{name}: back in {folder / name}, each file verified against its SHA-256")


def _place(run: str, lab: Path | None, store: Path | None) -> tuple[str, Path]:
    """Name of a run and its store. The plan need not be there any more: a name and a store are enough."""
    from benchpipe.cli.options import lab_file
    from benchpipe.run import load_lab
    from benchpipe.store.identity import must_be_there

    if Path(run).suffix == ".toml" or Path(run).is_file():
        config = loaded(run, lab, store)
        return config.name, config.store
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]*", run):
        raise ConfigError(f"'{run}' is no name of a run", do_next="give a plan file, or a run's name")
    if store is not None:
        return run, store.absolute()
    folder = load_lab(lab_file(lab))[2]
    must_be_there(lab_file(lab), folder)
    return run, folder


def _apart_from_logs(run: str, lab: Path | None, archive: Path) -> None:
    """Refuse an archive among the raw logs of the run, as far as its plan is there to name them."""
    from benchpipe.places import apart_from_logs
    from benchpipe.plan import load_plan
    from benchpipe.run import find_plan

    try:
        plan, file = load_plan(find_plan(run, lab))
    except ConfigError:
        return
    apart_from_logs(plan, file, archive, "archive")
