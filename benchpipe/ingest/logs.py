"""Which files are a run's logs, and what is odd about their names and places."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

from benchpipe.errors import InputError
from benchpipe.store.files import natural_order
from benchpipe.store.manifest import Remark

if TYPE_CHECKING:
    from benchpipe.run import RunConfig

MOST_NAMED = 5


@dataclass(frozen=True)
class FoundLogs:
    """Log files by name relative to the plan, in natural order, and what was left out or is not there."""

    files: dict[str, Path]
    remarks: tuple[Remark, ...]


def find_logs(run: RunConfig) -> FoundLogs:
    """Find the log files of a run (see :func:`logs_in`)."""
    return logs_in(run.folder, run.name, run.plan.logs)


def logs_in(folder: Path, run: str, patterns: Iterable[str]) -> FoundLogs:
    """Find the log files of a run in the folder of its plan.

    A link that leads out of the run's folder, to nothing, or to a log that is there under its own name
    is no log, and a remark.

    Raises
    ------
    InputError
        No file matches the plan's patterns, or a name cannot be written down.
    """
    home, patterns = folder.resolve(), tuple(patterns)
    matched = dict.fromkeys(path for pattern in patterns for path in _matches(folder, pattern))
    links = _links(matched, folder)
    own = {home / path.relative_to(folder) for path in matched if path not in links}
    files: dict[str, Path] = {}
    remarks: list[Remark] = []
    for path in matched:
        name = path.relative_to(folder).as_posix()
        why = _left_out(path, home / name, home, own, link=path in links)
        if why is None:
            files[_writable(name, path)] = path
        elif why:
            remarks.append(_remark("not-taken", _writable(name, path), f"it is not taken: {why}"))
    if not files:
        raise InputError(
            f"run '{run}' has no logs: no file matches {', '.join(patterns)}",
            where=folder,
            got="; ".join(f"{r.where}: {r.text}" for r in remarks) or None,
            do_next="check 'logs' in the plan, and that the rig's folder can be reached",
        )
    ordered = dict(sorted(files.items(), key=lambda item: natural_order(item[0])))
    return FoundLogs(ordered, (*remarks, *missing_numbers(list(ordered))))


def _matches(folder: Path, pattern: str) -> Iterator[Path]:
    try:
        found = sorted(folder.glob(pattern))
    except (ValueError, NotImplementedError) as error:
        raise InputError(
            f"the log pattern '{pattern}' cannot be used: {error}",
            where=folder,
            do_next="patterns are relative to the plan, such as 'logs/*.csv'",
        ) from None
    except OSError as error:
        raise InputError(f"the logs' folder cannot be read: {error.strerror}", where=folder) from None
    for path in found:
        if ".." in path.relative_to(folder).parts:
            raise InputError(
                f"the log pattern '{pattern}' leaves the run's folder",
                where=path,
                expected=f"logs in {folder} or below",
                do_next="put the plan above its logs, or copy the logs there",
            )
        yield path


def _links(paths: Iterable[Path], folder: Path) -> set[Path]:
    """Paths that are links, or have a folder on the way to them that is one."""
    folders: dict[Path, bool] = {folder: False}

    def is_link(path: Path) -> bool:
        if path not in folders:
            folders[path] = is_link(path.parent) or path.is_symlink()
        return folders[path]

    return {path for path in paths if is_link(path.parent) or path.is_symlink()}


def _left_out(path: Path, real: Path, home: Path, own: set[Path], *, link: bool) -> str | None:
    """Why a path is no log of the run: an empty text where that is plain. ``real`` is where it is without links."""
    if path.name.startswith("."):
        return ""
    try:
        real = path.resolve(strict=True) if link else real
        if not real.is_file():
            return "" if real.is_dir() else "it is no plain file"
    except (OSError, RuntimeError):  # a loop is a RuntimeError before Python 3.13
        return "a link that leads nowhere, or round in a circle"
    if not real.is_relative_to(home):
        return f"a link that leaves the run's folder, to {real}"
    if link and real in own:
        return f"a link to {real.relative_to(home).as_posix()}, which is there itself"
    return None


def _writable(name: str, path: Path) -> str:
    """The name, if it is text."""
    try:
        name.encode()
    except UnicodeEncodeError:
        raise InputError(
            "the log's name is not text in UTF-8", where=ascii(str(path)), do_next="rename the file"
        ) from None
    return name


def missing_numbers(names: list[str]) -> list[Remark]:
    """Remarks on numbers that are missing in series of names such as ``day_0001.csv``.

    A series is names that differ in one number only. Where more numbers are missing than there are
    (dates, times of day) it is not a count, and nothing is missing.
    """
    series: dict[tuple[str, str], dict[int, str]] = {}
    for name in names:
        for match in re.finditer(r"\d{1,9}", name):
            series.setdefault((name[: match.start()], name[match.end() :]), {})[int(match.group())] = match.group()
    remarks = []
    for (before, after), numbers in series.items():
        known = sorted(numbers)
        gaps = [n for a, b in pairwise(known) if b - a <= len(known) for n in range(a + 1, b)]
        if len(known) < 3 or not gaps or known[-1] - known[0] + 1 > 2 * len(known):
            continue
        width = len(numbers[known[0]])
        shown = [f"{before}{n:0{width}}{after}" for n in gaps[:MOST_NAMED]]
        more = f" and {len(gaps) - MOST_NAMED} more" if len(gaps) > MOST_NAMED else ""
        text = f"the series has no {', '.join(shown)}{more}: a log is missing, or comes late"
        remarks.append(_remark("missing-file", f"{before}…{after}", text, len(gaps)))
    return remarks


def _remark(code: str, where: str, text: str, count: int = 1) -> Remark:
    return Remark(step="ingest", code=code, where=where, count=count, text=text)
