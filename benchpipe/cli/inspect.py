"""The command that looks at logs nobody described, and drafts their rig file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchpipe.errors import ConfigError, ExitCode, InputError

if TYPE_CHECKING:
    from benchpipe.ingest.inspect.findings import Inspection


def inspect(
    logs: Annotated[list[Path], typer.Argument(metavar="LOG...", help="Logs of one rig, or folders of them.")],
    write_rig: Annotated[
        Path | None, typer.Option("--write-rig", metavar="FILE", help="Draft a rig file; an existing one is kept.")
    ] = None,
    encoding: Annotated[
        str | None, typer.Option(metavar="NAME", help="Encoding of text logs, where you know it.")
    ] = None,
) -> int:
    """Show what is in logs that nobody described, and draft a rig file for them.

    Exit code 11: a question is open, and the drafted rig file must be answered before it works.

    Example: benchpipe inspect sample_runs/healthy/logs --write-rig my-rig.toml
    """
    from benchpipe.ingest.inspect.run import inspect_logs

    if write_rig is not None:
        _must_be_new(write_rig)
    found = inspect_logs(
        _files(logs), encoding=_known(encoding), tell=lambda name: typer.echo(f"looking at {name}", err=True)
    )
    if write_rig is not None:
        _write(found, write_rig)
    _show(found)
    return ExitCode.INCONCLUSIVE if found.questions else ExitCode.OK


def _files(named: list[Path]) -> list[Path]:
    from benchpipe.ingest.placing import natural_order

    found: list[Path] = []
    for path in named:
        if path.is_dir():
            inside = [p for p in path.iterdir() if p.is_file() and not p.name.startswith(".")]
            if not inside:
                deeper = ", ".join(sorted(p.name for p in path.iterdir() if p.is_dir()))
                raise InputError(
                    "the folder holds no file", where=path,
                    do_next=f"name a folder in it: {deeper}" if deeper else "",
                )  # fmt: skip
            found += sorted(inside, key=lambda p: natural_order(p.name))
        else:
            found.append(path)
    return list(dict.fromkeys(found))


def _known(encoding: str | None) -> str | None:
    from typing import get_args

    from benchpipe.config.rig import LogConfig
    from benchpipe.errors import nearest

    known = [str(name) for name in get_args(LogConfig.model_fields["encoding"].annotation)]
    if encoding is not None and encoding not in known:
        raise ConfigError(f"unknown encoding '{encoding}'", expected=nearest(encoding, known))
    return encoding


def _must_be_new(path: Path) -> None:
    if path.exists() or path.is_symlink():
        raise ConfigError(
            "the file is there already, and is not overwritten", where=path, do_next="give another name for the draft"
        )


def _show(found: Inspection) -> None:
    from rich.text import Text

    from benchpipe.report.inspection import inspection_lines
    from benchpipe.report.signs import ASCII, UNICODE
    from benchpipe.report.terminal import console

    screen = console()
    try:
        (UNICODE.bars + "·°").encode(screen.encoding)
        marks = UNICODE
    except (UnicodeEncodeError, LookupError):
        marks = ASCII
    for text, style in inspection_lines(found, marks):
        screen.print(Text(text, style), soft_wrap=True)


def _write(found: Inspection, path: Path) -> None:
    from benchpipe.ingest.inspect.draft import draft_rig

    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(draft_rig(found, path.stem))
    except FileExistsError:
        _must_be_new(path)
    except OSError as error:
        raise ConfigError(f"the rig file cannot be written: {error.strerror}", where=path) from None
    typer.echo(f"rig file drafted: {path}", err=True)
