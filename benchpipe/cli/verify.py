"""Verify what is stored and logged."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchpipe.cli.completion import complete_runs
from benchpipe.cli.naming import names_given, names_in
from benchpipe.cli.options import Json, Lab, Store, lab_file
from benchpipe.cli.output import say, tell
from benchpipe.errors import BenchpipeError, ConfigError

if TYPE_CHECKING:
    from benchpipe.config.lab import LabConfig
    from benchpipe.store.manifest import Head
    from benchpipe.verify.line import Line
    from benchpipe.verify.run import Verifying

VERSION = 1


def verify(
    run: Annotated[
        str | None,
        typer.Argument(
            metavar="[RUN]", help="A plan file, or a run's name. Default: all.", autocompletion=complete_runs
        ),
    ] = None,
    head: Annotated[
        str, typer.Option("--head", metavar="NUMBER:SHA256", help="Head of the ledger, from a record or a message.")
    ] = "",
    record: Annotated[
        list[Path] | None,
        typer.Option("--record", metavar="FILE", help="A record of the run, besides those noted where they were made."),
    ] = None,
    recompute: Annotated[
        bool,
        typer.Option("--recompute", help="Make figures and verdicts again from the logs too, in a scratch folder."),
    ] = False,
    lab: Lab = None,
    store: Store = None,
    as_json: Json = False,
) -> int:
    """Compare logs, tables, manifests, sign-offs, ledger and records with what was taken, written and signed.

    Exit code 0: all holds; 13: something changed; 11: something cannot be known. Nothing is written to the store;
    --recompute copies the logs to the folder for temporary files (TMPDIR) meanwhile.

    Example: benchpipe verify sample_runs/healthy/plan.toml
    """
    from benchpipe.verify.line import code_of
    from benchpipe.verify.run import verify as verified

    if record and run is None:
        raise ConfigError("--record is given without a run", do_next="name the run too: verify RUN --record FILE")
    asked = replace(_asked(run, lab, store, _head(head)), records=tuple(record or ()), recompute=recompute)
    lines = [_named(line, run, lab, store, asked.lab) for line in verified(asked, tell)]
    code = code_of(lines)
    if as_json:
        from benchpipe.report.document import json_text

        rows = [{"status": str(x.status), "run": x.run, "what": x.what, "text": x.text} for x in lines]
        typer.echo(json_text({"version": VERSION, "exit_code": int(code), "lines": rows}))
    else:
        say(*map(_line, lines))
    return code


def _named(line: Line, run: str | None, lab: Path | None, store: Path | None, found: Path | None) -> Line:
    """A line whose commands can be pasted here; ``found`` is the lab, where the user named none."""
    of_run = run or line.run or "RUN"
    names = (
        names_given(of_run, lab, store)
        if found is None or run is not None or store is not None
        else names_in(found, of_run)
    )
    return replace(line, text=names.filled(line.text))


def _line(line: Line) -> str:
    place = f"{line.run}: {line.what}" if line.run else line.what
    return f"{line.status:<9}  {place}: {line.text}"


def _head(text: str) -> Head | None:
    from benchpipe.store.manifest import Head

    if not text:
        return None
    found = re.fullmatch(r"([1-9][0-9]*):([0-9a-f]{64})", text)
    if found is None:
        raise ConfigError(f"'{text}' is no head of a ledger", expected="its number and SHA-256: 7:ab12…")
    return Head(entries=int(found[1]), sha256=found[2])


def _asked(run: str | None, lab: Path | None, store: Path | None, head: Head | None) -> Verifying:
    """What is to be verified: a run whose plan is gone is known by its name in the store."""
    from benchpipe.ledger.heads import read_heads
    from benchpipe.run import load_lab
    from benchpipe.store.identity import must_be_there
    from benchpipe.verify.run import Verifying

    path = _lab_path(run, lab, store)
    config: LabConfig | None = None
    folder = store.absolute() if store is not None else None
    if path is not None:
        config, plans, own = load_lab(path)
        must_be_there(path, own)
        folder = folder or own
    heads = read_heads(path, folder) if path is not None and folder is not None else None
    homes = _homes(plans if path is not None else [])
    if run is not None:
        name, home, own_store = _one(run, homes)
        folder = folder or own_store
        homes = {name: home}
    elif folder is not None:
        homes |= {name: homes.get(name) for name in _stored(folder, heads.runs if heads is not None else ())}
    if folder is None:
        raise ConfigError("no store is named", do_next="name it with --store DIR, or a lab file with --lab FILE")
    return Verifying(folder, homes, heads, head, config.signer if config is not None else None, lab=path)


def _lab_path(run: str | None, lab: Path | None, store: Path | None) -> Path | None:
    from benchpipe.config.lab_file import find_lab

    if lab is not None:
        return lab_file(lab)
    if run is not None and (Path(run).suffix == ".toml" or Path(run).is_file()):
        return find_lab(Path(run).absolute().parent)
    return find_lab(Path.cwd()) if store is not None or run is not None else lab_file(None)


def _homes(plans: list[Path]) -> dict[str, Path | None]:
    """Folder of each plan that can be read, by the name of its run."""
    from benchpipe.plan import load_plan

    found: dict[str, Path | None] = {}
    for plan in plans:
        try:
            found.setdefault(load_plan(plan)[0].name, plan.parent)
        except BenchpipeError as error:
            tell(f"note: the plan {plan} cannot be read: {error.what}")
    return found


def _one(run: str, homes: dict[str, Path | None]) -> tuple[str, Path | None, Path | None]:
    """Name of a run, the folder of its plan, and the store that goes with its plan."""
    from benchpipe.run import load_run

    if Path(run).suffix == ".toml" or Path(run).is_file():
        config = load_run(Path(run).absolute())
        return config.name, config.folder, config.store
    return run, homes.get(run), None


def _stored(store: Path, known: Iterable[str]) -> list[str]:
    """Names of runs that a store holds, or held when its heads were kept."""
    from benchpipe.store.open_storage import storage_of
    from benchpipe.store.run_store import MANIFEST

    files = storage_of(store)
    here = [run for run in files.runs() if files.exists(f"{run}/{MANIFEST}")]
    return sorted({*here, *known})
