"""Start `nightly` each night: a systemd timer of the user, or a line for cron."""

from __future__ import annotations

import re
import shlex
import sys
from pathlib import Path

from benchpipe.errors import ConfigError

WAIT_S = 3600  # an evening's run by hand may still hold the store

SERVICE = """\
# Written by `benchpipe init --timer`. Logs: journalctl --user -u {unit}.service
[Unit]
Description=benchpipe: nightly of {folder}

[Service]
Type=oneshot
ExecStart={command}
# 10 (a limit failed) and 11 (inconclusive, not evaluated) are findings about a specimen: the job
# has done its work. A failed unit means that the job itself needs attention: 2 configuration,
# 12 a log or the store, 13 stored or logged data changed, 69 a recipient could not be reached,
# 70 a bug, 75 the store was held all the time.
SuccessExitStatus=10 11
Nice=10
"""

TIMER = """\
# Written by `benchpipe init --timer`.
[Unit]
Description=benchpipe: each night at {at}

[Timer]
OnCalendar=*-*-* {at}:00
# A night that was missed (power cut, machine off) is made up for after the start.
Persistent=true

[Install]
WantedBy=timers.target
"""


def unit_name(lab: Path) -> str:
    """Name of the units of a lab folder: letters, digits and hyphens."""
    slug = re.sub(r"[^A-Za-z0-9]+", "-", lab.name).strip("-").lower()
    return f"benchpipe-{slug or 'lab'}"


def unit_folder() -> Path:
    """Where systemd looks for units of a user."""
    return Path.home() / ".config" / "systemd" / "user"


def checked_time(text: str) -> str:
    """A time of day as HH:MM.

    Raises
    ------
    ConfigError
        It is not one.
    """
    if not re.fullmatch(r"([01][0-9]|2[0-3]):[0-5][0-9]", text):
        raise ConfigError(f"'{text}' is no time of day", expected="HH:MM, such as 05:30")
    return text


def units(lab: Path, at: str) -> dict[str, str]:
    """Text of the service and the timer of a lab folder, by file name."""
    unit, words = unit_name(lab), _command(lab)
    command = " ".join(map(_quoted, words))
    folder = str(lab).replace("%", "%%")
    return {
        f"{unit}.service": SERVICE.format(unit=unit, folder=folder, command=command),
        f"{unit}.timer": TIMER.format(at=at),
    }


def cron_line(lab: Path, at: str) -> str:
    """The line for `crontab -e`: output goes to a file beside the lab file."""
    hour, minute = at.split(":")
    command = f"{shlex.join(_command(lab))} >> {shlex.quote(str(lab / 'nightly.log'))} 2>&1"
    return f"{int(minute)} {int(hour)} * * * {command}".replace("%", "\\%")  # cron makes line ends of %


def _command(lab: Path) -> list[str]:
    python = Path(sys.executable).absolute()
    return [str(python), "-m", "benchpipe", "nightly", str(lab / "lab.toml"), "--brief", "--wait", str(WAIT_S)]


def _quoted(word: str) -> str:
    """A word of ExecStart: systemd reads \\ and % and $ in it."""
    word = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    return word if re.fullmatch(r"[\w./:=@%$+-]+", word) else f'"{word}"'
