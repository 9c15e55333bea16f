"""The page of a run, and a single figure of it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchpipe.cli.naming import names_given
from benchpipe.cli.options import Lab, RunArgument, Store, loaded
from benchpipe.cli.output import say, tell
from benchpipe.errors import ConfigError

if TYPE_CHECKING:
    from benchpipe.hints import Names
    from benchpipe.run import RunConfig
    from benchpipe.views.page.model import RunPage


def page(
    run: RunArgument,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", metavar="FILE", help="File. Default: RUN.html, or FIGURE.svg.")
    ] = None,
    figure: Annotated[
        str | None, typer.Option("--figure", metavar="NAME", help="One figure alone, as SVG: stiffness, loops …")
    ] = None,
    every: Annotated[bool, typer.Option("--all", help="Trends of all measures, not of the main ones alone.")] = False,
    lab: Lab = None,
    store: Store = None,
) -> None:
    """Write the page of a run: one HTML file to look at, which asks for nothing from any place.

    Example: benchpipe page sample_runs/healthy/plan.toml --out healthy.html
    """
    from benchpipe.config.lab_file import find_lab
    from benchpipe.store.page_note import write_page
    from benchpipe.store.refusals import refused

    config = loaded(run, lab, store)
    names, noted_by = names_given(run, lab, store), lab or find_lab(config.plan_path.parent)
    if figure is None:
        from benchpipe.report.page.run_document import run_document

        text = run_document(_page(config, noted_by, names, every))
        target = out or Path(f"{file_name(config.name)}.html")
    else:
        from benchpipe.report.page.single import single_figure

        text = single_figure(_page(config, noted_by, names, True), figure)
        target, noted_by = out or Path(f"{file_name(figure)}.svg"), None  # a drawing says of no state: it is not noted
    if target.is_dir():
        raise ConfigError("a folder is there", where=target, do_next="name a file with --out")
    with refused(target.absolute(), "name another file with --out"):
        not_noted = write_page(target.absolute(), text.encode(), config.name, noted_by)
    if not_noted:
        tell(f"note: {not_noted}")
    say(f"{target}: {len(text.encode()) / 1e6:.2f} MB")


def file_name(name: str) -> str:
    """A name as a file may have it."""
    return "".join(letter if letter.isalnum() or letter in "-_." else "-" for letter in name) or "page"


def _page(config: RunConfig, lab: Path | None, names: Names, every: bool) -> RunPage:
    """The page of a run, with commands that can be pasted here."""
    from datetime import UTC, datetime

    from benchpipe.night.pages import page_of

    return page_of(config, lab, names, datetime.now(UTC), every=every)
