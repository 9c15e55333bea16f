"""The command that inspects logs without a description, and drafts their rig file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchpipe.cli.output import say, tell
from benchpipe.errors import ConfigError, ExitCode
from benchpipe.escapes import quoted, visible

if TYPE_CHECKING:
    from benchpipe.config.rig import RigConfig
    from benchpipe.inspect.findings import Inspection
    from benchpipe.report.signs import Marks
    from benchpipe.survey.stretches import Surveyed


def inspect(
    logs: Annotated[list[Path], typer.Argument(metavar="LOG...", help="Logs of one rig, or folders of them.")],
    write_rig: Annotated[
        Path | None, typer.Option("--write-rig", metavar="FILE", help="Draft a rig file; an existing one is kept.")
    ] = None,
    write_plan: Annotated[
        Path | None, typer.Option("--write-plan", metavar="FILE", help="Draft a plan file; an existing one is kept.")
    ] = None,
    rig: Annotated[
        Path | None, typer.Option("--rig", metavar="FILE", help="Rig file to read the logs with, for --write-plan.")
    ] = None,
    encoding: Annotated[
        str | None, typer.Option(metavar="NAME", help="Encoding of text logs, where you know it.")
    ] = None,
) -> int:
    """Show what is in logs without a description, and draft a rig file and a plan for them.

    Exit code 11: the drafted file has an open question; a night waits for its answer.

    Example: benchpipe inspect sample_runs/healthy/logs --write-rig my-rig.toml
    """
    from benchpipe.cli.drafting import drafted_rig, log_files, must_be_new, surveyed_logs, write_new
    from benchpipe.inspect.run import inspect_logs

    for path in (write_rig, write_plan):
        if path is not None:
            must_be_new(path)
    if rig is not None and write_rig is not None:
        raise ConfigError("--rig reads a rig file that is there, --write-rig drafts one: give one of them")
    files, inside = log_files(logs)
    if rig is not None:
        return _plan_with(rig, files, inside, write_plan)
    if write_plan is not None and write_rig is None:
        raise ConfigError("a plan names its rig file", do_next="give --rig FILE, or --write-rig FILE too")
    found = inspect_logs(
        files, encoding=_known(encoding), strangers=inside, on_progress=lambda name: tell(f"looking at {name}")
    )
    text, config = drafted_rig(found, write_rig.stem if write_rig is not None else "rig")
    _show(found)
    surveyed = surveyed_logs(config, list(found.files)) if config is not None else None
    if config is not None and surveyed is not None:
        _show_survey(config, surveyed)
    questions = bool(found.questions)
    if write_rig is not None:
        write_new(write_rig, text, "rig")
        tell(f"rig file drafted: {write_rig}")
    if write_plan is not None and write_rig is not None:
        if config is None or surveyed is None:
            tell(f"no plan is drafted before the rig file is answered; then: {_again(logs, write_rig, write_plan)}")
        else:
            questions |= _write_plan(config, write_rig, list(found.files), write_plan, found, surveyed)
    return ExitCode.INCONCLUSIVE if questions else ExitCode.OK


def _again(logs: list[Path], rig: Path, plan: Path) -> str:
    """The command that drafts the plan once the rig file is answered."""
    named = " ".join(quoted(path) for path in logs)
    return f"benchpipe inspect {named} --rig {quoted(rig)} --write-plan {quoted(plan)}"


def _plan_with(rig: Path, files: list[Path], inside: set[Path], plan: Path | None) -> int:
    """Draft a plan from logs that a rig file describes."""
    from benchpipe.cli.drafting import logs_of_rig, surveyed_logs
    from benchpipe.config.model import load_model
    from benchpipe.config.rig import RigConfig

    if plan is None:
        raise ConfigError("--rig is for drafting a plan", do_next="give --write-plan FILE too")
    config, _ = load_model(RigConfig, rig)
    files, notes = logs_of_rig(config, files, inside)
    for note in notes:
        say(f"! {note}")
    surveyed = surveyed_logs(config, files)
    _show_survey(config, surveyed)
    open_questions = _write_plan(config, rig, files, plan, None, surveyed)
    return ExitCode.INCONCLUSIVE if open_questions else ExitCode.OK


def _write_plan(
    config: RigConfig, rig: Path, logs: list[Path], plan: Path, found: Inspection | None, surveyed: Surveyed
) -> bool:
    """Draft a plan; whether it has open questions."""
    from benchpipe.cli.drafting import write_plan

    questions = write_plan(config, rig, logs, plan, found, surveyed)
    tell(f"plan file drafted: {plan}")
    for question in questions:
        say(f"? {question}")
    return bool(questions)


def _known(encoding: str | None) -> str | None:
    from typing import get_args

    from benchpipe.config.rig import LogConfig
    from benchpipe.errors import nearest

    known = [str(name) for name in get_args(LogConfig.model_fields["encoding"].annotation)]
    if encoding is not None and encoding not in known:
        raise ConfigError(f"unknown encoding '{encoding}'", expected=nearest(encoding, known))
    return encoding


def _show(found: Inspection) -> None:
    from benchpipe.report.inspection import inspection_lines

    _print(lambda marks: inspection_lines(found, marks))


def _show_survey(config: RigConfig, surveyed: Surveyed) -> None:
    from benchpipe.report.survey_lines import survey_lines
    from benchpipe.samples.signals import signal_units
    from benchpipe.survey.blocks import find_blocks

    seen = find_blocks(surveyed)
    _print(lambda marks: survey_lines(seen, surveyed, signal_units(config), marks))


def _print(lines: Callable[[Marks], list[tuple[str, str]]]) -> None:
    from rich.text import Text

    from benchpipe.report.signs import ASCII, UNICODE
    from benchpipe.report.terminal import console

    screen = console()
    try:
        (UNICODE.bars + "·°").encode(screen.encoding)
        marks = UNICODE
    except (UnicodeEncodeError, LookupError):
        marks = ASCII
    for text, style in lines(marks):
        screen.print(Text(visible(text), style), soft_wrap=True)
