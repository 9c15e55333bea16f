"""Where a store keeps its files: a folder, or an object store.

Names are relative to the store, with ``/``: ``healthy/manifest.json``. Whoever changes a file that others may change
too names the state that the change was made from (its *tag*): so no job undoes the work of another without a word.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, Protocol

if TYPE_CHECKING:
    from benchpipe.store.manifest import Manifest, Part


class StoredFile(NamedTuple):
    """A stored file: bytes, when it was written by the clock of where it is [ns since 1970], and its tag."""

    size: int
    modified_ns: int
    tag: str


class Tagged(NamedTuple):
    """Bytes of a stored file, and the tag of this state of it."""

    data: bytes
    tag: str


@dataclass(frozen=True)
class RunChange:
    """A commit of a run: its manifest before (with the tag of that) and after, and the document of the new one."""

    before: Manifest
    after: Manifest
    tag: str | None
    document: bytes


class Storage(Protocol):
    """What a store needs of the place where its files are."""

    def pull(self, run: str = "", *, every: bool = False) -> None:
        """Have the small files of a run (of the store itself: ``""``) in the local folder, once until :meth:`forget`.

        Parameters
        ----------
        every : bool
            All of them are read again, whatever is known of them.
        """

    def forget(self, run: str | None = None) -> None:
        """Pull a run again when it is next asked for; all of them without a name."""

    def read(self, name: str) -> Tagged:
        """Read a small file and the tag of its state. FileNotFoundError where there is none."""

    def keep(self, name: str, data: bytes) -> None:
        """Write a small file whole, if it is still in the state that was read last. StoreBusyError where it is not."""

    def commit(self, change: RunChange) -> None:
        """Add the new parts of a run, then the copy of its manifest, then replace the manifest by condition."""

    def list(self, folder: str) -> Mapping[str, StoredFile]:
        """Files right in a folder, by their last name."""

    def exists(self, name: str) -> bool:
        """Whether there is such a file, or a folder with files."""

    def runs(self) -> frozenset[str]:
        """Names of the folders of runs."""

    def confirm(self, name: str) -> StoredFile | None:
        """A file that a listing did not have."""

    def fetch(self, run: str, part: Part, *, again: bool = False) -> Path:
        """Path of a part on this machine; where it was fetched for that, it was verified against its hash.

        Parameters
        ----------
        again : bool
            Fetch it though it is here: that copy is damaged.
        """

    def stat_and_hash(self, name: str, size: int) -> tuple[int, str]:
        """Bytes and SHA-256 of a file as it is stored now, not as this machine remembers it; the hash is not made
        where the size is another one."""

    def looked_at(self, run: str, newest_ns: int) -> None:
        """Note that all parts of a run that were written up to a time are sound."""

    def move(self, name: str, to: str) -> None:
        """Give a file, or a folder with its files, another name. FileNotFoundError where there is none."""

    def remove(self, names: Iterable[str]) -> None:
        """Remove files; those that are not there are no error."""

    def fetch_all(self, run: str) -> None:
        """Have every file of a run in the local folder."""

    def must_have_conditions(self) -> None:
        """Refuse a server that writes over a file though another state was named. StoreError."""

    def trim(self) -> None:
        """Keep to the limit of what is held on this machine; the caller holds the store."""

    def send_all(self, run: str, names: Iterable[str]) -> None:
        """Store files of a run from the local folder, in this order."""
