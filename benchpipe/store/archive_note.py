"""Whether a run's tables are in the store, or in an archive."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Literal, NamedTuple

from benchpipe.errors import StoreError
from benchpipe.escapes import quoted
from benchpipe.store.open_storage import keep_file, pulled

NOTE = "archived.json"
SUMS = "SHA256SUMS"


class Away(NamedTuple):
    """Note in a run's folder. ``leaving`` the store is done: ``archive`` holds the run, and what is still here
    counts no more. ``back``: the run is here again, and what is still in ``archive`` counts no more.

    ``verdicts`` are the rows of that table as they were then, and ``signed`` says who stood up for them: a lab
    asks for them when the archive lies on a shelf. None: the note of an older program has none.
    """

    state: Literal["leaving", "back"]
    archive: Path
    sums_sha256: str
    since: str
    verdicts: tuple[dict[str, Any], ...] | None = None
    signed: str = ""


def read_away(folder: Path) -> Away | None:
    """The note of a run's folder, if there is one.

    Raises
    ------
    StoreError
        It is not what was written.
    """
    pulled(folder)
    try:
        note = json.loads((folder / NOTE).read_bytes())
        if note["state"] not in ("leaving", "back"):
            raise ValueError(f"state {note['state']!r}")
        rows = note.get("verdicts")
        verdicts = None if rows is None else tuple(dict(row) for row in rows)
        place = Path(note["archive"])
        return Away(note["state"], place, note["sums_sha256"], note["since"], verdicts, note.get("signed", ""))
    except (FileNotFoundError, NotADirectoryError):
        return None
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise StoreError(
            f"the note on where the run's archive is cannot be read: {error}",
            where=folder / NOTE,
            do_next="fetch the run by naming its archive: benchpipe restore RUN --from DIR",
        ) from None


def write_away(folder: Path, note: Away) -> None:
    """Write the note, all or nothing."""
    document = note._asdict() | {"archive": str(note.archive)}
    keep_file(folder / NOTE, json.dumps(document, indent=1).encode())


def must_be_here(folder: Path) -> None:
    """Refuse to work on a run whose tables are in an archive.

    Raises
    ------
    StoreError
        Says where they are.
    """
    away = read_away(folder)
    if away is not None and away.state == "leaving":
        raise StoreError(
            f"run '{folder.name}' is in the archive since {away.since[:10]}",
            where=away.archive / folder.name,
            do_next=f"look at it: benchpipe show RUN --store {quoted(away.archive)}; "
            "or bring it back: benchpipe restore RUN",
        )


def must_be_no_archive(folder: Path) -> None:
    """Refuse to change a run that is in an archive.

    Raises
    ------
    StoreError
        It is one.
    """
    if (folder / SUMS).exists():
        raise StoreError(
            f"run '{folder.name}' is in an archive there, which is only read",
            where=folder,
            do_next=f"bring it back first: benchpipe restore {folder.name} --from {quoted(folder.parent)} --lab LAB",
        )
