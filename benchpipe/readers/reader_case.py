"""Case of the reader kit: a reader, the function that writes its logs, and everything that it returned."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from benchpipe.config.rig import RigConfig
from benchpipe.readers.batch import RawBatch
from benchpipe.readers.registry import AnyReader, as_reader

RATE_HZ = 100.0
CHANNELS = MappingProxyType({"torque": "N*m", "angle": "deg", "temperature": "degC"})


class ReaderFaultError(AssertionError):
    """A reader broke one of its promises."""


@dataclass(frozen=True)
class ReaderCase:
    """A reader and how its logs are written.

    Parameters
    ----------
    read : callable
        ``read(path, file, rig)``, see :mod:`benchpipe.readers.registry`.
    write : callable
        ``write(path, table)`` writes a log. The table has float64 columns ``Time``, ``Torque``, ``Angle``,
        ``Temperature`` and at times others, in any order; null where the log is to have no value.
    folder : Path
        Empty folder for the logs.
    log : dict, optional
        The ``[log]`` of the rig file that reads them; ``format`` is not needed.
    suffix : str, optional
        Ending of the logs.
    tolerance : float, optional
        Relative difference that the format's own digits allow.
    nulls : bool, optional
        Whether the format can leave a cell without a value.
    null_times : bool, optional
        Whether the format can hold a row without a time.
    damage : bool, optional
        Whether a cut or damaged log is held to promise 5.
    """

    read: AnyReader
    write: Callable[[Path, pa.Table], None]
    folder: Path
    log: dict[str, Any] = field(default_factory=dict)
    suffix: str = ".log"
    tolerance: float = 0.0
    nulls: bool = True
    null_times: bool = True
    damage: bool = True

    def rig(self, *, kind: str = "elapsed", columns: dict[str, str] | None = None) -> RigConfig:
        """Rig file of the logs; ``columns`` gives other columns than the channels' own."""
        own = {name: name.capitalize() for name in CHANNELS} | (columns or {})
        channels = [{"name": name, "column": own[name], "unit": unit} for name, unit in CHANNELS.items()]
        return RigConfig.model_validate({
            "name": "reader kit", "log": self.log, "channel": channels,
            "time": {"kind": kind, "column": own.get("time", "Time"), "sample_rate": f"{RATE_HZ} Hz"},
            "load": {"channel": "torque"}, "motion": {"channel": "angle"},
        })  # fmt: skip

    def written(self, table: pa.Table, name: str = "log") -> Path:
        """Write a table as a log."""
        path = self.folder / (name + self.suffix)
        self.write(path, table)
        return path

    def result(self, path: Path, rig: RigConfig | None = None) -> ReadResult:
        """Read a log whole."""
        with path.open("rb") as file:
            return ReadResult.of(as_reader(self.read)(path, file, rig or self.rig()))


@dataclass(frozen=True)
class ReadResult:
    """All that a reader gave: arrays over all batches, and the rejects."""

    row: NDArray[np.int64]
    time: NDArray[Any]
    channels: dict[str, NDArray[np.float64]]
    rejects: list[tuple[int, int, str]]

    @classmethod
    def of(cls, batches: Iterator[RawBatch]) -> ReadResult:
        """Join batches, each verified against its own shape."""
        rows, times, rejects = [np.empty(0, np.int64)], [], []
        columns: dict[str, list[NDArray[np.float64]]] = {name: [np.empty(0)] for name in CHANNELS}
        for batch in batches:
            must(set(batch.channels) == set(CHANNELS), f"channels {sorted(batch.channels)}, not {sorted(CHANNELS)}")
            for name, values in {"row": batch.row, "time": batch.time, **batch.channels}.items():
                shapes = f"'{name}' has the shape {values.shape}, row {batch.row.shape}"
                must(values.shape == (len(batch.row),), shapes)
            for name, values in batch.channels.items():
                must(values.dtype == np.float64, f"'{name}' is {values.dtype}, not float64")
                must(not np.isinf(values).any(), f"'{name}' is infinite somewhere: no value is NaN")
                columns[name].append(values)
            rows.append(batch.row)
            times.append(batch.time)
            rejects += [(reject.row, reject.rows, reject.reason) for reject in batch.rejects]
        joined = {name: np.concatenate(parts) for name, parts in columns.items()}
        return cls(np.concatenate(rows), np.concatenate(times) if times else np.empty(0), joined, rejects)

    @property
    def rejected(self) -> int:
        """Rows that were not taken."""
        return sum(rows for _, rows, _ in self.rejects)


def must(holds: bool, fault: str) -> None:
    """Raise the fault unless it holds."""
    if not holds:
        raise ReaderFaultError(fault)
