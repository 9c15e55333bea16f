"""The command that checks a lab before a night runs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from benchpipe.cli.finding import DoctorFinding, of_error
from benchpipe.cli.naming import names_in, names_of_lab
from benchpipe.cli.options import lab_file
from benchpipe.errors import BenchpipeError, ExitCode
from benchpipe.escapes import visible
from benchpipe.mirrors import mirror_over, spelled

WORST = (ExitCode.BUG, ExitCode.BAD_INPUT, ExitCode.USAGE, ExitCode.STORE_BUSY, ExitCode.OK)


def doctor(
    lab: Annotated[
        Path | None, typer.Argument(metavar="[LAB]", help="Lab file or its folder. Default: the nearest.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print a JSON document instead.")] = False,
) -> int:
    """Check a lab without working on it: config, access, space, clock, libraries, and the logs that a night would read.

    Exit code 0: no problem found. Otherwise the exit code that a night would have.

    Example: benchpipe doctor sample_runs/lab.toml
    """
    found = look_over(lab_file(lab))
    code = min((f.code for f in found), key=WORST.index)
    if as_json:
        from benchpipe.report.document import json_text

        rows = [{"state": f.state, "topic": f.topic, "text": spelled(f.text), "do_next": f.do_next} for f in found]
        document = {"document": "benchpipe doctor", "version": 1, "exit_code": int(code), "found": rows}
        typer.echo(json_text(document))
    else:
        _show(found)
    return code


def look_over(lab: Path) -> list[DoctorFinding]:
    """Everything that is found of a lab, in the order in which it is looked at."""
    from benchpipe.cli import findings
    from benchpipe.cli.rehearsal import rehearse
    from benchpipe.health.look import nobody_named
    from benchpipe.run import load_lab
    from benchpipe.views.texts import change_texts

    try:
        config, plans, store = load_lab(lab, with_tests=True)
    except BenchpipeError as error:
        return [*findings.libraries(set()), of_error("lab", error)]
    names: dict[str, Path] = {}
    extras = {"s3"} if mirror_over(store) is not None else set()
    access = [change_texts(one, names_of_lab(lab).filled) for one in findings.store_access(lab, store)]
    if extras and any(one.state == "wrong" for one in access):  # each run would say the same
        said = DoctorFinding("ok", "lab", f"{config.name}: {len(plans)} plan(s)")
        return [*findings.libraries(extras), said, *access]
    runs = [rehearse(plan, store, names) for plan in plans]
    known = [run.name for run in runs]
    unsent = nobody_named(config, known) if all(known) else ()
    dated = [(run.newest_us, run.name) for run in runs if run.newest_us is not None]
    newest, where = max(dated, default=(None, ""))
    return [
        *findings.libraries({run.format for run in runs} | ({"sign"} if config.signer else set()) | extras),
        DoctorFinding("ok", "lab", f"{config.name}: {len(plans)} plan(s)"),
        *(DoctorFinding("look", "lab", one.text, one.do_next) for one in unsent),
        *findings.telling(config.tell, lab.parent),
        *access,
        findings.space(store, sum(run.to_read for run in runs)),
        *findings.clock(newest, where, [one for run in runs for one in run.written]),
        *(change_texts(one, names_in(lab, run.name).filled) for run in runs for one in run.findings),
    ]


def _show(found: list[DoctorFinding]) -> None:
    from rich.table import Table
    from rich.text import Text

    from benchpipe.report.terminal import Item, console

    style = {"ok": "green", "look": "yellow", "wrong": "bold red"}
    topics = [visible(one.topic) for one in found]
    screen, topic_width = console(), min(max(map(len, topics), default=0), 20)
    for one, topic in zip(found, topics, strict=True):
        row = Table.grid(padding=(0, 2, 0, 0))
        row.add_column(width=5)
        row.add_column(width=topic_width)
        row.add_column(overflow="fold")
        row.add_row(Text(one.state, style[one.state]), Text(topic), Text(visible(spelled(one.text))))
        screen.print(row)
        if one.do_next and one.state != "ok":
            screen.print(Item("     do next:", visible(spelled(one.do_next)), "bold"), crop=False)
    wrong, look = (sum(one.state == state for one in found) for state in ("wrong", "look"))
    last = f"{wrong} problem{'s' * (wrong > 1)}" if wrong else "no problems found: ready to run"
    screen.print(Text(f"{last}{f'; {look} to look at' if look else ''}", "bold red" if wrong else "bold"))
