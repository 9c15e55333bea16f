"""What the process step keeps of a block of sweeps for the next night."""

from __future__ import annotations

from benchpipe.blocks.state import Anchor, ResumingState


class SweepState(ResumingState):
    """Where to go on, and the parts of the sweeps that were closed before."""

    anchor: Anchor | None = None
