"""A library that is not installed, for the process that reads logs too."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from benchpipe.readers import reader_process


@contextmanager
def absent(library: str, folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Within this, a library cannot be imported where logs are read."""
    (folder / f"{library}.py").write_text("raise ImportError('absent')\n")
    reader_process._FREE.clear()
    with monkeypatch.context() as patch:
        patch.syspath_prepend(folder)
        try:
            yield
        finally:
            reader_process._FREE.clear()
