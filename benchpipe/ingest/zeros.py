"""Zeros of the channels, taken from idle stretches."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from benchpipe.config.plan import IdleBlock
from benchpipe.config.rig import ChannelConfig, RigConfig
from benchpipe.config.run import RunConfig
from benchpipe.errors import ConfigError, nearest
from benchpipe.kernels.robust import mad_sigma
from benchpipe.store.manifest import Manifest, Remark, Zero, key_of
from benchpipe.store.run_store import RunStore
from benchpipe.store.samples import SampleInput, sample_inputs, stream_samples
from benchpipe.units import INSIDE_UNIT

LEAST_SAMPLES = 10


def take_zeros(run: RunConfig, store: RunStore, manifest: Manifest, known: tuple[Zero, ...]) -> tuple[Zero, ...]:
    """Take the zero of each channel that has ``zero_from``: a median for each log of the idle block.

    Parameters
    ----------
    manifest : Manifest
        With all sources placed.
    known : tuple of Zero
        Zeros of the last time; those of logs that did not change are not made again.

    Raises
    ------
    ConfigError
        ``zero_from`` names no idle block of the plan.
    """
    old = {zero.key: zero for zero in known}
    zeros = []
    for channel in run.rig.channel:
        if channel.zero_from is None:
            continue
        block = _idle_block(run, channel)
        by_file: dict[str, list[SampleInput]] = {}
        for one in sample_inputs(manifest, block.files):
            by_file.setdefault(one.file, []).append(replace(one, zeros=()))
        for file, inputs in by_file.items():
            key = key_of([channel.name, block.mode, run.rig.mode, [i.identity for i in inputs]])
            zero = old.get(key) or _take(run.rig, channel, block.mode, store, file, inputs, key)
            if zero is not None:
                zeros.append(zero)
    return tuple(sorted(zeros, key=lambda z: (z.channel, z.from_us)))


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
        yield Remark(step="ingest", code="zero", where=channel.zero_from, count=len(own), text=text)


def _idle_block(run: RunConfig, channel: ChannelConfig) -> IdleBlock:
    idle = {block.name: block for block in run.plan.block if isinstance(block, IdleBlock)}
    block = idle.get(channel.zero_from or "")
    if block is None:
        raise ConfigError(
            f"the zero of channel '{channel.name}' comes from '{channel.zero_from}', no idle block of the plan",
            where=run.plan_path,
            expected=nearest(channel.zero_from or "", list(idle)) if idle else "an idle block; there is none",
        )
    return block


def _take(
    rig: RigConfig, channel: ChannelConfig, mode: int | None, store: RunStore, file: str, inputs: list[SampleInput],
    key: str,
) -> Zero | None:  # fmt: skip
    """Median of a channel over the idle samples of a log; None where there are hardly any."""
    chosen = rig.mode if mode is not None else None
    columns = [channel.name, *([chosen] if chosen is not None and chosen != channel.name else [])]
    pieces, from_us = [], None
    for batch in stream_samples(store.folder, inputs, columns):
        values = batch.columns[channel.name]
        good = np.isfinite(values)
        if chosen is not None:
            good &= batch.columns[chosen] == mode
        if from_us is None and good.any():
            from_us = int(batch.time_us[good][0])
        pieces.append(values[good].astype(np.float64))
    values = np.concatenate(pieces) if pieces else np.empty(0)
    if from_us is None or values.size < LEAST_SAMPLES:
        return None
    return Zero(
        channel=channel.name,
        file=file,
        from_us=from_us,
        value=float(np.float32(np.median(values))),
        sd=float(mad_sigma(values)),
        samples=int(values.size),
        key=key,
    )
