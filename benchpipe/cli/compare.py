"""Compare variants over their specimens."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchpipe.cli.completion import complete_runs
from benchpipe.cli.options import Json, Lab
from benchpipe.cli.output import say
from benchpipe.errors import ConfigError
from benchpipe.escapes import quoted

if TYPE_CHECKING:
    from benchpipe.compare.result import StudyResult
    from benchpipe.compare.study import Study


def compare(
    named: Annotated[
        list[str],
        typer.Argument(
            metavar="STUDY", help="A study file; with --init the runs to draft one from.", autocompletion=complete_runs
        ),
    ],
    init: Annotated[bool, typer.Option("--init", help="Draft a study file from runs.")] = False,
    out: Annotated[Path | None, typer.Option("--out", "-o", metavar="FILE", help="File of the draft.")] = None,
    page: Annotated[
        Path | None, typer.Option("--page", metavar="FILE", help="Write a page to look at too: loops, differences.")
    ] = None,
    tables: Annotated[
        Path | None,
        typer.Option("--tables", metavar="FOLDER", help="Write readings.csv and comparisons.csv to a folder too."),
    ] = None,
    as_json: Json = False,
    lab: Lab = None,
) -> None:
    """Compare variants: differences with intervals against the margin that matters, worst first.

    Example: benchpipe compare --init sample_runs/healthy/plan.toml sample_runs/creeping-lock/plan.toml
    """  # fmt: skip
    if init:
        _draft(named, out, lab)
        return
    if len(named) != 1 or out is not None:
        raise ConfigError(
            "name one study file", do_next="draft one: benchpipe compare --init RUN1 RUN2 --out study.toml"
        )
    from benchpipe.compare.run import compare_study
    from benchpipe.compare.study import load_study
    from benchpipe.views.comparison import comparison_document, comparison_lines, exit_code_of

    study = load_study(Path(named[0]))
    found = compare_study(study)
    if page is not None:
        write_study_page(page, study, found)
    if tables is not None:
        _write_tables(tables, found)
    if as_json:
        from benchpipe.report.document import json_text, plain

        typer.echo(json_text(plain(comparison_document(found))))
    else:
        say(*comparison_lines(found))
    raise typer.Exit(int(exit_code_of(found)))


def write_study_page(target: Path, study: Study, found: StudyResult) -> None:
    """The page of a study, written whole."""
    from benchpipe.cli.drafting import replaces_only
    from benchpipe.report.page.study import study_document
    from benchpipe.store.files import write_whole
    from benchpipe.store.refusals import refused
    from benchpipe.views.page.study_page import study_page

    replaces_only(target, "<!doctype html>", "--page")
    text = study_document(study_page(study, found, quoted(study.file.path)))
    with refused(target.absolute(), "name another file with --page"):
        target.parent.mkdir(parents=True, exist_ok=True)
        write_whole(target.absolute(), text.encode())


def _write_tables(folder: Path, found: StudyResult) -> None:
    from benchpipe.store.refusals import refused
    from benchpipe.views.comparison import comparison_tables
    from benchpipe.views.table_files import write_table

    with refused(folder.absolute(), "name another folder with --tables"):
        folder.mkdir(parents=True, exist_ok=True)
    for name, table in comparison_tables(found).items():
        write_table(iter([table]), "csv", folder / f"{name}.csv")


def _draft(named: list[str], out: Path | None, lab: Path | None) -> None:
    from benchpipe.cli.drafting import must_be_new, write_new
    from benchpipe.compare.draft import draft_study
    from benchpipe.run import find_plan, load_run

    if out is not None:
        must_be_new(out)
    runs = [load_run(find_plan(run, lab)) for run in named]
    text = draft_study(runs, out.parent if out is not None else Path.cwd(), out.stem if out is not None else "study")
    if out is None:
        typer.echo(text.rstrip())
        return
    write_new(out, text, "study")
    say(f'{out}: answer every "?" in it, then: benchpipe compare {quoted(out)}')
