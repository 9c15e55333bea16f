"""Report of an error that is a bug of ours."""

from __future__ import annotations

import os
import sys
import tempfile
import time
import traceback

from benchpipe import __version__


def bug_report(error: BaseException, arguments: list[str]) -> str:
    """Write a report of a bug to a file that only its owner can read, and print where it is."""
    text = "".join(traceback.format_exception(error))
    facts = f"benchpipe {__version__}, Python {sys.version}, {sys.platform}\narguments: {arguments}\n\n{text}"
    what = f"{type(error).__name__}: {error}"
    try:
        handle, path = tempfile.mkstemp(".txt", f"benchpipe-bug-{time.strftime('%Y%m%d-%H%M%S')}-")
        with os.fdopen(handle, "w", encoding="utf-8", errors="backslashreplace") as file:
            file.write(facts)
    except OSError:
        return f"error: this is a bug in benchpipe ({what}); please report it with:\n{facts}"
    return (
        f"error: this is a bug in benchpipe ({what})\n"
        f"  do next:  send the report {path} to the people who maintain it; logs and store are as they were"
    )
