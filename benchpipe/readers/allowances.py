"""What reading one binary log may take of memory and time: far more than any sound log needs."""

from __future__ import annotations

from benchpipe.errors import InputError

MEMORY_BYTES = 2 << 30  # beyond what the libraries themselves take
MEMORY_TIMES = 32  # the bytes of the log: a packed struct or sheet is read whole
PATIENCE_S = 60.0
SLOWEST_BYTES_S = 4e6  # of a disk or share: a struct or sheet that is read whole shows no progress until its end


def most_memory(size: int) -> int:
    """Bytes that the reader of a log of ``size`` bytes may take."""
    return MEMORY_BYTES + MEMORY_TIMES * size


def patience_s(size: int) -> float:
    """Seconds without a batch after which the reader of a log of ``size`` bytes counts as hung."""
    return PATIENCE_S + size / SLOWEST_BYTES_S


def out_of_memory(path: object) -> InputError:
    """The error for a log whose reader asks for more memory than it may have."""
    return InputError(
        "its reader asked for more memory than a log of this size can need", where=str(path),
        do_next="the file may be damaged: have the rig write it again, or take a copy of it",
    )  # fmt: skip
