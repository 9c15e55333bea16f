"""How the logs of a rig's two loggers go together, as the ingest found it."""

from __future__ import annotations

from dataclasses import dataclass

from benchpipe.errors import StoreError
from benchpipe.samples.second_log import ClockLine
from benchpipe.store.manifest import Manifest
from benchpipe.store.state import State, Unfit, some_of


@dataclass(frozen=True)
class OffsetWindow:
    """What ten minutes show of the second clock's offset.

    Attributes
    ----------
    points : tuple of (int, float)
        Time [µs] and offset [µs].
    agrees : bool
        The offsets are those that the windows before lead to.
    scatter : float or None
        Standard deviation of the quantity that both loggers show; None where it has no values.
    """

    points: tuple[tuple[int, float], ...]
    agrees: bool
    scatter: float | None


class Joint(State):
    """How samples of the second logger are joined to those of the first.

    Attributes
    ----------
    spans : dict of (int, int)
        First and last own time of each part, by its hash.
    apart : tuple of str
        Logs whose clock cannot be compared.
    lines : tuple of ClockLine
    ends : tuple of int
        Times at which the second logger's parts end, on the run's axis.
    channels, held : tuple of str
    reach_us : int
        As in :class:`benchpipe.samples.second_log.SecondLog`.
    """

    spans: dict[str, tuple[int, int]]
    apart: tuple[str, ...]
    lines: tuple[ClockLine, ...]
    ends: tuple[int, ...]
    channels: tuple[str, ...]
    held: tuple[str, ...]
    reach_us: int


class SecondState(Joint):
    """The same, and the windows from which the lines were found, where they are not stated.

    ``read`` is the identity of the samples of both loggers that the windows were found from.
    """

    read: tuple[tuple[list[object], ...], ...] | None = None
    windows: tuple[OffsetWindow, ...] | None = None


def joint_of(manifest: Manifest) -> Joint | None:
    """How the loggers of a run are joined; None of one logger.

    Raises
    ------
    StoreError
        It was kept by another version of the program. A run whose samples were dropped has nothing to join.
    """
    step = manifest.steps.get("ingest")
    stored = step.state.get("second") if step is not None else None
    if stored is None:
        return None
    found = some_of(Joint, stored)
    if not isinstance(found, Unfit):
        return found
    if manifest.closed:
        return None
    raise StoreError(
        f"how the two loggers of run '{manifest.run}' go together is not of this version ({found.why})",
        do_next="rebuild it from the logs: benchpipe nightly LAB",
    )
