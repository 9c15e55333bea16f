"""Rig and plan files drafted from logs: what `inspect` and `init` share."""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

from benchpipe.cli.output import tell
from benchpipe.errors import ConfigError, InputError

if TYPE_CHECKING:
    from benchpipe.config.rig import RigConfig
    from benchpipe.inspect.findings import Inspection
    from benchpipe.readers.batch import RawBatch
    from benchpipe.survey.stretches import Surveyed

LIMITS = {"torque": "limits/lockable-ankle.toml", "force": "limits/drift.toml"}
SPECIMEN = re.compile(r"specimen|sample$|serial|probe$|prüfling|pruefling|muster|échantillon", re.IGNORECASE)
FIRST_BATCHES = 4
NO_SPECIMEN = "not stated"


def log_files(named: list[Path]) -> tuple[list[Path], set[Path]]:
    """Files that are named, and files of named folders; and which of them come from a folder.

    Raises
    ------
    InputError
        A folder holds no file.
    """
    from benchpipe.store.files import natural_order

    found: list[Path] = []
    inside_folders: set[Path] = set()
    for path in named:
        if not path.is_dir():
            found.append(path)
            continue
        inside = [p for p in path.iterdir() if p.is_file() and not p.name.startswith(".")]
        if not inside:
            deeper = ", ".join(sorted(p.name for p in path.iterdir() if p.is_dir()))
            raise InputError(
                "the folder holds no file", where=path,
                do_next=f"name a folder in it: {deeper}" if deeper else "copy some logs of the rig into it",
            )  # fmt: skip
        found += sorted(inside, key=lambda p: natural_order(p.name))
        inside_folders |= set(inside)
    return list(dict.fromkeys(found)), inside_folders


def drafted_rig(found: Inspection, name: str) -> tuple[str, RigConfig | None]:
    """Text of a rig file, and what it says; None while a question is open."""
    from benchpipe.config.rig import RigConfig
    from benchpipe.inspect.draft import draft_rig
    from benchpipe.survey.names import pattern_of

    own, others = ({path.name for path in one.logs} if one is not None else set() for one in (found.second, found))
    text = draft_rig(found, name, pattern_of(own, others) if own else ())
    return text, None if found.questions else RigConfig.model_validate(tomllib.loads(text))


def specimen_of(found: Inspection | None) -> str:
    """Name of the specimen in the logs' preamble."""
    pairs = found.outline.preamble if found is not None else ()
    return next((value for key, value in pairs if SPECIMEN.search(key) and value), NO_SPECIMEN)


def logs_of_rig(rig: RigConfig, files: list[Path], inside: set[Path]) -> tuple[list[Path], list[str]]:
    """Files that can be read as a rig file says, and notes on those of a folder that cannot.

    Raises
    ------
    InputError
        A file that was named cannot be read, or none of a folder can.
    """
    from benchpipe.readers.log_file import open_log
    from benchpipe.readers.registry import read_log

    logs: list[Path] = []
    refused: dict[Path, InputError] = {}
    for path in files:
        try:
            with open_log(path) as file:
                if not _has_rows(read_log(path, file, rig.of_file(path.name))):
                    raise InputError("no row of it can be read", where=path)
            logs.append(path)
        except InputError as error:
            if path not in inside:
                raise
            refused[path] = error
    if refused and not logs:
        raise next(iter(refused.values()))
    return logs, [f"{path.name} is left out, it is no log of this rig: {error.what}" for path, error in refused.items()]


def _has_rows(batches: Iterator[RawBatch]) -> bool:
    return any(len(batch.row) for batch in islice(batches, FIRST_BATCHES))


def surveyed_logs(rig: RigConfig, logs: list[Path]) -> Surveyed:
    """Survey of logs that are read as a rig file says."""
    from benchpipe.survey.stretches import survey_logs

    return survey_logs(rig, {path.name: path for path in logs}, on_progress=lambda name: tell(f"reading {name}"))


