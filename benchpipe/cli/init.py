"""The command that writes a new lab folder, and what starts it each night."""

from __future__ import annotations

import os
import shlex
from pathlib import Path
from typing import Annotated, Literal

import typer

from benchpipe.cli.output import tell
from benchpipe.errors import ConfigError


def init(
    lab: Annotated[Path, typer.Argument(metavar="LAB", help="New folder.")],
    loads: Annotated[
        Literal["torque", "force"],
        typer.Option(help="What the rig loads with: torque against angle, or force against displacement."),
    ] = "torque",
    timer: Annotated[bool, typer.Option("--timer", help="Write a systemd service and timer of the user.")] = False,
    cron: Annotated[bool, typer.Option("--cron", help="Print the line for crontab.")] = False,
    at: Annotated[str, typer.Option("--at", metavar="HH:MM", help="When it starts each night.")] = "05:30",
    to: Annotated[
        Path | None, typer.Option("--to", metavar="DIR", help="Folder of the units; else ~/.config/systemd/user.")
    ] = None,
) -> None:
    """Write a commented lab folder: lab and plan file, limits, a place for logs. Nothing is overwritten.

    With --timer or --cron, a folder that is there already stays as it is.

    Example: benchpipe init my-lab
    """
    from benchpipe.cli.schedule import checked_time, cron_line

    at = checked_time(at)
    if to is not None and not timer:
        raise ConfigError("--to is where --timer writes its units", do_next="give --timer too")
    lab = lab.absolute()
    if (lab / "lab.toml").is_file() and (timer or cron):
        tell(f"the lab is there already, and stays as it is: {lab}")
    else:
        _write_lab(lab, loads)
    if timer:
        _write_units(lab, at, to)
    if cron:
        tell("add this line with 'crontab -e' (10 and 11 are findings, see the exit codes):")
        typer.echo(cron_line(lab, at))


def _write_lab(lab: Path, loads: Literal["torque", "force"]) -> None:
    from benchpipe.config.starter import starter_files

    if lab.exists() and (not lab.is_dir() or any(lab.iterdir())):
        raise ConfigError(
            "something stands there already, and is not overwritten", where=lab,
            do_next="name a new folder; to add a run to a lab, list another plan file in its lab.toml",
        )  # fmt: skip
    files = starter_files(loads, lab.name)
    try:
        (lab / "logs").mkdir(parents=True)
        for name, text in files.items():
            _write(lab / name, text)
    except OSError as error:
        raise ConfigError(f"the lab cannot be written: {error.strerror}", where=error.filename or lab) from None
    here = shlex.quote(os.path.relpath(lab))
    typer.echo(
        f"{lab}: {len(files)} files. Next:\n"
        f"  copy some logs of the rig into {here}/logs\n"
        f"  benchpipe inspect {here}/logs --write-rig {here}/rig.toml\n"
        f"  edit {here}/plan.toml (see {here}/README.md)\n"
        f"  benchpipe doctor {here}\n"
        f"  benchpipe nightly {here}"
    )


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
    both = " ".join(shlex.quote(str(folder / name)) for name in texts)
    link = "" if to is None else f"  systemctl --user link {both}\n"
    typer.echo(
        f"{unit} and its service written to {folder}. To start it:\n{link}"
        "  systemctl --user daemon-reload\n"
        f"  systemctl --user enable --now {unit}\n"
        "  loginctl enable-linger    (so that it runs while nobody is logged in)"
    )


def _write(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("x", encoding="utf-8", newline="\n") as file:
        file.write(text)
