"""What the process step keeps of a block of sweeps for the next night."""

from __future__ import annotations

from benchpipe.blocks.state import Anchor, BlockState


class SweepState(BlockState):
    """Where to go on, and the parts of the sweeps that were closed before."""

    anchor: Anchor | None = None
    settled: tuple[str, ...] = ()

    @property
    def resumes(self) -> bool:
        """Whether the block can go on from here."""
        return self.anchor is not None

    @property
    def named(self) -> set[str]:
        """Parts that going on from here needs."""
        return {*self.parts, *self.settled}