def write_plan(
    rig: RigConfig, rig_path: Path, logs: list[Path], plan: Path, found: Inspection | None, surveyed: Surveyed
) -> tuple[str, ...]:
    """Draft a plan file from logs below its folder; returns its open questions."""
    from benchpipe.samples.signals import signal_units
    from benchpipe.survey.blocks import find_blocks
    from benchpipe.survey.draft import PlanHead, draft_plan

    names = log_names(logs, plan)
    beside = [p for folder in {path.parent for path in logs} for p in folder.iterdir() if p.is_file()]
    others = [name for name in log_names(beside, plan) if name not in names and name.rpartition("/")[2][0] != "."]
    limits = (LIMITS[rig.load_quantity],) if (plan.parent / LIMITS[rig.load_quantity]).is_file() else ()
    beside_plan = Path(os.path.relpath(rig_path.absolute(), plan.absolute().parent)).as_posix()
    head = PlanHead(run_name(plan), specimen_of(found), beside_plan, limits, log_patterns(list(names), others))
    drafted = draft_plan(head, find_blocks(surveyed), surveyed, signal_units(rig), change=bool(limits))
    write_new(plan, drafted.text, "plan")
    return drafted.questions


def run_name(plan: Path) -> str:
    """A name for the run: that of the plan's folder where the plan is called as all are."""
    wanted = plan.absolute().parent.name if plan.stem == "plan" else plan.stem
    return re.sub(r"[^A-Za-z0-9._-]+", "-", wanted).strip("-._") or "run"


def log_names(logs: list[Path], plan: Path) -> dict[str, Path]:
    """Logs by their place relative to the plan.

    Raises
    ------
    ConfigError
        A log is not below the plan's folder.
    """
    home = plan.absolute().parent.resolve()
    names: dict[str, Path] = {}
    for path in logs:
        try:
            names[path.resolve().relative_to(home).as_posix()] = path
        except ValueError:
            raise ConfigError(
                f"the log is outside the plan's folder: {path}", where=plan,
                expected=f"logs in {home} or below", do_next="put the plan above its logs, or copy the logs there",
            ) from None  # fmt: skip
    return names


def log_patterns(logs: list[str], others: list[str]) -> tuple[str, ...]:
    """Patterns that take all logs and no other file beside them."""
    folders = dict.fromkeys(name.rpartition("/")[0] for name in logs)
    return tuple(
        pattern for folder in folders for pattern in _patterns(
            [n.rpartition("/")[2] for n in logs if n.rpartition("/")[0] == folder],
            [n.rpartition("/")[2] for n in others if n.rpartition("/")[0] == folder], f"{folder}/" if folder else "",
        )
    )  # fmt: skip


def _patterns(logs: list[str], others: list[str], folder: str) -> list[str]:
    if not others and folder:
        return [f"{folder}*"]
    endings = dict.fromkeys(_ending(name) for name in logs)
    if all(endings) and not any(name.endswith(tuple(endings)) for name in others):
        return [f"{folder}*{ending}" for ending in endings]
    return [folder + re.sub(r"([*?\[])", r"[\1]", name) for name in logs]


def _ending(name: str) -> str:
    """``.csv``, ``.csv.gz``; empty where there is none."""
    found = re.search(r"(\.[A-Za-z][A-Za-z0-9]{0,9}){1,2}$", name)
    return found[0] if found and found.start() else ""


def must_be_new(path: Path) -> None:
    """Raise ConfigError where a file is there already."""
    if path.exists() or path.is_symlink():
        raise ConfigError(
            "the file is there already, and is not overwritten", where=path, do_next="give another name for the draft"
        )


def write_new(path: Path, text: str, what: str) -> None:
    """Write a file that must not be there."""
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        must_be_new(path)
    except OSError as error:
        raise ConfigError(f"the {what} file cannot be written: {error.strerror}", where=path) from None


def replaces_only(path: Path, start: str, option: str) -> None:
    """Refuse a file that an earlier run of the same command did not write: it begins otherwise.

    Raises
    ------
    ConfigError
        A folder or another file is there.
    """
    if path.is_dir():
        raise ConfigError("a folder is there", where=path, do_next=f"name a file with {option}")
    if not path.is_file():
        return
    try:
        with path.open("rb") as file:
            found = file.read(len(start))
    except OSError as error:
        raise ConfigError(f"the file cannot be read: {error.strerror}", where=path) from None
    if found and found != start.encode():
        raise ConfigError(
            "another file is there, and is not overwritten", where=path, do_next=f"name a new one with {option}"
        )
