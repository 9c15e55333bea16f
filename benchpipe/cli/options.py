"""Options and arguments that several commands share."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchpipe.cli.completion import complete_runs
from benchpipe.errors import ConfigError
from benchpipe.escapes import quoted
from benchpipe.mirrors import kind_of_store, store_place

if TYPE_CHECKING:
    from benchpipe.run import RunConfig

RunArgument = Annotated[
    str,
    typer.Argument(
        metavar="RUN", help="A plan file, or a run's name in the lab file.", autocompletion=complete_runs
    ),
]


def _in_folder(lab: Path | None) -> Path | None:
    """A lab file, where its folder is named too."""
    return None if lab is None else lab_file(lab) if lab.is_dir() else lab


Lab = Annotated[
    Path | None,
    typer.Option(
        "--lab", metavar="FILE", help="Lab file. Default: lab.toml here or in a folder above.", callback=_in_folder
    ),
]
def store_folder(text: str) -> Path:
    """The folder of a store, or the mirror of one on an object store (s3://BUCKET/PREFIX).

    Raises
    ------
    ConfigError
        The kind of store is not known, or the address is none.
    """
    try:
        return store_place(text) or Path(text)
    except ValueError as error:
        raise ConfigError(str(error), where="--store") from None


def a_folder(text: str) -> Path:
    """A folder, and no address: what is kept there is read as files."""
    if kind_of_store(text) is not None:
        raise ConfigError(f"'{kind_of_store(text)}://' names no folder", do_next="give a folder: an archive is one")
    return Path(text)


Store = Annotated[
    Path | None,
    typer.Option(
        "--store", metavar="STORE", parser=store_folder, help="Folder, or s3://BUCKET/PREFIX. Default: the lab file's."
    ),
]
Json = Annotated[bool, typer.Option("--json", help="Print a JSON document instead of the summary.")]
Wait = Annotated[float, typer.Option("--wait", metavar="SECONDS", min=0, help="Wait for another job on the store.")]
Again = Annotated[bool, typer.Option("--again", help="Read every log again, and rebuild all tables from them.")]
Jobs = Annotated[
    int,
    typer.Option("--jobs", metavar="N", min=0, help="Runs at once, each in its own process; 0: half the processors."),
]
ShardOption = Annotated[
    str | None,
    typer.Option("--shard", metavar="I/N", help="Only share I of N of the runs, beside other shares; no pages."),
]
Junit = Annotated[Path | None, typer.Option("--junit", metavar="FILE", help="Write the verdicts as JUnit XML too.")]


def default_jobs() -> int:
    """Default number of runs at once: half of the processors that this job may use, since a run keeps two busy."""
    count = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return max(1, count // 2)


def lab_file(path: Path | None) -> Path:
    """Find the lab file.

    Raises
    ------
    ConfigError
        None was given and there is none here or above, or the folder has none.
    """
    from benchpipe.config.lab_file import LAB_FILE, find_lab

    if path is not None and path.is_dir() and not (path / LAB_FILE).exists():
        raise ConfigError(
            f"the folder holds no {LAB_FILE}", where=path,
            do_next=f"make a lab of it: benchpipe init {quoted(path)}; or give the path of a lab file",
        )  # fmt: skip
    if path is not None:
        return (path / LAB_FILE if path.is_dir() else path).absolute()
    found = find_lab(Path.cwd())
    if found is None:
        raise ConfigError(f"no {LAB_FILE} is here or in a folder above", do_next="give the path of a lab file")
    return found


def loaded(run: str, lab: Path | None, store: Path | None) -> RunConfig:
    """Load the run that is named.

    Raises
    ------
    ConfigError
        It is not known, or a file of it is wrong.
    StoreError
        Its store is not the one that its lab has seen there.
    """
    from benchpipe.config.lab_file import find_lab
    from benchpipe.run import find_plan, load_run
    from benchpipe.store.identity import must_be_there

    config = load_run(find_plan(run, lab), store, lab)
    lab = lab or find_lab(config.plan_path.parent)
    if lab is not None:
        must_be_there(lab.absolute(), config.store)
    return config
