"""The rejects of a log on their way into the store, as stretches, in bounded memory."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import ExitStack
from types import TracebackType
from typing import Self

import pyarrow as pa

from benchpipe.readers.batch import Reject
from benchpipe.store.manifest import Part
from benchpipe.store.parts import PartWriter, new_part
from benchpipe.store.run_store import RunStore
from benchpipe.tables import schema

AT_ONCE = 50_000


class RejectWriter:
    """Writes the rejects of one log as a part; neighbours of one reason become one stretch.

    Attributes
    ----------
    rows : int
        Rows of the log that were rejected.
    first : Reject or None
    """

    def __init__(self, store: RunStore, file: str) -> None:
        self._store, self._file = store, file
        self._waiting: list[Reject] = []
        self._writer: PartWriter | None = None
        self._open = ExitStack()
        self.rows = 0
        self.first: Reject | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._open.__exit__(kind, error, trace)  # a failing write is reported as the part's own error

    def add(self, rejects: Iterable[Reject]) -> None:
        """Add rejects in the order of the log."""
        waiting = self._waiting
        last = waiting[-1] if waiting else None
        for one in rejects:
            self.rows += one.rows
            if last is not None and last.row + last.rows == one.row and _alike(last, one):
                last = waiting[-1] = Reject(last.row, last.rows + one.rows, last.reason, last.text)
            else:
                waiting.append(one)
                last = one
        self.first = self.first or (waiting[0] if waiting else None)
        if len(self._waiting) > AT_ONCE:
            self._write(keep=1)

    def _write(self, keep: int) -> None:
        if self._writer is None:
            self._writer = self._open.enter_context(new_part(self._store.folder, "rejects", schema("rejects")))
        done = len(self._waiting) - keep
        self._writer.write(rejects_table(self._file, self._waiting[:done]))
        del self._waiting[:done]

    def finish(self, key: str) -> list[Part]:
        """The part, if there were any."""
        if self._waiting:
            self._write(keep=0)
        return [self._writer.finish(key)] if self._writer is not None else []


def _alike(one: Reject, other: Reject) -> bool:
    """Whether two rejects are of one kind: of lines without a number, a blank one is no row, empty cells are."""
    return one.reason == other.reason and bool((one.text or "").strip()) == bool((other.text or "").strip())


def rejects_table(file: str, rejects: list[Reject]) -> pa.Table:
    """Rejects as rows of the rejects table."""
    columns = {
        "file": pa.array([file] * len(rejects), pa.string()),
        "row": pa.array([r.row for r in rejects], pa.int64()),
        "rows": pa.array([r.rows for r in rejects], pa.int64()),
        "reason": pa.array([r.reason for r in rejects], pa.string()),
        "text": pa.array([r.text for r in rejects], pa.string()),
    }
    return pa.table(columns, schema=schema("rejects"))
