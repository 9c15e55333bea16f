"""What a run of a night is asked, what came of it, and what happens meanwhile: data only."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from benchpipe.errors import ExitCode
from benchpipe.views.model import RunView, StepUse

if TYPE_CHECKING:
    from benchpipe.config.lab import RetentionConfig
    from benchpipe.config.watching import HealthConfig

Bug = Callable[[BaseException, list[str]], str]
Progress = Callable[[str], None]


@dataclass(frozen=True)
class LabMark:
    """A lab file, and the SHA-256 of what was read of it."""

    path: Path
    sha256: str


@dataclass(frozen=True)
class Task:
    """A run to be worked on.

    ``bug`` writes down an error that is ours and says where (a plain function); ``now`` is what the health of
    its rig is compared with, ``today`` what calibrations are, and ``began`` what the rules of retention are: this
    computer's time if None. With ``lab`` the
    view is kept for the next night.
    """

    plan: Path
    store: Path
    name: str
    bug: Bug
    retention: RetentionConfig
    health: HealthConfig | None = None
    now: datetime | None = None
    today: date | None = None
    began: datetime | None = None
    lab: LabMark | None = None

    @property
    def lab_path(self) -> Path | None:
        """The lab file, where there is one."""
        return self.lab.path if self.lab is not None else None


@dataclass(frozen=True)
class Done:
    """What came of a run.

    ``steps`` did something this night; those that found nothing new are not there. ``said`` is
    what was done besides, in sentences. ``kept`` is what the next night compares with and shows where nothing is new
    (:mod:`benchpipe.night.glance`); empty where it cannot.
    """

    code: ExitCode
    view: RunView
    steps: tuple[StepUse, ...] = ()
    said: tuple[str, ...] = ()
    kept: str = ""


@dataclass(frozen=True)
class WorkerEvent:
    """What happens to a run. ``text``: the log that is read, why it is tried again, or what is compiled before it
    begins; ``done``: what came of it."""

    kind: Literal["warms", "begins", "reads", "again", "ends"]
    task: Task
    text: str = ""
    done: Done | None = None
