"""The command that writes down what a person did to a specimen."""

from __future__ import annotations

from typing import Annotated

import typer

from benchpipe.cli.options import Json, Lab, RunArgument, Store, Wait, loaded
from benchpipe.cli.output import say, tell
from benchpipe.errors import ConfigError


def note(
    run: RunArgument,
    text: Annotated[
        str | None, typer.Argument(metavar="[TEXT]", help="What was done, in words; without it, notes are listed.")
    ] = None,
    at: Annotated[
        str | None,
        typer.Option("--at", metavar="TIME", help="When, by the rig's clock: '2031-04-14 22:41', or '12.5 h' of log."),
    ] = None,
    kind: Annotated[
        str | None,
        typer.Option("--kind", metavar="KIND", help="exchange, retightened, inspection, rezero, or observed."),
    ] = None,
    as_json: Json = False,
    lab: Lab = None,
    store: Store = None,
    wait: Wait = 0.0,
) -> None:
    """Note what was done to a specimen, or list the notes. A note is never changed or removed.

    From an exchange, a screw retightened or an inspection on, drift has a new base: the change there is no alarm. A
    sensor set to zero explains what moves with its zero alone; what was observed explains nothing.

    Example: benchpipe note sample_runs/healthy/plan.toml --at "0.4 h" --kind retightened "clamp screw"
    """
    from datetime import UTC, datetime

    from benchpipe.drift.noting import note_time, time_words, write_note
    from benchpipe.report.document import json_text
    from benchpipe.store.lock import hold_store
    from benchpipe.store.run_notes import read_notes

    config = loaded(run, lab, store)
    if text is not None or at is not None or kind is not None:
        if text is None or at is None or kind is None:
            missing = [name for name, v in (("TEXT", text), ("--at", at), ("--kind", kind)) if v is None]
            raise ConfigError(
                f"a note needs {' and '.join(missing)} too",
                do_next='write it so: benchpipe note RUN --at TIME --kind KIND "TEXT"',
            )  # fmt: skip
        at_us = note_time(config, at)
        with hold_store(config.store, wait_s=wait):
            manifest = config.open_store().manifest()
            made, last = write_note(config, manifest, at_us, kind, text, datetime.now(UTC))
        if at_us > last:
            tell(f"note: the log ends at {time_words(config, last)}; the note counts once the log has gone past it")
        found = [made]
    else:
        found = list(read_notes(config.open_store().folder))
    if as_json:
        rows = [
            {"number": one.number, "at": time_words(config, one.at_us), "at_us": one.at_us, "kind": one.kind,
             "text": one.text, "written": one.written}
            for one in found
        ]  # fmt: skip
        typer.echo(json_text({"run": config.name, "notes": rows}))
        return
    for one in found:
        say(f"{config.name}, note {one.number}: {time_words(config, one.at_us)}  {one.kind}  {one.text}")
    if not found:
        say(f"{config.name}: no notes")
