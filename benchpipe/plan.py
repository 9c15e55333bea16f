"""Plan files: one specimen under one test plan on one rig, made of blocks.

A plan is what the commands call a run.
"""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.hold.plan import HoldBlock
from benchpipe.blocks.idle.plan import IdleBlock
from benchpipe.blocks.locking.plan import LockingBlock
from benchpipe.blocks.proof.plan import ProofBlock
from benchpipe.blocks.relaxation.plan import RelaxationBlock
from benchpipe.blocks.stance.plan import StanceBlock
from benchpipe.blocks.sweep.plan import SweepBlock
from benchpipe.config.model import ConfigModel, Many, PathText, PatternText, StatedPause

Block = Annotated[
    CyclicBlock | HoldBlock | RelaxationBlock | SweepBlock | ProofBlock | LockingBlock | StanceBlock | IdleBlock,
    Field(discriminator="kind"),
]


class PlanConfig(ConfigModel):
    """A plan file: the whole of it."""

    name: str = Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$")
    specimen: str
    note: str = ""
    rig: PathText
    limits: Many[PathText] = ()
    logs: Many[PatternText] = Field(min_length=1)
    restart_pause: StatedPause = None
    block: Many[Block] = Field(min_length=1)

    @model_validator(mode="after")
    def _names_differ(self) -> Self:
        names = [b.name for b in self.block]
        if len(set(names)) != len(names):
            raise ValueError(f"block names must differ: {', '.join(names)}")
        if len(set(self.limits)) != len(self.limits):
            raise ValueError("a limit file is listed twice")
        return self
