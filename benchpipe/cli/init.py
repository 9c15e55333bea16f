"""The command that writes a new lab folder, and the files that start it each night."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchpipe.cli.output import say, tell
from benchpipe.errors import ConfigError, ExitCode
from benchpipe.escapes import quoted

if TYPE_CHECKING:
    from benchpipe.inspect.findings import Inspection


def init(
    lab: Annotated[Path, typer.Argument(metavar="LAB", help="New folder.")],
    logs: Annotated[
        list[Path] | None,
        typer.Argument(metavar="[LOG...]", help="Logs of one rig, or folders of them: rig and plan are drafted."),
    ] = None,
    timer: Annotated[bool, typer.Option("--timer", help="Write a systemd service and timer of the user.")] = False,
    cron: Annotated[bool, typer.Option("--cron", help="Print the line for crontab.")] = False,
    at: Annotated[str, typer.Option("--at", metavar="HH:MM", help="When it starts each night.")] = "05:30",
    to: Annotated[
        Path | None, typer.Option("--to", metavar="DIR", help="Folder of the units. Default: ~/.config/systemd/user.")
    ] = None,
) -> int:
    """Write a commented lab folder: lab file, limits, targets, a place for logs. Nothing is overwritten.

    With LOG, the logs are copied there, and the rig file and the plan are drafted from them. Exit code 11: a question
    is open in one of them. With --timer or --cron, an existing folder stays as it is.

    Example: benchpipe init my-lab
    """
    from benchpipe.cli.schedule import checked_time, cron_line

    at = checked_time(at)
    if to is not None and not timer:
        raise ConfigError("--to is where --timer writes its units", do_next="give --timer too")
    lab = lab.absolute()
    code: int = ExitCode.OK
    if (lab / "lab.toml").is_file() and (timer or cron) and not logs:
        tell(f"the lab is there already, and stays as it is: {lab}")
    else:
        code = _write_lab(lab, logs or [])
    if timer:
        _write_units(lab, at, to)
    if cron:
        tell("add this line with 'crontab -e' (10 and 11 are findings, see the exit codes):")
        typer.echo(cron_line(lab, at))
    return code


def _write_lab(lab: Path, logs: list[Path]) -> int:
    from benchpipe.config.starter import starter_files

    if lab.exists() and (not lab.is_dir() or any(lab.iterdir())):
        raise ConfigError(
            "something is there already, and is not overwritten", where=lab,
            do_next="name a new folder; to add a run to a lab, list another plan file in its lab.toml",
        )  # fmt: skip
    found = _inspected(logs)
    files = starter_files(lab.name)
    try:
        (lab / "logs").mkdir(parents=True)
        for name, text in files.items():
            _write(lab / name, text)
        for path in found.files if found else ():
            tell(f"copying {path.name}")
            shutil.copy2(path, lab / "logs" / path.name)
    except OSError as error:
        raise ConfigError(f"the lab cannot be written: {error.strerror}", where=error.filename or lab) from None
    here = quoted(os.path.relpath(lab))
    draft = f"benchpipe inspect {here}/logs"
    if found is None:
        say(
            f"{lab}: {len(files)} files. Next:",
            f"  copy some logs of the rig into {here}/logs",
            f"  {draft} --write-rig {here}/rig.toml --write-plan {here}/plan.toml",
            f"  benchpipe doctor {here}",
            f"  benchpipe nightly {here}",
        )
        return ExitCode.OK
    return _drafted(lab, found, here, len(files))


def _inspected(logs: list[Path]) -> Inspection | None:
    """Inspect the logs; two of one name cannot be copied into one folder."""
    from benchpipe.cli.drafting import log_files
    from benchpipe.inspect.run import inspect_logs

    if not logs:
        return None
    files, inside = log_files(logs)
    found = inspect_logs(files, strangers=inside, on_progress=lambda name: tell(f"looking at {name}"))
    names = [path.name for path in found.files]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise ConfigError(f"two logs are called '{twice}'", do_next="make a lab for each folder, or rename one")
    return found


def _drafted(lab: Path, found: Inspection, here: str, files: int) -> int:
    """Draft rig and plan of a new lab, and print the next command."""
    from benchpipe.cli.drafting import drafted_rig, surveyed_logs, write_plan

    text, rig = drafted_rig(found, lab.name)
    _write(lab / "rig.toml", text)
    copied = [lab / "logs" / path.name for path in found.files]
    say(f"{lab}: {files} files, {len(copied)} log(s) copied, rig file drafted")
    for note in found.notes:
        say(f"! {note}")
    questions = [f"rig.toml: {question.key}: {question.ask}" for question in found.questions]
    if rig is not None:
        surveyed = surveyed_logs(rig, copied)
        asked = write_plan(rig, lab / "rig.toml", copied, lab / "plan.toml", found, surveyed)
        questions = [f"plan.toml: {one}" for one in asked]
    for question in questions:
        say(f"? {question}")
    steps = [f"benchpipe doctor {here}", f"benchpipe nightly {here}"]
    if rig is None:
        steps.insert(0, f"benchpipe inspect {here}/logs --rig {here}/rig.toml --write-plan {here}/plan.toml")
    if questions:
        steps.insert(0, f"answer the {len(questions)} QUESTION(s) in {here}/{questions[0].split(':')[0]}")
    say("Next:", *(f"  {step}" for step in steps))
    return ExitCode.INCONCLUSIVE if questions else ExitCode.OK


def _write_units(lab: Path, at: str, to: Path | None) -> None:
    from benchpipe.cli.schedule import unit_folder, unit_name, units

    folder = (to or unit_folder()).absolute()
    texts = units(lab, at)
    for name, text in texts.items():
        if (folder / name).exists() and (folder / name).read_text(encoding="utf-8") != text:
            raise ConfigError(
                "another unit of that name is there, and is not overwritten", where=folder / name,
                do_next="remove it, or give --to DIR",
            )  # fmt: skip
    for name, text in texts.items():
        if not (folder / name).exists():
            _write(folder / name, text)
    unit = f"{unit_name(lab)}.timer"
    both = " ".join(quoted(folder / name) for name in texts)
    say(
        f"{unit} and its service written to {folder}. To start it:",
        *([] if to is None else [f"  systemctl --user link {both}"]),
        "  systemctl --user daemon-reload",
        f"  systemctl --user enable --now {unit}",
        "  loginctl enable-linger    (so that it runs while you are logged out)",
    )


def _write(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("x", encoding="utf-8", newline="\n") as file:
        file.write(text)
