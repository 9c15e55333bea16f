"""Next action where the system refuses a write: it differs for each kind of refusal."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from benchpipe.errors import DamageError, StoreError

# Refusals that may pass by themselves or after a person acts, so that the same command can work then.
_PASSES = {
    errno.ENOSPC: "free space on that disk and run again; nothing was lost",
    errno.EDQUOT: "the quota is used up: free space and run again; nothing was lost",
    errno.EACCES: "give this account the right to write there",
    **dict.fromkeys(
        (errno.EIO, errno.ESTALE, errno.ETIMEDOUT, errno.ENOTCONN, errno.EHOSTDOWN, errno.ENXIO, errno.ENODEV),
        "see that the disk or share answers, then run again; nothing was lost",
    ),
    **dict.fromkeys(
        (errno.EBUSY, errno.ETXTBSY), "another program has it: when that has let go, run again; nothing was lost"
    ),
    **dict.fromkeys(
        (errno.EMFILE, errno.ENFILE), "too many files are open: let this account open more (ulimit -n), and run again"
    ),
}
# What stays as it is, however often it is tried.
_STAYS = {
    errno.EPERM: "no file may be made there (a file system of the system's own, or a locked folder)",
    errno.EROFS: "the disk is read-only",
    errno.EEXIST: "a file is there already",
    errno.ENOTDIR: "a file is in the path",
    errno.EISDIR: "a folder is there already",
    errno.ENOENT: "no folder can be made there",
    errno.ENAMETOOLONG: "the path is too long",
    errno.ELOOP: "links in the path lead round in a circle",
    errno.EFBIG: "that disk takes no file so large",
    **dict.fromkeys(
        (errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP),
        "that file system cannot do what is needed, or takes no such name",
    ),
}


def advice(error: OSError, another: str) -> str:
    """What a person can do about a refused write; ``another`` is what can be named instead."""
    number = error.errno or 0
    if number in _STAYS:
        return f"{_STAYS[number]}: {another}"
    return _PASSES.get(number, f"fix what the system says and run again, or {another}; nothing was lost")


@contextmanager
def refused(where: Path, another: str) -> Iterator[None]:
    """Tell a refused write with what can be done about it, whoever met it.

    Raises
    ------
    StoreError
        The system refused; its cause is the ``OSError``.
    """
    try:
        yield
    except StoreError as error:
        here = error.where in (str(where), str(where.parent))
        if not here or not isinstance(error.__cause__, OSError):
            raise
        raise StoreError(error.what, where=where, do_next=advice(error.__cause__, another)) from error.__cause__
    except OSError as error:
        what = f"it cannot be written there: {error.strerror or error}"
        raise StoreError(what, where=where, do_next=advice(error, another)) from error


def damaged(path: Path, why: str) -> DamageError:
    """A part that is not what was written."""
    return DamageError(
        f"a file of the store is damaged or missing ({why})",
        where=path,
        do_next="it is set aside and rebuilt from the logs by: benchpipe nightly LAB",
    )
