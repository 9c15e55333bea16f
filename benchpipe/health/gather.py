"""Gather the facts of the health rules from a run's manifest, the last rows of its tables and the times of its logs.

Nothing is written: health depends on the hour, and the store does not.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from fnmatch import fnmatch
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.cyclic.remarks import count_cycles
from benchpipe.blocks.cyclic.sums import REMARK_COLUMNS
from benchpipe.blocks.registry import kind_of
from benchpipe.columns import floats
from benchpipe.config.rig import RigConfig
from benchpipe.config.watching import HealthConfig
from benchpipe.errors import InputError
from benchpipe.health.facts import ChannelTail, CycleTail, RunFacts
from benchpipe.health.growth import growth
from benchpipe.health.now import in_us, now_us, tells_zone, wall
from benchpipe.ingest.logs import find_logs
from benchpipe.plan import Block
from benchpipe.run import RunConfig
from benchpipe.samples.inputs import SampleInput, sample_inputs
from benchpipe.samples.stream import matches, stream_samples
from benchpipe.store.manifest import Manifest, Source
from benchpipe.store.pauses import RunClock
from benchpipe.store.run_store import RunStore
from benchpipe.store.tails import last_rows_of

if TYPE_CHECKING:
    import pyarrow as pa

COLUMNS = [*dict.fromkeys([*REMARK_COLUMNS, "period_s"])]
ROWS = 1 << 16  # of the samples that are looked back through
MOVES = 0.1  # of its largest size: a signal that moves by so much moves


def watched(run: str, config: HealthConfig) -> bool:
    """Whether the health of a run is looked at."""
    return any(fnmatch(run, pattern) for pattern in config.watch)


def run_facts(
    run: RunConfig, manifest: Manifest, store: RunStore, config: HealthConfig, now: datetime
) -> RunFacts | None:
    """Facts of a run; None where it has no samples yet, or it was signed off.

    Raises
    ------
    StoreError
        A part of the store is damaged.
    """
    last = _last(manifest)
    if last is None or manifest.approved or manifest.closed:
        return None
    seen_us, by_row = _last_row(run.rig, last)
    at_us = now_of(run.rig, now) if by_row else in_us(wall(now))
    written_us = _written_since(run, manifest, last) if at_us - seen_us > 1e6 * config.stopped_after else None
    if written_us is not None:
        seen_us, by_row, at_us = written_us, False, in_us(wall(now))
    tail = _samples(store, manifest, last, run.rig)
    blocks = _blocks(run, last, tail)
    cyclic = next((b for b in blocks if isinstance(b, CyclicBlock)), None)
    over = _over(blocks, run, manifest, store)
    cycles = _cycles(cyclic, run.rig, manifest, store, config) if cyclic and not over else None
    alone = len(blocks) == 1 and written_us is None
    return RunFacts(
        now_us=at_us,
        today=wall(now).date(),
        seen_us=seen_us,
        by_row=by_row,
        block=(cyclic or blocks[0]).name if blocks else "",
        over=over,
        standing_s=_standing(cycles, _end(manifest, last), RunClock.of(manifest)) if cycles and alone else float("nan"),
        cycles=cycles,
        channels=tuple(_still(tail, blocks, run.rig)) if not over else (),
        due=tuple((c.name, c.due) for c in run.rig.channel if c.due is not None),
        a_day=0.0 if over else growth(manifest),
        longest_cycle_s=cycles.block.longest_cycle_s if cycles else 0.0,
    )


def now_of(rig: RigConfig, now: datetime) -> int:
    """Now [µs] by a rig's clock: local time as the rig's log writes it, or UTC where the log tells which."""
    return now_us(now, utc=tells_zone(rig.time.format))


def _last(manifest: Manifest) -> Source | None:
    """The log that the run's last samples are of."""
    own = (s for s in manifest.sources if s.samples and not s.second)
    return max(own, key=lambda s: _end(manifest, s), default=None)


def _end(manifest: Manifest, source: Source) -> int:
    """Time of a log's last sample on the run's axis [µs]."""
    return (source.last_us or 0) + next(p.shift_us for p in manifest.placed if p.file == source.file)


def _last_row(rig: RigConfig, last: Source) -> tuple[int, bool]:
    """When the last row was written, by the rig's clock (true), or by its file where that shows no dates."""
    if rig.time.dated and last.native_last_us is not None:
        return last.native_last_us, True
    return in_us(wall(datetime.fromtimestamp(last.mtime_ns / 1e9).astimezone())), False


def _written_since(run: RunConfig, manifest: Manifest, last: Source) -> int | None:
    """When the run's logs were last written, if that was after the store last looked; None if it was not."""
    known = {s.file for s in manifest.sources} - {last.file}
    times = []
    try:
        for name, path in find_logs(run).files.items():
            if name not in known:
                found = path.stat()
                if name != last.file or (found.st_size, found.st_mtime_ns) != (last.size, last.mtime_ns):
                    times.append(found.st_mtime_ns)
    except (OSError, InputError):  # the share is away: what the store knows is all there is
        return None
    return in_us(wall(datetime.fromtimestamp(max(times) / 1e9).astimezone())) if times else None


