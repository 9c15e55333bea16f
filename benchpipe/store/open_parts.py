"""Parts kept open while threads read them: opening one for each row group costs a tenth of the reading."""

from __future__ import annotations

import threading
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

from benchpipe.store.manifest import Part
from benchpipe.store.parts import open_part

if TYPE_CHECKING:
    import pyarrow.parquet as pq


class OpenParts:
    """The part that each thread reads at present; all are closed at the end."""

    def __init__(self, run_folder: Path) -> None:
        self.folder = run_folder
        self._own = threading.local()
        self._all: dict[int, pq.ParquetFile] = {}

    def __enter__(self) -> OpenParts:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        while self._all:
            self._all.popitem()[1].close()

    def open(self, part: Part, meta: pq.FileMetaData) -> pq.ParquetFile:
        """This thread's reader of a part, which an earlier opening has verified against its hash.

        Raises
        ------
        DamageError, StoreError
            As :func:`open_part`.
        """
        if getattr(self._own, "part", None) is not part:
            if hasattr(self._own, "file"):
                self._own.file.close()
            self._own.part = None
            self._own.file = open_part(self.folder, part, meta)
            self._own.part = part
            self._all[threading.get_ident()] = self._own.file
        file: pq.ParquetFile = self._own.file
        return file
