"""The planned end of a cycle test: which count decides, what is stated, and what stays undecided."""

from __future__ import annotations

from dataclasses import asdict, replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.blocks.cyclic.counting import KINDS, reconcile
from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.cyclic.planned_end import REASONS, block_end, planned_end
from benchpipe.blocks.cyclic.state import Counted
from benchpipe.store.manifest import Manifest, Step

PLAN = 2_000_000


def counted(detected: int, *differences: tuple[str, float], per_cycle: float = 1.0) -> Counted:
    """What the process step keeps: each difference a minute after the one before."""
    places = tuple((kind, 60_000_000 * i, 60_000_000 * (i + 1), n) for i, (kind, n) in enumerate(differences))
    return Counted(detected, detected + sum(cycles for _, cycles in differences), per_cycle, differences=places)


SHORT = counted(1_999_970, ("stop", 5.0), ("gap", 18.0), ("stop", 7.0))


def test_the_counter_ends_a_test_whose_missing_cycles_are_explained() -> None:
    found = planned_end(1_999_970, SHORT, PLAN, "counter")
    assert (found.done, found.over, found.cycles, found.undecided) == (True, True, PLAN, "")
    assert found.difference == (
        "cycle count: rig counter 2,000,000, detected 1,999,970; 12 at stops, 18 in logging gaps"
    )


def test_with_detection_deciding_the_same_test_waits_no_longer_and_is_not_done() -> None:
    found = planned_end(1_999_970, SHORT, PLAN, "detected")
    assert (found.done, found.over, found.cycles) == (False, True, 1_999_970)
    assert 'planned_by = "counter"' in found.undecided


def test_far_from_the_end_nothing_is_due() -> None:
    for by in ("detected", "counter"):
        found = planned_end(1_000, counted(1_000, ("stop", 2.0), ("unexplained", 7.0)), PLAN, by)
        assert (found.done, found.over, found.undecided) == (False, False, "")


def test_unexplained_cycles_leave_it_undecided() -> None:
    found = planned_end(1_999_970, counted(1_999_970, ("gap", 18.0), ("unexplained", 12.0)), PLAN, "counter")
    assert (found.done, found.over) == (False, True)
    assert found.undecided == "12 cycles between counter and detection have no known reason"
    assert "12 unexplained" in found.difference


def test_unexplained_cycles_that_are_not_needed_do_not_hinder() -> None:
    found = planned_end(2_000_500, counted(2_000_500, ("unexplained", 12.0)), PLAN, "counter")
    assert (found.done, found.cycles) == (True, 2_000_512)


def test_a_counter_that_stood_still_leaves_it_undecided() -> None:
    found = planned_end(2_000_000, counted(2_000_000, ("unexplained", -300.0)), PLAN, "counter")
    assert (found.done, found.over) == (False, True)
    assert "300 cycles" in found.undecided
    assert "rig counter 1,999,700, detected 2,000,000; -300 unexplained" in found.difference
    assert planned_end(2_000_000, counted(2_000_000, ("unexplained", -300.0)), PLAN, "detected").done


def test_what_went_by_while_the_counter_was_set_to_zero_is_in_doubt() -> None:
    found = planned_end(1_999_900, counted(1_999_900, ("reset", 100.0)), PLAN, "counter")
    assert (found.done, found.over) == (False, True)
    assert not planned_end(1_999_900, counted(1_999_900, ("reset", 100.0)), PLAN, "detected").over


@pytest.mark.parametrize(("kind", "explained"), [("gap", True), ("stop", True), ("tick", True), ("rollover", True),
                                                 ("reset", False), ("unexplained", False)])  # fmt: skip
def test_which_reasons_count(kind: str, explained: bool) -> None:
    assert planned_end(1_999_970, counted(1_999_970, (kind, 30.0)), PLAN, "counter").done is explained


def test_every_reason_has_words() -> None:
    assert set(REASONS) == set(KINDS)


@pytest.mark.parametrize(("per_cycle", "short", "done"), [(1.0, 1, True), (1.0, 2, False), (0.5, 2, True),
                                                         (0.5, 3, False), (2.0, 1, True), (2.0, 2, False)])  # fmt: skip
