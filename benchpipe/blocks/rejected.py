"""Rejected rows of a block's logs: which of them are lost rows, and between which samples they lie."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from benchpipe.blocks.state import RejectState
from benchpipe.samples.inputs import SampleInput
from benchpipe.samples.lost import Losses, Whole, merged, no_losses
from benchpipe.samples.stream import matches, stream_samples
from benchpipe.store.early_rows import early_rejects
from benchpipe.store.files import natural_order
from benchpipe.store.manifest import EARLY_ROWS, Manifest, Part, Placed, Source, key_of
from benchpipe.store.run_store import RunStore

EMPTY = "empty line"
HEADERS = ("header repeated", "a header: other columns from here")
TORN = ("the last line has no line end", "the packed log has no end")
NO_MODE = np.inf  # equals no mode
BEFORE_ALL: int = np.iinfo(np.int64).min + 1


@dataclass(frozen=True)
class Rejected:
    """Rejected rows of one log.

    Attributes
    ----------
    file : str
    parts : tuple of Part
        Of the rejects, in the order of the log, the last may be the ``tail``; and of its early rows, which are late.
    tail : Part or None
        Rejects that a log which grows may take back.
    late : tuple of (row, rows)
        Samples of the log at times that were over in the logs before.
    thin : tuple of int
        Rows before which rows are missing: a stamp of a coarse clock lacks some.
    again : tuple of (row, rows)
        Early rows that are in the logs before, and not lost.
    after : str or None
        Of a log without samples: the log before it by name, of those that have some.
    place : int or None
        Number of the logs before it that have samples; None where the log has none.
    """

    file: str
    parts: tuple[Part, ...]
    tail: Part | None
    late: tuple[tuple[int, int], ...]
    thin: tuple[int, ...]
    again: tuple[tuple[int, int], ...]
    after: str | None
    place: int | None

    @property
    def settled(self) -> list[str]:
        """Identity of the rejects that stay when the log grows."""
        own = [part.sha256 for part in self.parts if part != self.tail]
        if self.again or self.thin:
            return [*own, key_of([self.late, self.again, self.thin])]
        return [*own, key_of(self.late)] if self.late else own


def rejected_rows(manifest: Manifest, patterns: tuple[str, ...] = ("*",)) -> list[Rejected]:
    """Rejected rows of the logs that match a pattern, in the order of the logs.

    A log whose samples all stand in other logs too has none: its rejects stand there too.
    """
    left_out = {place.file: place.left_out for place in manifest.placed}
    sources = [source for source in manifest.sources if matches(source.file, patterns)]
    kept = sorted((s.file for s in sources if left_out[s.file] < s.samples), key=natural_order)
    places = {place.file: place for place in manifest.placed}
    found = []
    place = 0
    for source in sources:
        if 0 < source.samples <= left_out[source.file]:
            continue
        before = [] if source.samples else [f for f in kept if natural_order(f) < natural_order(source.file)]
        one = _rejected(source, places[source.file], before[-1] if before else None, place if source.samples else None)
        found += [one] if one.parts or one.late or one.thin else []
        place += source.samples > 0
    return found


def _rejected(source: Source, placed: Placed, after: str | None, place: int | None) -> Rejected:
    parts = tuple(part for part in source.parts if part.table in ("rejects", EARLY_ROWS))
    return Rejected(source.file, parts, source.tail, placed.late, placed.thin, placed.early, after, place)


def identity_of(rejected: Sequence[Rejected], inputs: Sequence[SampleInput]) -> RejectState:
    """Identity of the rejects of a block."""
    return RejectState(
        logs=len({one.file for one in inputs}),
        rejects=tuple((log.place, one) for log in rejected if log.place is not None for one in log.settled),
        tails=tuple(log.tail.sha256 for log in rejected if log.tail),
        empty=tuple((log.after, one) for log in rejected if log.place is None for one in log.settled),
    )


def only_added(known: RejectState, now: RejectState) -> bool:
    """Whether rejects only came after all samples that were there: in the last log, or in later ones."""
    old, new = known.rejects, now.rejects
    added = new[len(old) :]
    return known.empty == now.empty and old == new[: len(old)] and all(place >= known.logs - 1 for place, _ in added)


@dataclass(frozen=True)
class _Stretches:
    """Lost rows of one log: first row, number of rows, and whether the line may be half-written."""

    row: Whole
    rows: Whole
    torn: NDArray[np.bool_]

    def select(self, which: NDArray[np.bool_]) -> _Stretches:
        return _Stretches(self.row[which], self.rows[which], self.torn[which])


def reject_losses(
    store: RunStore,
    inputs: list[SampleInput],
    rejected: Sequence[Rejected],
    channel: str | None = None,
    mode: int | None = None,
    from_us: int | None = None,
) -> Losses:
    """Where rejected rows are missing among the samples of a block.

    Headers and blank lines are no rows. A line without an end after which no sample comes may be half-written, and
    is no row yet.

    Parameters
    ----------
    store : RunStore
    inputs : list of SampleInput
        The block's samples. Only of logs with rejects are rows read.
    rejected : sequence of Rejected
    channel, mode : str and int, optional
        Channel of the mode, and the block's mode: rows count where a sample next to them has that mode, or none.
    from_us : int, optional
        Only losses after the sample at this time are wanted.
    """
    found = []
    for one in rejected:
        own = [place for place, source in enumerate(inputs) if source.file == one.file]
        lost = _lost_stretches(store, one, [inputs[place] for place in own])
        if not lost.row.size:
            continue
        if own:
            found.append(_placed(store, inputs, own, lost, channel if mode is not None else None, mode, from_us))
        else:
            found.append(Losses(np.full(lost.row.size, _after(inputs, one.after)), lost.rows))
    losses = merged(found) if found else no_losses()
    return losses if from_us is None else losses.after(from_us)


def _after(inputs: list[SampleInput], file: str | None) -> int:
    """Time just after the last sample of a log."""
    ends = [source.last_us for source in inputs if source.file == file and source.last_us is not None]
    return ends[-1] + 1 if ends else BEFORE_ALL


def _lost_stretches(store: RunStore, one: Rejected, own: list[SampleInput]) -> _Stretches:
    """Lost rows of a log, in its order."""
    own_parts = [part for part in one.parts if part.table == "rejects"]
    table = store.read_parts(own_parts, "rejects", ["row", "rows", "reason", "text"])
    early = early_rejects(store, one.parts, one.again)
    lost, torn = _kinds(table)
    lost, torn = np.append(lost, np.ones(early.size, bool)), np.append(torn, np.zeros(early.size, bool))
    row = np.append(np.asarray(table.column("row"), np.int64), early)
    rows = np.maximum(np.asarray(table.column("rows"), np.int64), 1)  # a log without an end lost something
    rows = np.append(rows, np.ones(early.size, np.int64))
    repeated_until = _last_left_out(store, own) if row.size else None
    if repeated_until is not None:  # these rows stand in another log too
        lost &= row > repeated_until
    late = np.array([*one.late, *((first, 1) for first in one.thin)], np.int64).reshape(-1, 2)
    all_of = _Stretches(
        np.concatenate((row[lost], late[:, 0])),
        np.concatenate((rows[lost], late[:, 1])),
        np.concatenate((torn[lost], np.zeros(len(late), bool))),
    )
    order = np.argsort(all_of.row, kind="stable")
    return _Stretches(all_of.row[order], all_of.rows[order], all_of.torn[order])


def _kinds(table: pa.Table) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which rejects are lost rows, and which may be half-written lines."""
    if not table.num_rows:
        return np.empty(0, bool), np.empty(0, bool)
    coded = table.column("reason").combine_chunks().dictionary_encode()
    code, reasons = np.asarray(coded.indices), coded.dictionary.to_pylist()
    lost = np.array([reason not in HEADERS for reason in reasons], bool)[code]
    torn = np.array([reason.startswith(TORN) for reason in reasons], bool)[code]
    empty = np.array([reason == EMPTY for reason in reasons], bool)[code]
    if empty.any():  # separators alone are a row without a value
        at = np.flatnonzero(empty)
        lost[at] = [bool((text or "").strip("\x00\x1a \t\r\n")) for text in table.column("text").take(at).to_pylist()]
    return lost, torn


