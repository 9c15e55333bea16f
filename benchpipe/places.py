"""Check the places of a run's tables: apart from the raw logs, which are only read."""

from __future__ import annotations

from collections.abc import Iterator
from fnmatch import fnmatchcase
from pathlib import Path, PurePosixPath

from benchpipe.config.toml import TomlFile
from benchpipe.errors import ConfigError
from benchpipe.plan import PlanConfig

# Files of a run in a store or an archive, one of each kind of place and name.
KEPT = (
    "manifest.json", "SHA256SUMS", "history/000001.json", "samples/0123456789abcdef-01234567.parquet",
    "quarantine/0123456789abcdef-01234567.parquet",
)  # fmt: skip
OF_STORE = "ledger.jsonl"  # and this of the store itself


class PlaceError(ConfigError):
    """Tables and raw logs stand in one another (exit 2)."""


def apart_from_logs(plan: PlanConfig, file: TomlFile, folder: Path, what: str) -> None:
    """Refuse a folder for tables that is among the raw logs of a run, or has them in it.

    Folders are compared as they are without links. The plan's own folder may hold logs and the store beside
    one another, as long as no pattern takes a file of the store for a log.

    Parameters
    ----------
    plan : PlanConfig
        Its ``logs`` say where the logs are.
    file : TomlFile
        The plan file.
    folder : Path
        The store, or an archive; it need not be there.
    what : str
        What it is called: ``store`` or ``archive``.

    Raises
    ------
    PlaceError
        Names the pattern.
    """
    home, kept = file.path.absolute().parent.resolve(), folder.absolute().resolve()
    for i, pattern in enumerate(plan.logs):
        why = _why_not(home, pattern, kept, plan.name)
        if why is not None:
            raise PlaceError(
                f"the {what} and the raw logs of run '{plan.name}' stand in one another: {why}",
                where=file.where(("logs", i)),
                expected=f"a folder for the {what} that is apart from the logs: they are only read",
                got=str(kept),
                do_next=_NEXT[what],
            )


_NEXT = {
    "store": "name another folder (key store of lab.toml, or --store), and move there what is in this one",
    "archive": "name another folder with --to",
}


def _why_not(home: Path, pattern: str, kept: Path, run: str) -> str | None:
    """Why a folder does not go with a pattern of logs; None where it does."""
    *folders, name = PurePosixPath(pattern).parts
    literal = next((k for k, part in enumerate(folders) if set(part) & set("*?[")), len(folders))
    base = home.joinpath(*folders[:literal]).resolve()
    wild = tuple(folders[literal:])
    if base.is_relative_to(kept):
        return f"it holds {base}, where logs are"
    if not kept.is_relative_to(base):
        return None
    inside = kept.relative_to(base).parts
    files = [(*inside, OF_STORE), *((*inside, run, *PurePosixPath(one).parts) for one in KEPT)]
    if any(_matches(one, (*wild, name)) for one in files):
        return f"'{pattern}' would take its files for logs"
    for depth in range(len(inside) + 1):
        above = base.joinpath(*inside[:depth])
        if above != home and _matches(inside[:depth], wild) and (not wild or _has_files(above, name)):
            return f"it is in {above}, where logs are"
    return None


def _matches(parts: tuple[str, ...], patterns: tuple[str, ...]) -> bool:
    """Whether a path is one that a pattern takes, part by part; ``**`` stands for any folders."""
    if not patterns:
        return not parts
    if patterns[0] == "**":
        return any(_matches(parts[k:], patterns[1:]) for k in range(len(parts) + 1))
    return bool(parts) and fnmatchcase(parts[0], patterns[0]) and _matches(parts[1:], patterns[1:])


def _has_files(folder: Path, name: str) -> bool:
    """Whether a folder has a file of such a name; one that cannot be looked at has none."""
    return any(path.is_file() for path in _listed(folder) if fnmatchcase(path.name, name))


def _listed(folder: Path) -> Iterator[Path]:
    try:
        yield from folder.iterdir()
    except OSError:
        return
