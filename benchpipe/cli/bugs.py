"""What is written down of an error that is ours."""

from __future__ import annotations

import os
import sys
import tempfile
import time
import traceback
from pathlib import Path

from benchpipe import __version__


def bug_report(error: BaseException, arguments: list[str]) -> str:
    """Write down an error that is ours, and say where."""
    text = "".join(traceback.format_exception(error))
    facts = f"benchpipe {__version__}, Python {sys.version}, {sys.platform}\narguments: {arguments}\n\n{text}"
    try:
        name = f"benchpipe-bug-{time.strftime('%Y%m%d-%H%M%S')}-{os.getpid()}.txt"
        path = Path(tempfile.gettempdir()) / name
        path.write_text(facts)
    except OSError:
        return f"error: this is a bug in benchpipe ({type(error).__name__}: {error}); please report it with:\n{facts}"
    return (
        f"error: this is a bug in benchpipe ({type(error).__name__}: {error})\n"
        f"  do next:  send the report {path} to the people who maintain it; logs and store are as they were"
    )
