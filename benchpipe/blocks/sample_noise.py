"""Noise of single samples of a block's load and motion, learnt from its first samples and kept."""

from __future__ import annotations

import numpy as np

from benchpipe.blocks.state import SampleNoise
from benchpipe.config.block import BlockConfig
from benchpipe.config.rig import RigConfig
from benchpipe.kernels.sample_noise import sample_noise
from benchpipe.samples.inputs import SampleInput
from benchpipe.samples.signals import block_signals
from benchpipe.store.run_store import RunStore

SAMPLES = 10_000


def learn_sample_noise(store: RunStore, inputs: list[SampleInput], rig: RigConfig, block: BlockConfig) -> SampleNoise:
    """Look at the first samples of a block, wherever its files end."""
    load, motion, count = [], [], 0
    for piece in block_signals(store, inputs, rig, block):
        load.append(np.asarray(piece.load[: SAMPLES - count], np.float64))
        motion.append(np.asarray(piece.motion[: SAMPLES - count], np.float64))
        count += len(load[-1])
        if count >= SAMPLES:
            break
    if not count:
        return SampleNoise(None, None, 0)
    of_load, of_motion = (sample_noise(np.concatenate(values)) for values in (load, motion))
    return SampleNoise(_known(of_load), _known(of_motion), count)


def _known(value: float) -> float | None:
    return value if np.isfinite(value) else None
