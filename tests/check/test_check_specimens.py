"""The result of a test from invented verdicts: passed only if all is there and all is within its limits."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.check.decision import Verdict
from benchpipe.check.specimens import BlockDone, LabTestResult, RunState, lab_test_result, waits_for_more
from benchpipe.config.lab_tests import LabTestConfig

N = 2_000_000
PASS, FAIL, OPEN, UNKNOWN = Verdict.PASS, Verdict.FAIL, Verdict.NOT_EVALUATED, Verdict.INCONCLUSIVE


def row(verdict: Verdict = PASS, block: str = "durability", *, due: bool = True, **more: Any) -> dict[str, Any]:
    """A row of the verdicts table."""
    plain = {"limit": "stiffness lost", "limits_file": "structural", "measure": "secant_stiffness"}
    return plain | {"verdict": str(verdict), "block": block, "due": due} | more


def cycles(done: int | None = N, planned: int | None = N) -> BlockDone:
    return BlockDone("durability", "cyclic", done, planned, planned is not None and (done or 0) >= planned)


def proof(done: int = 1) -> BlockDone:
    return BlockDone("strength", "proof", done, 1, done >= 1)


SOUND = RunState((row(), row(block="strength", limit="permanent set")), (cycles(), proof()))


def result(runs: dict[str, RunState], **changes: Any) -> LabTestResult:
    """Result of a test of two specimens, one run each."""
    told: dict[str, Any] = {
        "name": "t", "required": 2,
        "specimen": [{"name": name.upper(), "stage": [{"run": name}]} for name in ("a", "b")],
    }  # fmt: skip
    test = LabTestConfig.model_validate(told | changes, context="file")
    return lab_test_result(test, {"a": SOUND, "b": SOUND} | runs)


def test_two_sound_specimens_pass_and_say_what_they_show() -> None:
    found = result({})
    assert (found.verdict, found.running, found.why) == (PASS, False, "")
    assert found.survival.words == (
        "2 of 2 survived 2,000,000 cycles: reliability at least 0.31 with 90 % confidence",
    )


# what becomes of specimen B, its verdict, whether it goes on, and a word of why
STATES: list[tuple[str, RunState, Verdict, bool, str]] = [
    ("a limit fails", RunState((row(), row(FAIL, limit="peak")), SOUND.blocks), FAIL, False, "'peak' failed"),
    ("two fail", RunState((row(FAIL), row(FAIL)), SOUND.blocks), FAIL, False, "and 1 more failed"),
    ("fails while it goes on", RunState((row(FAIL),), (cycles(9),)), FAIL, True, "failed"),
    ("inconclusive", RunState((row(UNKNOWN),), (cycles(),)), UNKNOWN, False, "is inconclusive"),
    ("due and not evaluated", RunState((row(OPEN),), (cycles(),)), OPEN, False, "is not evaluated"),
    ("cycles to come", RunState((row(),), (cycles(1_195),)), OPEN, True, "durability 1,195 of 2,000,000 cycles"),
    ("a limit waits", RunState((row(), row(OPEN, due=False)), (cycles(),)), OPEN, True, "'stiffness lost' on dur"),
    ("a proof to come", RunState((row(),), (cycles(), proof(0))), OPEN, True, "strength 0 of 1"),
    ("a block not begun", RunState((row(),), (cycles(), BlockDone("free", "sweep", 0, None, False))), OPEN, True,
     "free has not begun"),
    ("no limit at all", RunState((), (cycles(),)), OPEN, False, "no limit judges it"),
    ("limits on the run alone", RunState((row(block="run"),), (cycles(),)), OPEN, False, "no limit judges it"),
    ("the run's order broken", RunState((row(), row(FAIL, "run", limit="order")), (cycles(),)), FAIL, False, "'order'"),
    ("in the archive", RunState((row(),), (cycles(None),)), OPEN, False, "in an archive"),
    ("no number of cycles", RunState((row(),), (cycles(90, None),)), OPEN, False, "says how many cycles"),
    ("not processed", RunState(unknown="the run was not processed"), OPEN, True, "not processed"),
]  # fmt: skip


@pytest.mark.parametrize(("state", "verdict", "running", "why"), [s[1:] for s in STATES], ids=[s[0] for s in STATES])
def test_what_keeps_a_test_from_passing(state: RunState, verdict: Verdict, running: bool, why: str) -> None:
    found = result({"b": state})
    assert (found.verdict, found.running) == (verdict, running)
    assert why in found.specimens[1].stages[0].why
    assert found.specimens[0].verdict is PASS


def test_a_limit_on_a_block_that_the_plan_does_not_have_is_not_waited_for() -> None:
    extra = row(OPEN, "hold", due=False)
    assert result({"b": RunState((*SOUND.limits, extra, row(OPEN, "run", due=False)), SOUND.blocks)}).verdict is PASS
    assert not waits_for_more([extra], ["durability"])
    assert waits_for_more([row(OPEN, due=False)], ["durability"])


def test_an_idle_block_is_not_waited_for_and_a_count_may_stand_in_a_limit() -> None:
    idle = BlockDone("rest", "idle", 0, None, False)
    counted = row(measure="cycles_done", limit="cycles")
    assert result({"b": RunState((row(), counted), (cycles(N, None), idle))}).verdict is PASS


def test_an_idle_block_at_the_head_of_a_plan_hides_nothing_that_is_to_come() -> None:
    idle, unknown = BlockDone("rest", "idle", 0, None, False), BlockDone("strength", "proof", None, 1, False)
    found = result({"b": RunState((row(),), (idle, unknown, cycles(7)))})
    assert found.verdict is OPEN
    assert found.specimens[1].stages[0].why == "still to come: durability 7 of 2,000,000 cycles"
    assert found.specimens[1].cycles == 7
    no_number = RunState((row(), row(block="strength")), (proof(), cycles(9, None)))
    (stage,) = result({"b": no_number}).specimens[1].stages
    assert "says how many cycles 'durability' is to have" in stage.why
    assert (stage.running, stage.cycles) == (False, 9)


def test_a_result_names_its_test_its_specimens_and_their_stages() -> None:
    found = result({})
    assert (found.name, found.required) == ("t", 2)
    assert [(one.name, one.replaced_by, one.reason) for one in found.specimens] == [("A", None, ""), ("B", None, "")]
    assert [(stage.name, stage.run) for one in found.specimens for stage in one.stages] == [("a", "a"), ("b", "b")]
    stages = [{"run": "a", "name": "static"}, {"run": "b", "repeated_by": "c", "reason": "a cable came off"},
              {"run": "c"}]  # fmt: skip
    found = result({"c": SOUND}, allow_repeat=1, specimen=[{"name": "A", "stage": stages}])
    shown = [(stage.name, stage.run, stage.repeated_by, stage.reason) for stage in found.specimens[0].stages]
    assert shown == [("static", "a", None, ""), ("b", "b", "c", "a cable came off"), ("c", "c", None, "")]


def test_a_run_that_is_not_there() -> None:
    told = {"specimen": [{"name": "A", "stage": [{"run": "a"}]}, {"name": "B", "stage": [{"run": "nowhere"}]}]}
    found = result({}, **told)
    assert (found.verdict, found.running) == (OPEN, True)
    assert found.specimens[1].stages[0].why == "the run cannot be read"


def test_a_specimen_that_is_still_to_be_named() -> None:
    found = result({}, required=3)
    assert (found.verdict, found.running, found.why) == (OPEN, True, "2 of 3 required specimens named")
    assert result({"b": STATES[0][1]}, required=3).verdict is FAIL


def test_one_more_specimen_excuses_no_failure() -> None:
    told = {"specimen": [{"name": n, "stage": [{"run": n}]} for n in ("a", "b", "c")]}
    assert result({"b": STATES[0][1], "c": SOUND}, **told).verdict is FAIL


def test_a_specimen_replaced_as_configured_does_not_count() -> None:
    told = {
        "allow_substitute": 1,
        "specimen": [
            {"name": "A", "stage": [{"run": "a"}]},
            {"name": "B", "stage": [{"run": "b"}], "replaced_by": "C", "reason": "the clamp slipped"},
            {"name": "C", "stage": [{"run": "c"}]},
        ],
    }
    found = result({"b": STATES[0][1], "c": SOUND}, **told)
    assert (found.verdict, found.survival.tested) == (PASS, 2)
    assert found.specimens[1].verdict is FAIL  # shown, with its reason
    assert result({"b": SOUND, "c": STATES[0][1]}, **told).verdict is FAIL


def test_a_stage_repeated_as_configured_does_not_count_and_its_cycles_neither() -> None:
    stages = [
        {"run": "b", "blocks": ["durability"]},
        {"run": "p", "repeated_by": "q", "reason": "a cable came off"},
        {"run": "q"},
    ]
    told = {"allow_repeat": 1, "specimen": [{"name": "A", "stage": [{"run": "a"}]}, {"name": "B", "stage": stages}]}
    static = RunState((row(block="strength"),), (proof(),))
    broke = RunState((row(FAIL, "strength"),), (proof(),))
    found = result({"p": broke, "q": static}, **told)
    assert found.verdict is PASS
    assert found.specimens[1].cycles == N
    assert result({"p": static, "q": broke}, **told).verdict is FAIL
    assert result({"p": static, "q": RunState((), (proof(0),))}, **told).running


def test_a_stage_is_its_blocks_judged_by_its_limit_files() -> None:
    own = row(FAIL, limits_file="our own")
    state = RunState((row(), own, row(FAIL, "strength")), (cycles(), proof()))

    def verdict(**stage: Any) -> LabTestResult:
        told = [{"name": "A", "stage": [{"run": "a"}]}, {"name": "B", "stage": [{"run": "b", **stage}]}]
        return result({"b": state}, specimen=told)

    assert verdict().verdict is FAIL
    assert verdict(blocks=["durability"]).verdict is FAIL
    assert verdict(blocks=["durability"], limits=["structural"]).verdict is PASS
    other = verdict(blocks=["strength"], limits=["our own"])
    assert (other.verdict, other.specimens[1].stages[0].why) == (OPEN, "no limit judges block 'strength'")


def test_cycles_beyond_the_plan_are_not_claimed() -> None:
    beyond = RunState((row(),), (cycles(N + 500),))
    found = result({"a": beyond, "b": beyond})
    assert [one.cycles for one in found.specimens] == [N, N]
    assert found.survival.cycles == N
    no_number = RunState((row(measure="cycles_done"),), (cycles(N + 500, None),))
    assert result({"a": no_number, "b": no_number}).survival.cycles == N + 500
    ended = BlockDone("durability", "cyclic", 7, None, True)
    assert result({"b": RunState((row(measure="cycles_done"),), (ended,))}).specimens[1].cycles == 7


def test_a_specimen_without_a_cycle_test_has_no_cycles() -> None:
    static = RunState((row(block="strength"),), (proof(),))
    found = result({"a": static, "b": static})
    assert [(one.cycles, one.stages[0].cycles, one.stages[0].running) for one in found.specimens] == [
        (None, None, False)
    ] * 2
    assert found.survival.words == ("2 of 2 survived: reliability at least 0.31 with 90 % confidence",)
    (stage,) = result({"b": RunState((), (proof(),))}).specimens[1].stages
    assert (stage.why, stage.running, stage.verdict) == ("no limit judges it", False, OPEN)
    (stage,) = result({"b": RunState((row(block="strength"),), (proof(0),))}).specimens[1].stages
    assert stage.why == "still to come: strength 0 of 1"


def test_cycles_are_known_whatever_the_verdict() -> None:
    for state in (RunState((row(FAIL),), (cycles(),)), RunState((), (cycles(),)), SOUND):
        assert result({"b": state}).specimens[1].cycles == N
    assert result({}).specimens[0].stages[0].why == ""


def test_a_life_is_named_where_the_lab_states_a_shape() -> None:
    assert result({}).survival.life is None
    assert result({}, weibull_shape=2.0).survival.life == pytest.approx(N * (2.0 / np.log(10.0)) ** 0.5)


ROWS = st.builds(row, st.sampled_from(list(Verdict)), st.sampled_from(["durability", "strength", "run", "hold"]),
                 due=st.booleans())  # fmt: skip
CYCLES = st.sampled_from([cycles(), cycles(5), cycles(None), cycles(5, None)])
RUN = st.builds(
    RunState, st.lists(ROWS, max_size=5).map(tuple), st.tuples(CYCLES, st.sampled_from([proof(), proof(0)]))
)


@given(RUN, RUN, st.integers(1, 3))
def test_a_pass_is_earned(a: RunState, b: RunState, required: int) -> None:
    found = result({"a": a, "b": b}, required=required)
    due = [r for run in (a, b) for r in run.limits if r["due"] and r["block"] != "hold"]
    if found.verdict is PASS:
        assert not found.running
        assert required <= 2
        assert all(r["verdict"] == PASS for r in due)
        assert all(r["due"] or r["block"] in ("run", "hold") for run in (a, b) for r in run.limits)
        assert all(block.ended for run in (a, b) for block in run.blocks)
        assert all(any(r["due"] and r["block"] in ("durability", "strength") for r in run.limits) for run in (a, b))
    if any(r["verdict"] == FAIL for r in due):
        assert found.verdict is FAIL
    elif not due:
        assert found.verdict is OPEN