def _samples(store: RunStore, manifest: Manifest, last: Source, rig: RigConfig) -> dict[str, NDArray[Any]]:
    """The last samples of a log: ``time_us`` and its channels."""
    if rig.second is not None:
        return _joined_samples(store, sample_inputs(manifest, (last.file,))[-1:], rig)
    parts = [part for part in last.parts if part.table == "samples"]
    names = ["time_us", *(c.name for c in rig.channel if c.name != rig.counter)]
    rows = last_rows_of(store.folder, parts, names, 1)
    if rows is None:
        return {}
    return {name: np.asarray(rows.column(name).combine_chunks())[-ROWS:] for name in names}


def _joined_samples(store: RunStore, inputs: list[SampleInput], rig: RigConfig) -> dict[str, NDArray[Any]]:
    """The same where a rig has two loggers."""
    names = [c.name for c in rig.channel if c.name != rig.counter]
    since = [(one.last_us or 0) - round(1e6 * ROWS / rig.time.sample_rate) for one in inputs]
    batches = [b for b in stream_samples(store.folder, inputs, names, *since) if b.time_us.size]
    if not batches:
        return {}
    columns = [{"time_us": b.time_us, **b.columns} for b in batches]
    return {name: np.concatenate([c[name] for c in columns])[-ROWS:] for name in ("time_us", *names)}


def _blocks(run: RunConfig, last: Source, tail: dict[str, NDArray[Any]]) -> list[Block]:
    """Blocks that the last rows may belong to, by the log's name and the mode."""
    mode = tail[run.rig.mode][-1] if run.rig.mode is not None and tail else None
    return [b for b in run.plan.block if matches(last.file, b.files) and (mode is None or b.mode in (None, mode))]


def _over(blocks: list[Block], run: RunConfig, manifest: Manifest, store: RunStore) -> bool:
    """Whether a rig that wrote its last rows for these blocks may stand: what the plan asks for is there."""
    work = [b for b in blocks if _measures(b)] or [b for b in run.plan.block if _measures(b)]
    return bool(work) and all(_finished(b, manifest, store) for b in work)


def _measures(block: Block) -> bool:
    """Whether something is measured in a block."""
    return kind_of(block.kind).events is not None


def _finished(block: Block, manifest: Manifest, store: RunStore) -> bool:
    """Whether a block has all that the plan asks of it; one without a planned number never has."""
    kind = kind_of(block.kind)
    return kind.over(kind, block, manifest, store)


def _cycles(
    block: CyclicBlock, rig: RigConfig, manifest: Manifest, store: RunStore, config: HealthConfig
) -> CycleTail | None:
    """The last cycles of a block, and how far counter and detection went apart in them."""
    most = max(config.last_cycles, config.counter_cycles if rig.counter else 0)
    rows = last_rows_of(store.folder, manifest.block_parts(block.name, "cycles"), COLUMNS, most + 2)
    if rows is None:
        return None
    columns = {name: _plain(rows.column(name))[-most - 2 :] for name in COLUMNS}
    tail = CycleTail(block, rig.time.sample_rate, columns)
    if rig.counter is None:
        return tail
    found = count_cycles(block, rig, columns, RunClock.of(manifest).restarts_us)
    apart = sum(d.cycles for d in found.differences if d.kind == "unexplained")
    return replace(tail, differ=apart, counted=found.detected)


def _plain(column: pa.ChunkedArray) -> NDArray[Any]:
    """Column → array of its own kind, float64 with NaN where it has nulls."""
    return floats(column) if column.null_count else np.asarray(column.combine_chunks())


def _standing(cycles: CycleTail, end_us: int, clock: RunClock) -> float:
    """How long rows came after the last complete cycle [s]; NaN where there is none."""
    start, period = cycles.last("start_us", 1), cycles.last("period_s", 1)
    return clock.between_us(int(start[0]), end_us) / 1e6 - float(period[0]) if start.size else float("nan")


def _still(tail: dict[str, NDArray[Any]], blocks: list[Block], rig: RigConfig) -> Iterator[ChannelTail]:
    """Channels that show nothing new at the end.

    One without a value counts, whichever it is. One that repeats a value counts only if it is load or motion, and
    the other moves, or repeats one too: in a hold a coarse sensor may well show one value.
    """
    if not tail:
        return
    time = tail.pop("time_us")
    ends = {name: _end_of(name, values, time) for name, values in tail.items()}
    yield from (end for end in ends.values() if end.missing)
    if not any(_measures(b) for b in blocks):
        return
    signals = (rig.load.channel, rig.motion.channel)
    for name, other in (signals, signals[::-1]):
        here, there = ends[name], ends[other]
        since = time >= time[-1] - 1e6 * here.still_s
        both = not there.missing and there.still_s >= here.still_s
        if not here.missing and here.still_s > 0.0 and (both or _moves(tail[other], since)):
            yield here


def _end_of(name: str, values: NDArray[Any], time: NDArray[np.int64]) -> ChannelTail:
    """For how long a channel has shown what it shows at the end."""
    missing = bool(np.isnan(values[-1]))
    other = np.flatnonzero(~np.isnan(values) if missing else values != values[-1])
    first = int(other[-1]) + 1 if other.size else 0
    return ChannelTail(name, float(time[-1] - time[first]) / 1e6, missing, not other.size)


def _moves(values: NDArray[Any], since: NDArray[np.bool_]) -> bool:
    """Whether a signal moves, by a part of its size, in a stretch of its samples."""
    here = values[since & np.isfinite(values)]
    return bool(here.size) and float(np.ptp(here)) > MOVES * float(np.nanmax(np.abs(values)))
