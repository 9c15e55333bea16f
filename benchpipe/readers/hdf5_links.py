"""Refuse HDF5 files that take data from other files, by name, before the library opens any of them.

External storage lets a log read any file of the machine, and a virtual data set that names itself ends the process.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

from benchpipe.errors import InputError
from benchpipe.readers.extras import load_extra

DEEPEST = 50  # groups in one another: each is opened again for what is in it
MOST_IN_ONE = 10_000  # names in one group


def must_stand_alone(path: Path, content: Any) -> None:
    """Refuse a file with links to others, with data sets whose numbers are not in themselves, or with endless names.

    Parameters
    ----------
    path : Path
    content : h5py.File

    Raises
    ------
    InputError
        Names the first.
    """
    h5py = load_extra("h5py", "hdf5")
    links: list[tuple[bytes, int]] = []
    content.id.links.visit(lambda name, link: links.append((name, link.type)), info=True)
    _must_be_few(path, [name for name, _ in links])
    for name, kind in links:
        what = None
        if kind == h5py.h5l.TYPE_HARD and h5py.h5o.get_info(content.id, name).type == h5py.h5o.TYPE_DATASET:
            how = h5py.h5d.open(content.id, name).get_create_plist()
            if how.get_external_count():
                what = "has its numbers in another file"
            elif how.get_layout() == h5py.h5d.VIRTUAL:
                what = "is made of other data sets (a virtual one)"
        elif kind not in (h5py.h5l.TYPE_HARD, h5py.h5l.TYPE_SOFT):
            what = "is a link to another file"
        if what is not None:
            raise InputError(
                f"'{name.decode('utf-8', 'replace')}' {what}: such a log is not read", where=path,
                expected="an HDF5 file that holds all its numbers itself",
                do_next="have the rig write one file, or copy all into one with the program that made it",
            )  # fmt: skip


def _must_be_few(path: Path, names: list[bytes]) -> None:
    deepest = max((name.count(b"/") for name in names), default=0)
    in_one = max(Counter(name.rpartition(b"/")[0] for name in names).values(), default=0)
    if deepest > DEEPEST or in_one > MOST_IN_ONE:
        raise InputError(
            f"the file has {deepest:,} groups in one another, and {in_one:,} names in one group", where=path,
            expected=f"at most {DEEPEST} and {MOST_IN_ONE:,}", do_next="it is no log of a rig: remove it",
        )  # fmt: skip
