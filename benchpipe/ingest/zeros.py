"""Zeros of the channels, taken from idle stretches.

A stretch is consecutive samples of the idle block, wherever files end: it ends at a sample of another
mode, at a log that is not the block's, or at a gap (an amplifier may be tared while the rig is off). Its
median is the channel's zero from its first sample on, to the next stretch; before the first stretch the
first one's holds.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchpipe.blocks.idle.plan import IdleBlock
from benchpipe.config.rig import ChannelConfig, RigConfig, TimeConfig
from benchpipe.errors import ConfigError, nearest
from benchpipe.ingest.state import ZeroState
from benchpipe.kernels.robust import mad_sigma
from benchpipe.run import RunConfig
from benchpipe.samples.inputs import SampleInput, sample_inputs
from benchpipe.samples.stream import matches, stream_samples
from benchpipe.store.manifest import Manifest, Remark, Zero, key_of
from benchpipe.store.run_store import RunStore
from benchpipe.units import INSIDE_UNIT

LEAST_SAMPLES = 10
LONGEST = 1 << 20  # samples; a longer stretch gives a zero for each so many
MOST_ZEROS = 20_000  # of one channel; they all stand in the manifest


class TakenZeros(NamedTuple):
    """Zeros of all channels, and by channel what another night needs to know."""

    zeros: tuple[Zero, ...]
    state: dict[str, ZeroState]


NO_ZEROS = TakenZeros((), {})


def take_zeros(run: RunConfig, store: RunStore, manifest: Manifest, before: TakenZeros) -> TakenZeros:
    """Take the zeros of each channel that has ``zero_from``: a median for each idle stretch.

    Parameters
    ----------
    manifest : Manifest
        With all sources placed.
    before : TakenZeros
        Those of the last time: what was looked at then and did not change is not read again.

    Raises
    ------
    ConfigError
        ``zero_from`` names no idle block of the plan.
    """
    zeros: list[Zero] = []
    state: dict[str, ZeroState] = {}
    for channel in run.rig.channel:
        if channel.zero_from is not None:
            block = _idle_block(run, channel)
            own, state[channel.name] = _take(run.rig, channel, block, store, manifest, before)
            zeros += own
    return TakenZeros(tuple(sorted(zeros, key=lambda z: (z.channel, z.from_us))), state)


def zero_remarks(rig: RigConfig, zeros: tuple[Zero, ...]) -> Iterator[Remark]:
    """The zero of each channel, and how it drifted."""
    for channel in rig.channel:
        if channel.zero_from is None:
            continue
        own, unit = [z for z in zeros if z.channel == channel.name], INSIDE_UNIT[channel.quantity]
        if not own:
            text = f"no idle stretch for the zero of '{channel.name}' yet: nothing is taken off"
        else:
            text = f"the zero of '{channel.name}' is {own[-1].value:.4g} {unit} in {own[-1].file}, and taken off"
        if len(own) > 1:
            drift = own[-1].value - own[0].value
            text += f"; over {len(own)} idle stretches it drifted by {drift:+.3g} {unit}"
        if len(own) >= MOST_ZEROS:
            text += "; so many are kept, and the last one holds from there on: name a block that is idle more rarely"
        yield Remark(step="ingest", code="zero", where=channel.zero_from, count=len(own), text=text)


def _idle_block(run: RunConfig, channel: ChannelConfig) -> IdleBlock:
    idle = {block.name: block for block in run.plan.blocks_of(IdleBlock)}
    block = idle.get(channel.zero_from or "")
    if block is None:
        raise ConfigError(
            f"the zero of channel '{channel.name}' comes from '{channel.zero_from}', no idle block of the plan",
            where=run.plan_path,
            expected=nearest(channel.zero_from or "", list(idle)) if idle else "an idle block; there is none",
        )
    return block


def _take(
    rig: RigConfig, channel: ChannelConfig, block: IdleBlock, store: RunStore, manifest: Manifest, before: TakenZeros
) -> tuple[list[Zero], ZeroState]:
    """Zeros of one channel, and its state: which inputs were looked at, and where the open stretch begins."""
    inputs = [replace(one, zeros=()) for one in sample_inputs(manifest)]
    settings = [block.mode, rig.mode, list(block.files), rig.time.gap_s, rig.time.gap_samples]

    def key(count: int) -> str:
        return key_of([channel.name, settings, [[one.file, *one.identity] for one in inputs[:count]]])

    known = before.state.get(channel.name)
    zeros: list[Zero] = []
    begin, from_us = 0, None
    if known is not None and known.key == key(known.inputs):
        begin, from_us = known.part, known.from_us
        zeros = [z for z in before.zeros if z.channel == channel.name and (from_us is None or z.from_us < from_us)]
    part, open_us = len(inputs), None
    for stretch in _stretches(rig, channel.name, block, store, inputs, begin, from_us):
        if len(zeros) >= MOST_ZEROS:
            break
        zeros += _zeros_of(stretch, channel.name, rig.time, inputs)
        if stretch.is_open:
            part, open_us = stretch.pieces[0].number, int(stretch.pieces[0].time_us[0])
    return zeros[:MOST_ZEROS], ZeroState(key=key(len(inputs)), inputs=len(inputs), part=part, from_us=open_us)


class _Piece(NamedTuple):
    """Idle samples of one input."""

    number: int
    time_us: NDArray[np.int64]
    values: NDArray[np.float32]


class _Stretch(NamedTuple):
    """Consecutive idle samples. ``is_open``: nothing came after them yet."""

    pieces: list[_Piece]
    is_open: bool


def _stretches(
    rig: RigConfig, channel: str, block: IdleBlock, store: RunStore, inputs: list[SampleInput], begin: int,
    from_us: int | None,
) -> Iterator[_Stretch]:  # fmt: skip
    """Stretches of idle samples in order, from a time in the input number ``begin`` on."""
    chosen = rig.mode if block.mode is not None else None
    columns = list(dict.fromkeys([channel, *([chosen] if chosen is not None else [])]))
    waiting: list[_Piece] = []
    for index, one in enumerate(inputs[begin:], begin):
        if not matches(one.file, block.files):
            if waiting:
                yield _Stretch(waiting, is_open=False)
            waiting = []
            continue
        for batch in stream_samples(store.folder, [one], columns, from_us if index == begin else None):
            idle = np.ones(batch.time_us.size, bool) if chosen is None else batch.columns[chosen] == block.mode
            edges = np.concatenate(([0], np.flatnonzero(np.diff(idle)) + 1, [idle.size]))
            for a, b in pairwise(edges.tolist()):
                if a < b and not idle[a]:
                    if waiting:
                        yield _Stretch(waiting, is_open=False)
                    waiting = []
                while a < b and idle[a]:
                    end = min(b, a + LONGEST - sum(p.time_us.size for p in waiting))
                    waiting.append(_Piece(index, batch.time_us[a:end], batch.columns[channel][a:end]))
                    a = end
                    if a < b:
                        yield _Stretch(waiting, is_open=False)
                        waiting = []
    if waiting:
        yield _Stretch(waiting, is_open=True)


def _zeros_of(stretch: _Stretch, channel: str, time: TimeConfig, inputs: list[SampleInput]) -> Iterator[Zero]:
    """Medians of the channel between the gaps of a stretch, where there are samples enough."""
    time_us = np.concatenate([piece.time_us for piece in stretch.pieces])
    values = np.concatenate([piece.values for piece in stretch.pieces]).astype(np.float64)
    begins = np.cumsum([0, *(piece.time_us.size for piece in stretch.pieces)])
    edges = [0, *_after_gaps(time_us, time), time_us.size]
    for a, b in pairwise(edges):
        good = values[a:b][np.isfinite(values[a:b])]
        if good.size < LEAST_SAMPLES:
            continue
        where = inputs[stretch.pieces[int(np.searchsorted(begins, a, "right")) - 1].number]
        yield Zero(
            channel=channel,
            file=where.file,
            part=where.part.sha256,
            from_us=int(time_us[a]),
            value=float(np.float32(np.median(good))),
            sd=float(mad_sigma(good)),
            samples=int(good.size),
        )


def _after_gaps(time_us: NDArray[np.int64], time: TimeConfig) -> list[int]:
    """Samples after steps far longer than those before and after; a slower rate is no gap."""
    steps = np.diff(time_us)
    before, after = np.concatenate(([0], steps[:-1])), np.concatenate((steps[1:], [0]))
    longest = time.gap_samples * np.maximum(before, after)
    return [int(k) + 1 for k in np.flatnonzero((steps > 1e6 * time.gap_s) & (steps > longest))]
