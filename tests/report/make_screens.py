"""Draw the golden screens of the sample runs again: ``python -m tests.report.make_screens``.

Look at the difference before you commit it.
"""

from __future__ import annotations

import tempfile
from io import BytesIO, TextIOWrapper
from pathlib import Path

from rich.console import Console

from benchpipe.cli.output import named_view
from benchpipe.cli.runs import work_night
from benchpipe.hints import Names
from benchpipe.night.lab import NightResult
from benchpipe.report.terminal import show
from benchpipe.views.lab_view import NOTHING, Besides
from benchpipe.views.model import RunView
from tests.conftest import copy_samples

SCREENS = Path(__file__).with_name("screens")
WIDTH = 80
# How a screen is drawn: what the console is told of the terminal.
WAYS: dict[str, dict[str, object]] = {
    "plain": {},
    "ascii": {"encoding": "ascii"},
    "nocolour": {"force_terminal": True, "no_color": True, "color_system": "standard"},
    "colour": {"force_terminal": True, "color_system": "standard"},
}


def drawn(views: list[RunView], way: str, besides: Besides = NOTHING) -> str:
    """What a terminal gets, without blanks at the ends of lines."""
    told = dict(WAYS[way])
    raw = BytesIO()
    file = TextIOWrapper(raw, encoding=str(told.pop("encoding", "utf-8")), errors="strict", newline="\n")
    plain = {"highlight": False, "soft_wrap": False, "legacy_windows": False, "_environ": {}}
    show(Console(file=file, width=WIDTH, **plain, **told), views, besides=besides)
    file.flush()
    return "".join(f"{line.rstrip()}\n" for line in raw.getvalue().decode("utf-8").splitlines())


def screens(night: NightResult) -> dict[str, str]:
    """Name of each golden file, and what it must hold."""
    views = [named_view(view, Names(view.run, "")) for view in night.views]  # as in the lab's folder
    made = {"lab.plain.txt": drawn(views, "plain", Besides(tests=night.tests))}
    for view in views:
        made |= {f"{view.run}.{way}.txt": drawn([view], way) for way in WAYS}
    return made


def main() -> None:
    """Work the sample runs through in a folder that is thrown away, and draw them."""
    with tempfile.TemporaryDirectory() as folder:
        night = work_night(copy_samples(Path(folder)), new_store=True)
    for old in SCREENS.glob("*.txt"):
        old.unlink()
    SCREENS.mkdir(exist_ok=True)
    for name, text in screens(night).items():
        (SCREENS / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
