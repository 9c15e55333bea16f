"""The lab file: where it is, and what it says of itself."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchpipe.config.lab import LabConfig
    from benchpipe.config.toml import TomlFile

LAB_FILE = "lab.toml"


def find_lab(start: Path) -> Path | None:
    """Nearest ``lab.toml`` in a folder or above it."""
    for folder in (start, *start.parents):
        if (folder / LAB_FILE).is_file():
            return folder / LAB_FILE
    return None


def read_lab(lab_path: Path) -> tuple[LabConfig, list[Path], Path, TomlFile]:
    """Read a lab file alone: the config, its plan files, its store folder, and where its keys are.

    Raises
    ------
    ConfigError
        The file is wrong.
    """
    from benchpipe.config.lab import LabConfig
    from benchpipe.config.model import load_model

    lab, file = load_model(LabConfig, lab_path)
    plans = [beside(lab_path, relative) for relative in lab.plans]
    return lab, plans, beside(lab_path, lab.store), file


def beside(path: Path, relative: Path | str) -> Path:
    """A path that is relative to a file."""
    return Path(relative) if Path(relative).is_absolute() else (path.parent / relative).absolute()
