"""What a watch keeps of a block: its bins as a table, the rest as a typed state."""

from __future__ import annotations

from collections.abc import Mapping
from math import isnan, nan
from typing import Any, Literal

import numpy as np
import pyarrow as pa
from pydantic import Field

from benchpipe.drift.entries import DayEntries
from benchpipe.drift.loops_kept import Reached
from benchpipe.store.state import State
from benchpipe.tables import schema

OF_MEASURES = ("count", "mean", "median", "scatter")
FRAME = ("measures", "width_s", "faults", "day")


class KeptEvent(State):
    """An :class:`~benchpipe.drift.events.Event`; what is NaN there is None, since JSON has no NaN."""

    measure: str
    of: str
    kind: str
    cycle: float | None
    cycle_low: float | None
    cycle_high: float | None
    time_s: float | None
    low_s: float | None
    high_s: float | None
    size: float | None
    low: float | None
    high: float | None
    score: float | None
    threshold: float | None
    day: int
    number: int
    alarm: bool
    found: str


class BinsFrame(State):
    """What of the bins is no array: those are in a table."""

    measures: tuple[str, ...]
    width_s: float
    faults: tuple[str, ...]
    day: int


class KeptWatch(State):
    """What the watch over a block keeps: the frame of its bins, events, and the baseline of each measure.

    ``format`` is that of :mod:`benchpipe.drift.watch`: a watch of another one does not fit, and all is looked at again.
    """

    format: Literal[1]
    bins: BinsFrame
    events: tuple[KeptEvent, ...]
    baselines: tuple[tuple[str, int, int], ...]


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
    watch : KeptWatch
        None where nothing was watched yet.
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
    watch: KeptWatch | None = None
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


def plain_watch(watch: Mapping[str, Any]) -> KeptWatch:
    """A watch without the arrays of its bins, and without NaN."""
    events = tuple(
        KeptEvent.model_validate({n: None if isinstance(v, float) and isnan(v) else v for n, v in event.items()})
        for event in watch["events"]
    )
    frame = {name: watch["bins"][name] for name in FRAME}
    frame |= {name: tuple(frame[name]) for name in ("measures", "faults")}
    baselines = tuple((name, first, last) for name, first, last in watch["baselines"])
    return KeptWatch(format=watch["format"], bins=BinsFrame(**frame), events=events, baselines=baselines)


def whole_watch(kept: KeptWatch, bins: pa.Table) -> dict[str, Any]:
    """A watch as :meth:`benchpipe.drift.watch.Watch.to_json` gave it."""
    figure = np.array(bins.column("figure").to_pylist())
    value = bins.column("value").combine_chunks().to_numpy(zero_copy_only=False)
    q = len(kept.bins.measures)
    arrays: dict[str, Any] = {name: value[figure == name] for name in dict.fromkeys(figure.tolist())}
    arrays |= {name: arrays[name].reshape(q, -1) for name in OF_MEASURES}
    plain = kept.model_dump()
    events = [{name: nan if v is None else v for name, v in event.items()} for event in plain["events"]]
    missing: dict[str, list[float]] = {name: [] for name in ("cell_s", "cell_c", "jumps_s")}
    return {**plain, "bins": {**missing, **arrays, **plain["bins"]}, "events": events}