def test_the_last_tick_is_read_in_no_cycle(per_cycle: float, short: int, done: bool) -> None:
    found = planned_end(PLAN - short, counted(PLAN - short, per_cycle=per_cycle), PLAN, "counter")
    assert found.done is done
    assert found.cycles == (PLAN if done else PLAN - short)
    assert not planned_end(PLAN - short, None, PLAN, "detected").done


def test_without_counter_values_detection_decides_or_nobody() -> None:
    assert planned_end(PLAN, None, PLAN, "detected").done
    waits, reached = (planned_end(n, None, PLAN, "counter") for n in (PLAN - 1, PLAN))
    assert (waits.done, waits.over) == (False, False)
    assert "without values" in waits.difference
    assert (reached.done, reached.over) == (False, True)
    assert "no counter values" in reached.undecided


def test_without_a_plan_there_is_no_end() -> None:
    for by in ("detected", "counter"):
        for kept in (None, SHORT):
            found = planned_end(10**9, kept, None, by)
            assert (found.done, found.over) == (False, False)


@given(
    st.lists(st.tuples(st.sampled_from(KINDS), st.integers(-50, 50).map(float)), max_size=6),
    st.integers(0, 2_000), st.integers(1, 2_000), st.sampled_from(("detected", "counter")), st.sampled_from((0.5, 1.0)),
)  # fmt: skip
def test_laws(differences: list[tuple[str, float]], detected: int, planned: int, by: str, per_cycle: float) -> None:
    kept = counted(detected, *differences, per_cycle=per_cycle)
    found = planned_end(detected, kept, planned, by)
    assert not (found.done and found.undecided)
    assert not found.done or found.cycles >= planned
    assert found.over or found.cycles < planned or found.undecided
    explained = [(kind, n) for kind, n in differences if kind not in ("reset", "unexplained")]
    if found.done and by == "counter":  # what is in doubt did not help
        without = counted(detected, *explained, *[(k, n) for k, n in differences if n < 0 and (k, n) not in explained])
        assert planned_end(detected, replace(without, per_cycle=per_cycle), planned, by).done
    later = planned_end(detected + 1, replace(kept, detected=detected), planned, by)
    assert later.done or not found.done  # a cycle more never ends what was not over


def test_a_run_that_really_stopped_at_its_plan() -> None:
    """Rows as a rig leaves them: 500 run, the counter goes on through a gap of 20; the last cycle stays open."""
    number = np.delete(np.arange(500), np.arange(200, 220))  # counter at the start of each cycle
    start = number * 1_000_000
    complete = np.ones(number.size, bool)
    complete[[199, -1]] = False  # ended by the gap, and by the end of the log
    segment = (number >= 220).astype(int)
    result = reconcile(start, number.astype(float), complete, segment)
    places = tuple((d.kind, d.from_us, d.until_us, d.cycles) for d in result.differences)
    kept = Counted(result.detected, result.counted, result.per_cycle, differences=places)
    detected = int(complete.sum())
    assert detected == 478
    found = planned_end(detected, kept, 500, "counter")
    assert (found.done, found.cycles) == (True, 500)
    assert found.difference == (
        "cycle count: rig counter 499, detected 478; 21 in logging gaps; "
        "the last tick falls after the start of the last cycle"
    )
    assert not planned_end(detected, kept, 501, "counter").over


def test_a_block_takes_it_from_what_the_process_step_keeps() -> None:
    block = CyclicBlock(name="main", kind="cyclic", frequency=1.0, planned_cycles=PLAN, planned_by="counter")
    step = Step(key="k", version=1, parts=(), state={"main": {"counted": asdict(SHORT)}})
    assert block_end(block, Manifest(run="r", steps={"process": step}), 1_999_970).done
    assert block_end(block, Manifest(run="r", steps={"process": step}), 1_999_970, 1_000).done
    assert not block_end(block, Manifest(run="r", steps={"process": step}), 1_999_970, 3_000_000).over
    assert not block_end(block, Manifest(run="r"), 1_999_970).over
