"""Task of a night on one block of a plan, and its result."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Generic, TypeVar

from benchpipe.blocks.rejected import Rejected
from benchpipe.blocks.state import BlockState
from benchpipe.config.rig import RigConfig
from benchpipe.samples.inputs import SampleInput
from benchpipe.store.manifest import Part, Remark
from benchpipe.store.pauses import NO_RESTART, RunClock
from benchpipe.store.run_store import RunStore

BlockT = TypeVar("BlockT")
PastT = TypeVar("PastT", bound=BlockState)


@dataclass(frozen=True)
class BlockTask(Generic[BlockT, PastT]):
    """A block, its samples, and what another night made of it.

    Attributes
    ----------
    rig, store, block
    inputs : list of SampleInput
    key : str
        Names the new parts.
    past : BlockState or None
        State of the last time, of the model that the kind declares, if its inputs are the beginning of these and the
        block goes on from there. None: the block is worked on whole.
    old : dict of Part
        Parts of the last time by path.
    rejected : tuple of Rejected
        Rejected rows of the block's logs.
    clock : RunClock
        The run's restarts and pauses.
    """

    rig: RigConfig
    store: RunStore
    block: BlockT
    inputs: list[SampleInput]
    key: str
    past: PastT | None
    old: dict[str, Part]
    rejected: tuple[Rejected, ...] = ()
    clock: RunClock = NO_RESTART


@dataclass
class Found:
    """Parts, remarks, and what the next night needs to know (of the model that the kind declares)."""

    parts: list[Part] = field(default_factory=list)
    remarks: list[Remark] = field(default_factory=list)
    state: BlockState = field(default_factory=BlockState)
