"""Check the heaps in which an HDF5 file keeps texts of variable length, before the library reads one.

A damaged size in a heap lets the library go round in a circle for ever, or read beyond the heap.
Layout: HDF5 File Format Specification 3.0, III.E "Disk Format: Level 1E - Global Heap".
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any

from benchpipe.errors import InputError
from benchpipe.readers.log_file import CHUNK, open_log

MARK = b"GCOL\x01"
HEADER = 16  # of a heap, and of each text in it, in steps of 8 bytes


def heaps_must_be_sound(path: Path, content: Any) -> None:
    """Refuse a file of which a heap is damaged.

    Parameters
    ----------
    path : Path
    content : h5py.File
        The same file, open.

    Raises
    ------
    InputError
        Names the place in the file.
    """
    _, width = content.id.get_create_plist().get_sizes()
    with open_log(path) as file:
        size = os.fstat(file.fileno()).st_size
        place = next((place for place in list(_places(file)) if not _is_sound(file, place, size, width)), None)
    if place is not None:
        raise InputError(
            "its texts of no fixed length are damaged", where=path, got=f"an unsound heap at byte {place:,}",
            do_next="have the rig write the file again, or take a copy of it",
        )  # fmt: skip


def _places(file: IO[bytes]) -> Iterator[int]:
    """Where heaps begin."""
    done, kept = 0, b""
    while data := file.read(CHUNK):
        piece = kept + data
        at = piece.find(MARK)
        while at >= 0:
            yield done - len(kept) + at
            at = piece.find(MARK, at + 1)
        kept = piece[1 - len(MARK) :]
        done += len(data)


def _is_sound(file: IO[bytes], place: int, size: int, width: int) -> bool:
    """Whether the texts of a heap follow one another to its end. ``width``: bytes of a length in this file."""
    file.seek(place + 8)
    length = int.from_bytes(file.read(width), "little")
    if not HEADER < length <= size - place:
        return False
    file.seek(place)
    heap = file.read(length)
    at = HEADER
    while at + HEADER <= length:
        number = int.from_bytes(heap[at : at + 2], "little")
        long = int.from_bytes(heap[at + 8 : at + 8 + width], "little")
        step = HEADER + (long + 7) // 8 * 8 if number else long  # what is free counts its own header
        if step < HEADER or at + step > length:
            return False
        at += step
    return True
