"""What a finding of `doctor` is, and the words that several of them share."""

from __future__ import annotations

import errno
import os
from dataclasses import dataclass
from typing import Literal

from benchpipe.errors import BenchpipeError, ExitCode, shortened

FindingState = Literal["ok", "look", "wrong"]
GB = 1e9
SKEW_S = 60.0


@dataclass(frozen=True)
class DoctorFinding:
    """One thing checked. ``code`` is the exit code if it is wrong."""

    state: FindingState
    topic: str
    text: str
    do_next: str = ""
    code: ExitCode = ExitCode.OK


def of_error(topic: str, error: BenchpipeError, where: str = "") -> DoctorFinding:
    """Make a finding of an error."""
    place = f" ({error.where})" if error.where else ""
    wanted = f"; expected {error.expected}" if error.expected else ""
    got = f"; got {error.got}" if error.got else ""
    also = "".join(f"; and: {one}" for one in error.also)
    text = f"{where + ': ' if where else ''}{error.what}{place}{wanted}{got}{also}"
    denied = os.strerror(errno.EACCES) in error.what
    otherwise = "give this account the right to it" if denied else "fix what is named, and look again"
    return DoctorFinding("wrong", topic, shortened(text), error.do_next or otherwise, ExitCode(error.exit_code))


def span_text(seconds: float) -> str:
    """A time in words: ``3 min``."""
    for size, unit in ((86_400.0, "d"), (3600.0, "h"), (60.0, "min")):
        if seconds >= size:
            return f"{seconds / size:,.0f} {unit}"
    return f"{seconds:,.0f} s"
