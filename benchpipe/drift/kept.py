"""What a watch keeps of a block: its bins as a table, the rest as a typed state."""

from __future__ import annotations

from collections.abc import Mapping
from math import isnan, nan
from typing import Any

import numpy as np
import pyarrow as pa
from pydantic import Field

from benchpipe.drift.entries import DayEntries
from benchpipe.drift.loops_kept import Reached
from benchpipe.store.state import State
from benchpipe.tables import schema

OF_MEASURES = ("count", "mean", "median", "scatter")
FRAME = ("measures", "width_s", "faults", "day")


class BlockDrift(State):
    """A block up to the end of its last whole day.

    Attributes
    ----------
    key : str
        Of its settings.
    until_us : int
        Cycles that begin there or later are wanted.
    read : tuple of str
        Parts of its table of cycles that hold earlier ones.
    complete : bool
        Its last day was taken for a whole one, since the plan asks for no more.
    seen : DayEntries
    watch : dict
        What the room keeps, without the bins; None where nothing was watched yet.
    bins : str
        Path of the part with the bins.
    noted : str
        Hash of the notes of its days.
    reached : Reached
        What decides which loops are kept.
    """

    key: str
    until_us: int
    read: tuple[str, ...] = ()
    complete: bool = False
    seen: DayEntries = Field(default_factory=DayEntries)
    watch: dict[str, object] | None = None
    bins: str = ""
    noted: str = ""
    reached: Reached = Field(default_factory=Reached)


class NotesHead(State):
    """The notes that were there: how many, and the SHA-256 of the last."""

    entries: int
    sha256: str


class DriftState(State):
    """What is kept of each block, by its name; and the notes on the run that were there."""

    blocks: dict[str, BlockDrift] = Field(default_factory=dict)
    notes: NotesHead | None = None


def bins_table(block: str, watch: Mapping[str, Any]) -> pa.Table:
    """The bins in rows, figure by figure."""
    figure: list[str] = []
    sizes: list[int] = []
    series: list[np.ndarray[Any, Any]] = []
    values: list[np.ndarray[Any, Any]] = []
    for name, listed in watch["bins"].items():
        if name in FRAME:
            continue
        array = np.atleast_2d(np.array(listed, np.float64))
        figure.append(name)
        sizes.append(array.size)
        series.append(np.repeat(np.arange(array.shape[0], dtype=np.int32), array.shape[1]))
        values.append(array.ravel())
    names = pa.DictionaryArray.from_arrays(
        pa.array(np.repeat(np.arange(len(figure), dtype=np.int32), sizes)), pa.array(figure)
    )
    columns = {
        "block": pa.array([block] * sum(sizes), pa.string()), "figure": names.cast(pa.string()),
        "series": pa.array(np.concatenate(series)), "value": pa.array(np.concatenate(values), from_pandas=True),
    }  # fmt: skip
    return pa.table(columns, schema=schema("drift_bins"))


def plain_watch(watch: Mapping[str, Any]) -> dict[str, object]:
    """A watch without the arrays of its bins, and without NaN, which JSON does not have."""
    frame = {name: watch["bins"][name] for name in FRAME}
    events = [
        {name: None if isinstance(v, float) and isnan(v) else v for name, v in event.items()}
        for event in watch["events"]
    ]
    frame |= {"measures": list(frame["measures"]), "faults": list(frame["faults"])}
    return {**watch, "bins": frame, "events": events}


def whole_watch(kept: Mapping[str, Any], bins: pa.Table) -> dict[str, Any]:
    """A watch as the room gave it."""
    figure = np.array(bins.column("figure").to_pylist())
    value = bins.column("value").combine_chunks().to_numpy(zero_copy_only=False)
    q = len(kept["bins"]["measures"])
    arrays: dict[str, Any] = {name: value[figure == name] for name in dict.fromkeys(figure.tolist())}
    arrays |= {name: arrays[name].reshape(q, -1) for name in OF_MEASURES}
    events = [{name: nan if v is None else v for name, v in event.items()} for event in kept["events"]]
    missing: dict[str, list[float]] = {name: [] for name in ("cell_s", "cell_c", "jumps_s")}
    return {**kept, "bins": {**missing, **arrays, **kept["bins"]}, "events": events}
