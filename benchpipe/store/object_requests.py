"""Requests to an object store. One whose answer was lost is decided by reading back: own bytes mean that it was done.

A client repeats a request whose answer was lost, and gets "changed meanwhile" for its own write.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

from benchpipe.errors import StoreError
from benchpipe.store.object_client import TagChangedError, asked
from benchpipe.store.storage import StoredFile, Tagged

PIECE = 8 << 20  # bytes that are fetched at once
AT_ONCE = 500  # names in one request to remove


class Requests:
    """What is asked of an object store; names are relative to the prefix of the store.

    Parameters
    ----------
    client
        A store of ``obstore``.
    address : str
        For messages.
    """

    def __init__(self, client: Any, address: str) -> None:
        self._client = client
        self.address = address

    def get(self, name: str) -> Tagged:
        """Read an object. FileNotFoundError where there is none."""
        with asked(self.address, name):
            answer = self._client.get(name)
            return Tagged(bytes(answer.bytes()), str(answer.meta["e_tag"]))

    def stream(self, name: str) -> Iterator[bytes]:
        """Pieces of an object."""
        with asked(self.address, name):
            for piece in self._client.get(name).stream(min_chunk_size=PIECE):
                yield bytes(piece)

    def head(self, name: str) -> StoredFile | None:
        """Size, time and tag of an object; None where there is none."""
        try:
            with asked(self.address, name):
                return _entry(self._client.head(name))
        except FileNotFoundError:
            return None

    def put(self, name: str, data: bytes | Path) -> str:
        """Write an object, whatever is there: for names that say what the object holds."""
        with asked(self.address, name):
            return str(self._client.put(name, data)["e_tag"])

    def put_if(self, name: str, data: bytes, tag: str | None) -> str:
        """Write an object, if it is in a state; None: if there is none.

        Raises
        ------
        TagChangedError
            It is in another state, and does not hold these bytes.
        StoreError
            No answer, and it does not hold these bytes.
        """
        mode: Any = "create" if tag is None else {"e_tag": tag}
        try:
            with asked(self.address, name):
                return str(self._client.put(name, data, mode=mode, use_multipart=False)["e_tag"])
        except (TagChangedError, StoreError):
            there = self._own(name, data)
            if there is None:
                raise
            return there

    def _own(self, name: str, data: bytes) -> str | None:
        """Tag of an object that holds these bytes."""
        try:
            there = self.get(name)
        except FileNotFoundError:
            return None
        return there.tag if there.data == data else None

    def list(self, prefix: str) -> dict[str, StoredFile]:
        """Objects below a prefix, by their whole names."""
        with asked(self.address, prefix):
            return {str(one["path"]): _entry(one) for one in self._client.list(prefix or None).collect()}

    def top(self) -> tuple[dict[str, StoredFile], frozenset[str]]:
        """Objects right in the store, and the folders in it."""
        with asked(self.address):
            found = self._client.list_with_delimiter()
        objects = {str(one["path"]): _entry(one) for one in found["objects"]}
        return objects, frozenset(str(one).rstrip("/") for one in found["common_prefixes"])

    def copy(self, name: str, to: str) -> None:
        """Copy an object inside the store. FileNotFoundError where there is none."""
        with asked(self.address, name):
            self._client.copy(name, to)

    def delete(self, names: Iterable[str]) -> None:
        """Remove objects; those that are not there are no error."""
        rest = list(names)
        while rest:
            some, rest = rest[:AT_ONCE], rest[AT_ONCE:]
            try:
                with asked(self.address, some[0]):
                    self._client.delete(some)
            except FileNotFoundError:  # an object store of the memory says so
                continue


def _entry(meta: Any) -> StoredFile:
    when: datetime = meta["last_modified"]
    return StoredFile(int(meta["size"]), round(when.timestamp() * 1e6) * 1000, str(meta["e_tag"]))
