"""Where the lab file is: found without reading it."""

from __future__ import annotations

from pathlib import Path

LAB_FILE = "lab.toml"


def find_lab(start: Path) -> Path | None:
    """Nearest ``lab.toml`` in a folder or above it."""
    for folder in (start, *start.parents):
        if (folder / LAB_FILE).is_file():
            return folder / LAB_FILE
    return None
