"""The result of a test: several specimens through their stages, from the verdicts of their runs.

A test is passed when the required specimens pass every limit of their stages and nothing is still to come. It is
failed when a specimen failed that was not replaced as the lab file says. The result is shown with the reliability
that so few specimens demonstrate, so that a pass is not read as a claim of reliability.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from benchpipe.check.decision import Verdict, applies, worst
from benchpipe.check.survival import Survival, survival

if TYPE_CHECKING:
    from benchpipe.config.lab_tests import LabSpecimenConfig, LabStageConfig, LabTestConfig

OF_RUN = "run"  # block of the verdicts that are of the run as a whole
CYCLIC, IDLE = "cyclic", "idle"


@dataclass(frozen=True)
class BlockDone:
    """How far a block of a plan is.

    ``done`` (cycles by the count that decides, holds, proofs, …) is None where it is not known; ``planned`` is None
    where the plan does not say; ``ended``: it asks for no more.
    """

    name: str
    kind: str
    done: int | None
    planned: int | None
    ended: bool


@dataclass(frozen=True)
class RunState:
    """What the result of a test needs of a run: its verdicts (rows of that table) and its blocks.

    ``unknown``: why there are none; empty where there are.
    """

    limits: tuple[Mapping[str, Any], ...] = ()
    blocks: tuple[BlockDone, ...] = ()
    unknown: str = ""


@dataclass(frozen=True)
class StageResult:
    """A stage of a specimen.

    ``running``: more is to come; ``why``: what failed or is not decided; ``cycles``: done in it, None where it has
    no cyclic block or they are not known. One that was repeated does not count.
    """

    name: str
    run: str
    verdict: Verdict
    running: bool
    why: str
    cycles: int | None
    repeated_by: str | None
    reason: str


@dataclass(frozen=True)
class SpecimenResult:
    """A specimen: the worst of its stages that count. One that was replaced does not count."""

    name: str
    verdict: Verdict
    running: bool
    cycles: int | None
    stages: tuple[StageResult, ...]
    replaced_by: str | None
    reason: str


@dataclass(frozen=True)
class LabTestResult:
    """A test: its verdict, whether more is to come, why it is not decided, its specimens, and what they show."""

    name: str
    verdict: Verdict
    running: bool
    why: str
    required: int
    specimens: tuple[SpecimenResult, ...]
    survival: Survival


def waits_for_more(limits: Iterable[Mapping[str, Any]], blocks: Iterable[str]) -> bool:
    """Whether limits on some blocks of a plan wait for more. Limits on a block that a plan does not have never do."""
    names = set(blocks)
    return any(not row["due"] and row["block"] in names and applies(row) for row in limits)


def lab_test_result(test: LabTestConfig, runs: Mapping[str, RunState]) -> LabTestResult:
    """Put the result of a test together.

    Parameters
    ----------
    runs : mapping
        Runs of the lab that could be read, by name.
    """
    specimens = tuple(_specimen(one, runs) for one in test.specimen)
    counting = [one for one in specimens if one.replaced_by is None]
    verdict, running, why = worst([one.verdict for one in counting]), any(one.running for one in counting), ""
    if len(counting) < test.required:
        why = f"{len(counting)} of {test.required} required specimens named"
        if verdict is not Verdict.FAIL:
            verdict, running = worst([verdict, Verdict.NOT_EVALUATED]), True
    found = survival([(one.verdict, one.running, one.cycles) for one in counting], test.confidence, test.weibull_shape)
    return LabTestResult(test.name, verdict, running, why, test.required, specimens, found)


def _specimen(one: LabSpecimenConfig, runs: Mapping[str, RunState]) -> SpecimenResult:
    stages = tuple(_stage(stage, runs.get(stage.run)) for stage in one.stage)
    counting = [stage for stage in stages if stage.repeated_by is None]
    cycles = [stage.cycles for stage in counting if stage.cycles is not None]
    return SpecimenResult(
        one.name,
        worst([stage.verdict for stage in counting]),
        any(stage.running for stage in counting),
        sum(cycles) if cycles else None,
        stages,
        one.replaced_by,
        one.reason,
    )


def _stage(stage: LabStageConfig, run: RunState | None) -> StageResult:
    if run is None or run.unknown:
        why = run.unknown if run is not None else "the run cannot be read"
        return _result(stage, Verdict.NOT_EVALUATED, True, why, None)
    blocks = [block for block in run.blocks if not stage.blocks or block.name in stage.blocks]
    names = {block.name for block in blocks}
    rows = [
        row
        for row in run.limits
        if (row["block"] in names or (row["block"] == OF_RUN and row["due"]))
        and (not stage.limits or row["limits_file"] in stage.limits)
        and applies(row)
    ]
    due = [row for row in rows if row["due"]]
    verdict, known = worst([Verdict(row["verdict"]) for row in due]), _cycles(blocks)
    worse = [row for row in due if row["verdict"] == verdict]
    if verdict is not Verdict.PASS and due:
        more = f" and {len(worse) - 1} more" if len(worse) > 1 else ""
        word = "failed" if verdict is Verdict.FAIL else f"is {verdict}"
        why = f"{worse[0]['block']}: '{worse[0]['limit']}'{more} {word}"
        return _result(stage, verdict, bool(list(_open(rows, blocks))), why, known)
    to_come = list(_open(rows, blocks))
    if to_come:
        return _result(stage, Verdict.NOT_EVALUATED, True, f"still to come: {to_come[0]}", known)
    untold = next(_untold(due, blocks), "")
    if untold:
        return _result(stage, Verdict.NOT_EVALUATED, False, untold, known)
    unjudged = [name for name in stage.blocks if not any(row["block"] == name for row in due)]
    if unjudged or not any(row["block"] != OF_RUN for row in due):
        what = f"no limit judges block '{unjudged[0]}'" if unjudged else "no limit judges it"
        return _result(stage, Verdict.NOT_EVALUATED, False, what, known)
    return _result(stage, Verdict.PASS, False, "", known)


def _open(rows: list[Mapping[str, Any]], blocks: list[BlockDone]) -> Iterator[str]:
    """What a stage still waits for, in words."""
    for block in blocks:
        if block.done is None or block.kind == IDLE:
            continue
        if block.planned is not None and not block.ended:
            yield f"{block.name} {block.done:,} of {block.planned:,}{' cycles' if block.kind == CYCLIC else ''}"
        elif block.done == 0:
            yield f"{block.name} has not begun"
    for row in rows:
        if not row["due"]:
            yield f"'{row['limit']}' on {row['block']}"


def _untold(due: list[Mapping[str, Any]], blocks: list[BlockDone]) -> Iterator[str]:
    """Cycle tests whose progress or planned end is not known: they cannot pass."""
    for block in blocks:
        if block.kind != CYCLIC:
            continue
        if block.done is None:
            yield f"how many cycles '{block.name}' had is not known here: the run is in an archive"
        asked = any(row["measure"] == "cycles_done" and row["block"] == block.name for row in due)
        if block.planned is None and not asked:
            yield f"neither the plan nor a limit says how many cycles '{block.name}' is to have"


def _cycles(blocks: list[BlockDone]) -> int | None:
    """Cycles of the cyclic blocks; of one that has ended, no more than the plan asks for."""
    known = [
        min(b.done, b.planned) if b.ended and b.planned is not None else b.done
        for b in blocks
        if b.kind == CYCLIC and b.done is not None
    ]
    return sum(known) if known else None


def _result(stage: LabStageConfig, verdict: Verdict, running: bool, why: str, cycles: int | None) -> StageResult:
    return StageResult(stage.called, stage.run, verdict, running, why, cycles, stage.repeated_by, stage.reason)
