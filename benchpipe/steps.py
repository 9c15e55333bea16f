"""What a step is: one declaration. The pipeline computes its key, skips or runs it, and commits, all in one place.

A step reads the manifest and what it kept the last time, writes parts that do not count yet, and gives a result. It
commits nothing and decides nothing of the night. To add one: a :class:`StepKind`, and its name in
:data:`benchpipe.pipeline.STEPS`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Generic, Literal, TypeVar

from benchpipe.run import RunConfig
from benchpipe.store.manifest import Manifest, Part, Placed, Remark, Source, Step, Zero, key_of
from benchpipe.store.mending import Damage
from benchpipe.store.run_store import RunStore
from benchpipe.store.state import State, Unfit, fit

WorkUnit = Literal["log", "block", "run"]
StateT = TypeVar("StateT", bound=State)
REBUILT = "rebuilt"


@dataclass(frozen=True)
class Night:
    """A run, its store, and what was asked of this night.

    Attributes
    ----------
    run : RunConfig
    store : RunStore
    manifest : Manifest
        As the steps before left it.
    today : date
        Days until a calibration is due count from it.
    again : bool
        Read every log again.
    on_progress : callable or None
        Called with the name of each log that is read, and why one is read again.
    lost : mapping of Damage
        Logs of which a part was damaged.
    """

    run: RunConfig
    store: RunStore
    manifest: Manifest
    today: date = field(default_factory=date.today)
    again: bool = False
    on_progress: Callable[[str], None] | None = None
    lost: Mapping[str, Damage] = field(default_factory=dict)


@dataclass(frozen=True)
class StepTask(Night, Generic[StateT]):
    """What a step works on.

    Attributes
    ----------
    key : str
        The key that its result will have; it names new parts.
    past : StateT or None
        What it kept the last time; None where there is none that fits.
    before : Step or None
        Its record of the last time, with the parts; None where ``past`` is.
    """

    key: str = ""
    past: StateT | None = None
    before: Step | None = None


@dataclass(frozen=True)
class StepResult(Generic[StateT]):
    """What a step made. Only the ingest gives ``sources``, ``placed`` and ``read``, the names of the logs it read."""

    state: StateT
    parts: tuple[Part, ...] = ()
    remarks: tuple[Remark, ...] = ()
    zeros: tuple[Zero, ...] = ()
    sources: tuple[Source, ...] | None = None
    placed: tuple[Placed, ...] | None = None
    read: tuple[str, ...] = ()


@dataclass(frozen=True)
class Past(Generic[StateT]):
    """What a step kept the last time. ``unfit``: what of it does not fit this program, and why."""

    state: StateT | None = None
    unfit: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class StepKind(Generic[StateT]):
    """The declaration of a step.

    Attributes
    ----------
    name : str
        In every manifest.
    version : int
        Raised where it makes other figures of the same inputs: stored results are then rebuilt.
    parents : tuple of str
        Steps whose results it reads.
    tables : tuple of str
        Tables it writes; those of kinds of blocks from other packages besides, for a step over blocks.
    state : type of State
        What it keeps for the next night.
    settings : callable
        Everything of a night that decides its result, besides version and parents (JSON).
    run : callable
        Makes the result.
    unit : str
        What is made again when something changes. Of a step over ``"log"`` or ``"block"`` that is one of them alone:
        its settings are by unit, each with the version and the identity of what is read of the parents, and are
        hashed as they are. Such a step needs the samples: where they were dropped, its result stays as it is.
    looks : bool
        Its inputs are outside the store: it runs each night, and finds out by itself what is new.
    past : callable, optional
        Reads what it kept, where that is not one model for all of it.
    kept : callable, optional
        The manifest of a run whose samples were dropped, with what there is to say about this step and its key.
    undone : tuple of (str, str)
        Error where a later step needs it and it has not run: what is wrong, and the command that helps.
    """

    name: str
    version: int
    parents: tuple[str, ...]
    tables: tuple[str, ...]
    state: type[StateT]
    settings: Callable[[Night], Any]
    run: Callable[[StepTask[StateT]], StepResult[StateT]]
    unit: WorkUnit = "run"
    looks: bool = False
    past: Callable[[Step, RunConfig], Past[StateT]] | None = None
    kept: Callable[[Night, str], Manifest] | None = None
    undone: tuple[str, str] = ("run '{run}' has a step that has not run yet", "benchpipe nightly LAB")

    def key(self, night: Night) -> str:
        """SHA-256 over version, settings and the keys of the parents.

        Raises
        ------
        KeyError
            A parent has not run.
        """
        settings = self.settings(night)
        if self.unit != "run":
            return key_of(settings)
        parents = {name: night.manifest.steps[name].key for name in self.parents}
        return key_of({"version": self.version, **settings, **parents})

    def read(self, before: Step | None, run: RunConfig) -> Past[StateT]:
        """What the step kept the last time."""
        if before is None:
            return Past()
        if self.past is not None:
            return self.past(before, run)
        found = fit(self.state, before.state)
        return Past(unfit={run.name: found.why}) if isinstance(found, Unfit) else Past(found)

    def rebuilt(self, unfit: Mapping[str, str]) -> tuple[Remark, ...]:
        """Remarks on what did not fit."""
        return tuple(
            Remark(
                step=self.name, code=REBUILT, where=where, count=1,
                text=f"what the step '{self.name}' kept of it is not of this version ({why}): it was rebuilt",
            )
            for where, why in unfit.items()
        )  # fmt: skip
