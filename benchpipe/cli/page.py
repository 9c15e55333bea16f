"""The page of a run, and a single figure of it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchpipe.cli.naming import names_given
from benchpipe.cli.options import Lab, Run, Store, loaded
from benchpipe.cli.output import say
from benchpipe.errors import ConfigError

if TYPE_CHECKING:
    from benchpipe.hints import Names
    from benchpipe.run import RunConfig
    from benchpipe.views.page.model import RunPage


def page(
    run: Run,
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
    from benchpipe.store.files import write_whole
    from benchpipe.store.refusals import refused

    config = loaded(run, lab, store)
    names = names_given(run, lab, store)
    if figure is None:
        from benchpipe.report.page.document import run_document

        target, text = out or Path(f"{file_name(config.name)}.html"), run_document(_page(config, lab, names, every))
    else:
        from benchpipe.report.page.single import single_figure

        target, text = out or Path(f"{file_name(figure)}.svg"), single_figure(_page(config, lab, names, True), figure)
    if target.is_dir():
        raise ConfigError("a folder is there", where=target, do_next="name a file with --out")
    with refused(target.absolute(), "name another file with --out"):
        write_whole(target.absolute(), text.encode())
    say(f"{target}: {len(text.encode()) / 1e6:.2f} MB")


def file_name(name: str) -> str:
    """A name as a file may have it."""
    return "".join(letter if letter.isalnum() or letter in "-_." else "-" for letter in name) or "page"


def _page(config: RunConfig, lab: Path | None, names: Names, every: bool) -> RunPage:
    """The page of a run, with commands that can be pasted here."""
    from datetime import UTC, datetime

    from benchpipe.config.lab_file import find_lab
    from benchpipe.night.pages import page_of

    return page_of(config, lab or find_lab(config.plan_path.parent), names, datetime.now(UTC), every=every)
