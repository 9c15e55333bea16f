"""View of the tests of a lab: from the views of its runs to results and lines."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from benchpipe.check.decision import Verdict
from benchpipe.check.specimens import BlockDone, LabTestResult, RunState, SpecimenResult, lab_test_result
from benchpipe.views.model import RunView

if TYPE_CHECKING:
    from benchpipe.config.lab import LabConfig
    from benchpipe.plan import PlanConfig

VerdictLine = tuple[str, str, Verdict | None]  # mark, text, and the verdict that colours it


def lab_tests(lab: LabConfig, views: Iterable[RunView], plans: Mapping[str, PlanConfig]) -> tuple[LabTestResult, ...]:
    """Results of a lab's tests, in the order of the lab file.

    Parameters
    ----------
    views : iterable of RunView
    plans : mapping
        Plans of the runs that could be read, by name.
    """
    states = {view.run: _state(view, plans[view.run]) for view in views if view.run in plans}
    return tuple(lab_test_result(test, states) for test in lab.test)


def _state(view: RunView, plan: PlanConfig) -> RunState:
    if view.failed is not None:
        return RunState(unknown="the run was not processed")
    if not view.judged:
        return RunState(unknown="the run is not judged yet")
    if view.archived:
        return RunState(view.limits, tuple(_archived(plan, view.limits)))
    return RunState(view.limits, tuple(BlockDone(b.name, b.kind, b.done, b.planned, b.ended) for b in view.blocks))


def _archived(plan: PlanConfig, limits: tuple[dict[str, Any], ...]) -> Iterable[BlockDone]:
    """Blocks of a run whose tables are in an archive: of its cycles the verdicts tell how many there were."""
    from benchpipe.blocks.cyclic.plan import CyclicBlock

    for block in plan.block:
        if not isinstance(block, CyclicBlock):
            yield BlockDone(block.name, block.kind, None, None, False)
            continue
        counts = [r["measured"] for r in limits if (r["block"], r["measure"]) == (block.name, "cycles_done")]
        done = int(counts[0]) if counts and counts[0] is not None else None
        ended = done is not None and block.planned_cycles is not None and done >= block.planned_cycles
        yield BlockDone(block.name, block.kind, done, block.planned_cycles, ended)


def lab_test_lines(result: LabTestResult) -> list[VerdictLine]:
    """A test in lines of plain text: its result, its specimens, and what they show."""
    counting = sum(one.replaced_by is None for one in result.specimens)
    state = str(result.verdict)
    if result.running:
        state = "still running" if result.verdict is Verdict.NOT_EVALUATED else f"{state}, still running"
    needed = result.why or f"{result.required} specimen(s) required, {counting} named"
    lines: list[VerdictLine] = [("test", f"{result.name}: {state}; {needed}", result.verdict)]
    lines += [(" ", _specimen_text(one), one.verdict if one.replaced_by is None else None) for one in result.specimens]
    lines += [(" ", text, None) for text in result.survival.words]
    return lines


def _specimen_text(one: SpecimenResult) -> str:
    if one.replaced_by is not None:
        return f"{one.name}: {one.verdict}, does not count: replaced by {one.replaced_by} ({one.reason})"
    stages = [stage for stage in one.stages if stage.repeated_by is None]
    said = [f"{stage.why} ({stage.name})" for stage in stages if stage.why and stage.verdict is one.verdict]
    again = [f"{s.name} repeated by {s.repeated_by} ({s.reason})" for s in one.stages if s.repeated_by is not None]
    state = "running" if one.running and one.verdict is Verdict.NOT_EVALUATED else str(one.verdict)
    return "; ".join([f"{one.name}: {state}", *said, *again])
