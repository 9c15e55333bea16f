"""What the process step keeps of a block of stance windows for the next night."""

from __future__ import annotations

from dataclasses import dataclass, replace

from benchpipe.blocks.state import ResumingState


@dataclass(frozen=True)
class OpenStretch:
    """State of the search: the open stretch, and what is known so far.

    Attributes
    ----------
    start_us, last_us : int
        First and last sample of the open stretch inside the limits; -1 before the first.
    taken : bool
        Its window has been measured.
    count : int
        Windows so far.
    longest_us : int
        Longest stretch that was too short for a window.
    seen_us : int
        Last sample seen; -1 before any.
    """

    start_us: int = -1
    last_us: int = -1
    taken: bool = False
    count: int = 0
    longest_us: int = 0
    seen_us: int = -1

    @property
    def from_us(self) -> int | None:
        """First sample that another night needs; None before any."""
        opened = self.last_us if self.taken else self.start_us
        return next((at for at in (opened, self.seen_us) if at >= 0), None)

    @property
    def longest_s(self) -> float:
        """Longest stretch without a window [s], the open one included."""
        return max(self.longest_us, 0 if self.taken else self.last_us - self.start_us) * 1e-6

    def ended(self) -> OpenStretch:
        """Without an open stretch; one that gave no window counts for the longest."""
        lost = 0 if self.start_us < 0 or self.taken else self.last_us - self.start_us
        return replace(self, start_us=-1, last_us=-1, taken=False, longest_us=max(self.longest_us, lost))


class StanceState(ResumingState):
    """State of the search, and the parts of the windows so far."""

    anchor: OpenStretch | None = None
