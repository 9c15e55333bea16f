"""What is kept of a log for the night when it has grown: where its reader, its clock and its ticks go on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, NamedTuple

from pydantic import Field

from benchpipe.readers.text_state import TextState
from benchpipe.store.manifest import Source
from benchpipe.store.state import State, Unfit, fit

PLACES = 13  # of a stamp, as benchpipe.ingest.ticks counts them; the first 9 are in states of older versions too


@dataclass(frozen=True)
class ClockState:
    """State of a log's clock.

    Attributes
    ----------
    first_us, last_us : int or None
        Ends of the log's own axis.
    native_last_us : int or None
        The last row's time by the log's own clock.
    since_us : int or None
        From there on the clock went on without a restart.
    shift_us : int
    steps : tuple of (int, int)
        The last two steps, and the rows after them.
    """

    first_us: int | None = None
    last_us: int | None = None
    native_last_us: int | None = None
    since_us: int | None = None
    shift_us: int = 0
    steps: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True)
class HeadState:
    """Steps of the clock in the first rows of a log."""

    rows: int = 0
    last_us: int | None = None
    tick_us: int = 0
    near_us: int = 0
    far: int = 0


@dataclass(frozen=True)
class TicksState:
    """What is known of the step of a log's clock, None where it is not decided, and of the last stamp."""

    tick_us: int | None
    head: HeadState
    place: Annotated[tuple[int, ...], Field(min_length=9, max_length=PLACES)]
    kept: int = 0
    thin: int = 0


class ReadingState(State):
    """State of a log.

    Attributes
    ----------
    stuck : dict of (float or None, int)
        Last value of a channel and its run; ``stuck_counts`` are the values blanked so far.
    events, places : dict of int
        What the clock did, how often, and the row after the first time.
    late : int
        Rows whose time did not rise.
    outside : dict of int
        Rows outside the calibration table, by channel.
    tail, tail_rows : str or None, int
        Part with the rejects that the log may take back, and how many rows they are.
    """

    reader: TextState
    ticks: TicksState
    clock: ClockState
    stuck: dict[str, tuple[float | None, int]]
    stuck_counts: dict[str, int]
    events: dict[str, int]
    places: dict[str, int]
    late: int
    outside: dict[str, int]
    tail: str | None
    tail_rows: int


class Grown(NamedTuple):
    """A log that is read from where it was taken to."""

    source: Source
    state: ReadingState


def grown_from(source: Source) -> Grown | Unfit:
    """Where to go on in a log, if its state fits. ``source.state`` must be there."""
    state = fit(ReadingState, source.state)
    if isinstance(state, Unfit):
        return state
    if state.tail is not None and source.tail is None:
        return Unfit(f"tail: {state.tail} is no part of the log")
    return Grown(source, state)


def why_no_tail(source: Source) -> str:
    """Why a state does not say which rejects the log may take back; empty where it does, or where there is none."""
    if source.state is None or not any(part.table == "rejects" for part in source.parts):
        return ""
    if "tail" not in source.state:
        return "tail: Field required"
    named = source.state["tail"]
    return "" if named is None or source.tail is not None else f"tail: {named} is no part of the log"
