"""How commands that are printed name a run and a lab, so that they can be pasted where they are printed."""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any

from benchpipe.errors import BenchpipeError
from benchpipe.escapes import quoted
from benchpipe.hints import Names


def names_given(run: str, lab: Path | None, store: Path | None) -> Names:
    """Names of a run as the user gave it, with the options that go with it."""
    options = [("--lab", lab), ("--store", store)]
    words = [quoted(run), *(f"{option} {quoted(value)}" for option, value in options if value is not None)]
    return Names(" ".join(words), None if store is not None else _lab_of(run, lab))  # a night knows no other store


def names_in(lab: Path, run: str) -> Names:
    """Names of a run of a lab file."""
    word = _lab_word(lab)
    return Names(f"{quoted(run)} --lab {word}" if word else quoted(run), word)


def names_of_lab(lab: Path | None) -> Names:
    """Names where a command is of a lab, which it found by itself if None; its runs are not named."""
    return Names(lab="" if lab is None else quoted(lab))


def with_names(command: Callable[..., Any]) -> Callable[..., Any]:
    """The command, with errors whose commands name what the user named.

    A command has its run in ``run`` and its options in ``lab`` and ``store``; one without a run has its lab in ``lab``.
    """

    @wraps(command)
    def named(*args: Any, **given: Any) -> Any:
        try:
            return command(*args, **given)
        except BenchpipeError as error:
            lab = given.get("lab")
            run = given.get("run")
            names = names_given(run, lab, given.get("store")) if run is not None else names_of_lab(lab)
            names.fill(error)
            raise

    return named


def _lab_of(run: str, lab: Path | None) -> str | None:
    """The word for the lab of a run; None where it has none."""
    from benchpipe.config.lab_file import find_lab

    if lab is not None:
        return quoted(lab)
    plan = Path(run)
    is_plan = plan.suffix == ".toml" or plan.is_file()
    found = find_lab(plan.absolute().parent if is_plan else Path.cwd())
    return None if found is None else _lab_word(found)


def _lab_word(lab: Path) -> str:
    """A lab file as a word; empty where commands typed here find it by themselves."""
    from benchpipe.config.lab_file import find_lab

    nearest = find_lab(Path.cwd())
    if nearest is not None and nearest.samefile(lab):
        return ""
    below = lab.absolute().is_relative_to(Path.cwd())
    return quoted(os.path.relpath(lab) if below else lab.absolute())
