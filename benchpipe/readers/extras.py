"""Libraries that come as extras: the errors where one is missing, or where it meets a damaged file."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path
from typing import Any

from benchpipe.errors import BenchpipeError, InputError, MissingExtraError, install_extra, nearest
from benchpipe.readers.allowances import out_of_memory


def load_extra(library: str, extra: str) -> Any:
    """Import a library that an extra of this package brings.

    Raises
    ------
    MissingExtraError
        It is not installed; says what to install.
    """
    try:
        return import_module(library)
    except ImportError:
        raise MissingExtraError(
            f"this log needs the library '{library}', which is not installed",
            do_next=install_extra(extra),
        ) from None


@contextmanager
def readable(path: Path, kind: str) -> Iterator[None]:
    """Whatever a library raises over a damaged file becomes an :class:`InputError`.

    Such libraries meet damage in many ways (errors of unpacking, of keys), so
    every error that is not ours counts.
    """
    try:
        yield
    except BenchpipeError:
        raise
    except MemoryError:
        raise out_of_memory(path) from None
    except Exception as error:
        text = str(error).strip().splitlines() or [type(error).__name__]
        raise InputError(f"not {kind} file that can be read: {text[0][:160]}", where=path) from None


def no_column(where: Path | str, column: str | int, names: list[str]) -> InputError:
    """The error for a column that the rig file names and the log does not have."""
    return InputError(
        f"the log has no column '{column}'",
        where=where,
        expected=nearest(str(column), names) if names else "a column; there is none",
        do_next="correct the column in the rig file",
    )