def _last_left_out(store: RunStore, own: list[SampleInput]) -> int | None:
    """Last row at the beginning of a log whose sample is in another log too."""
    if not own or own[0].after_us is None:
        return None
    whole = [replace(one, after_us=None) for one in own]
    last = None
    for batch in stream_samples(store.folder, whole, ["row"], until_us=own[0].after_us):
        last = int(batch.columns["row"][-1]) if batch.time_us.size else last
    return last


def _placed(
    store: RunStore, inputs: list[SampleInput], own: list[int], lost: _Stretches, channel: str | None,
    mode: int | None, from_us: int | None,
) -> Losses:  # fmt: skip
    """Losses of a log that has samples."""
    key = np.empty(lost.row.size, np.int64)
    modes = np.full((2, lost.row.size), NO_MODE)  # of the samples before and after
    columns = ["row", channel] if channel is not None else ["row"]
    done, last_us, last_mode = 0, None, NO_MODE
    for batch in stream_samples(store.folder, [inputs[place] for place in own], columns, from_us):
        time, row = batch.time_us, batch.columns["row"]
        if not time.size:
            continue
        if channel is not None and last_us is None and lost.row[0] < row[0]:
            last_mode = _mode_beside(store, inputs[: own[0]], channel, last=True)
        end = int(np.searchsorted(lost.row, row[-1]))
        following = np.searchsorted(row, lost.row[done:end])
        key[done:end] = time[following]
        if channel is not None:
            shown = np.concatenate(([last_mode], batch.columns[channel]))
            modes[:, done:end] = shown[following], shown[following + 1]
            last_mode = float(shown[-1])
        done, last_us = end, int(time[-1])
    if last_us is None:  # all before the samples that are wanted
        return no_losses()
    key[done:] = last_us + 1
    keep = np.ones(lost.row.size, bool)
    if own[-1] == len(inputs) - 1:
        keep[done:] = ~lost.torn[done:]
    if channel is not None:
        modes[0, done:] = last_mode
        if done < lost.row.size:
            modes[1, done:] = _mode_beside(store, inputs[own[-1] + 1 :], channel, last=False)
        keep &= ((modes == mode) | np.isnan(modes)).any(axis=0)
    return Losses(key[keep], lost.rows[keep])


def _mode_beside(store: RunStore, inputs: list[SampleInput], channel: str, *, last: bool) -> float:
    """Mode of the last or first sample of some inputs; that of no sample where there is none."""
    for source in reversed(inputs) if last else inputs:
        found = None
        for batch in stream_samples(store.folder, [source], [channel], source.last_us if last else None):
            if batch.time_us.size:
                found = float(batch.columns[channel][-1 if last else 0])
                if not last:
                    break
        if found is not None:
            return found
    return NO_MODE
