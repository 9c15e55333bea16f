"""Result types of the views: data only."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

from benchpipe.blocks.figures import BlockView
from benchpipe.check.decision import Verdict
from benchpipe.check.together import TogetherResult
from benchpipe.health.finding import Finding

if TYPE_CHECKING:
    from benchpipe.store.manifest import Remark


@dataclass(frozen=True)
class Alarm:
    """One thing to look at.

    Attributes
    ----------
    run, code, where : str
        Name of the run, kind of alarm, file or block or limit: together its identity.
    text : str
        What was seen, in a sentence. It may count, and change from night to night.
    since : datetime, optional
        UTC, whole seconds: the night that first said it. None before :func:`dated`.
    new : bool
        It was not in the last night.
    """

    run: str
    code: str
    where: str
    text: str
    since: datetime | None = None
    new: bool = True

    @property
    def identity(self) -> tuple[str, str, str]:
        """What makes it the same alarm as another night's."""
        return self.run, self.code, self.where


@dataclass(frozen=True)
class Pace:
    """Complete cycles of all cyclic blocks of a run.

    Attributes
    ----------
    done : int
        By the count that decides in each block (``planned_by``).
    planned : int, optional
        None where the plan does not say.
    per_day : float, optional
        Cycles a day over the last day of the logs: stops and known pauses included, pauses of unknown length not;
        None where no cycle was found, or the logs are too short.
    end_us : int, optional
        Time of the last planned cycle at that pace, by the run's clock; None where there is nothing
        to expect: no plan, all done, or no cycle in the last day.
    """

    done: int
    planned: int | None
    per_day: float | None
    end_us: int | None

    def seen_at(self, now_us: int) -> Pace:
        """The pace at a time of the run's axis: an end that is over was none."""
        over = self.end_us is not None and self.end_us <= now_us
        return replace(self, end_us=None) if over else self


@dataclass(frozen=True)
class StepUse:
    """What a step took when it last worked: wall time and peak memory of the process [MB], 0 where not known."""

    step: str
    seconds: float
    peak_mb: float


@dataclass(frozen=True)
class RunView:
    """One run at a glance.

    ``running``: the plan asks for more than there is; ``judged``: it was checked; ``alarms`` and
    ``steps``: as far as a night knows or has worked on it; ``health``: how its rig was when
    that was looked at, and ``watched`` that it was; ``bytes_a_day``: its tables grow by so much, 0 where
    it does not go on; ``pauses``: restarts of the log's clock, and what is known of the
    pauses; ``verified``: since when every log was verified; ``made_with``: what of the software that made the
    results is another now; ``settings``: which settings files are other than those of the figures; ``limits_note``: why
    ``limits`` has no rows, or of when they are if not of now.
    """

    run: str
    specimen: str
    rig: str
    note: str
    verdict: Verdict
    judged: bool
    running: bool
    first_us: int | None
    last_us: int | None
    dated: bool
    logs: int
    rows: int
    samples: int
    rejects: int
    repeats: int
    blocks: tuple[BlockView, ...]
    limits: tuple[dict[str, Any], ...]
    remarks: tuple[Remark, ...]
    reasons: tuple[tuple[str, int], ...]
    do_next: tuple[str, ...]
    failed: str | None = None
    pace: Pace | None = None
    alarms: tuple[Alarm, ...] = ()
    steps: tuple[StepUse, ...] = ()
    signed: str = ""
    archived: str = ""
    health: tuple[Finding, ...] = ()
    bytes_a_day: float = 0.0
    watched: bool = False
    limits_note: str = ""
    stored: RunView | None = None  # of a run that could not be processed: what the store has
    pauses: str = ""
    verified: str = ""
    made_with: str = ""
    settings: str = ""
    events: tuple[dict[str, Any], ...] = ()  # rows of the tables of drift
    phases: tuple[dict[str, Any], ...] = ()
    forecasts: tuple[dict[str, Any], ...] = ()
    together: TogetherResult | None = None  # of the passes that are due: what they risk together; None: not judged
    called: str = ""  # how a command names the run in the folder where this is shown
