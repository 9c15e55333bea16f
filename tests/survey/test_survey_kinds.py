"""What a survey makes of each kind of test that a bench draws, and what it leaves to a person."""

from __future__ import annotations

import re
import tomllib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchpipe.blocks.relaxation.plan import RelaxationBlock
from benchpipe.blocks.stance.plan import StanceBlock
from benchpipe.blocks.sweep.plan import SweepBlock
from benchpipe.plan import PlanConfig
from benchpipe.report.survey_lines import survey_lines
from benchpipe.samples.signals import Signals
from benchpipe.survey.blocks import find_blocks
from benchpipe.survey.draft import DraftedPlan, PlanHead, draft_plan
from benchpipe.survey.seen import Seen
from benchpipe.survey.stretches import Stretch, Surveyed
from tests.survey.benches import Bench

UNITS = {"load": "N*m", "motion": "deg"}
NOTHING = np.empty(0, np.float32)
AXES = ("time_us", "load", "motion")


def surveyed(bench: Bench, *, mode: bool = False, files: tuple[str, ...] = (), free: bool = False) -> Surveyed:
    """Each part of a bench as a stretch: of one log, of the mode of its lock, or of a log of its own."""
    found: list[Stretch] = []
    begun = 0
    for part, (load, motion, _, states) in enumerate(bench.parts):
        time_us = np.rint((begun + np.arange(load.size)) / bench.rate * 1e6).astype(np.int64)
        begun += load.size
        file = files[part] if files else "a.csv"
        number = int(states[0] == "locked") if mode else None
        signals = Signals(time_us, load, motion, NOTHING, NOTHING)
        if found and (found[-1].file, found[-1].mode) == (file, number):
            before = found.pop().signals
            joined = (np.concatenate([getattr(s, n) for s in (before, signals)]) for n in AXES)
            signals = Signals(*joined, NOTHING, NOTHING)
        found.append(Stretch(len(found), file, number, signals))
    rows: dict[tuple[str, int | None], int] = {}
    for one in found:
        rows[one.file, one.mode] = rows.get((one.file, one.mode), 0) + len(one.signals)
    return Surveyed(tuple(found), rows, 0, (), 0, (), float("nan"), frozenset({0} if free else ()))


def kinds(seen: Seen) -> list[str]:
    return [type(one).__name__.removesuffix("Seen") for one in seen.blocks]


def drafted(of: Surveyed) -> DraftedPlan:
    head = PlanHead("run", "invented", "rig.toml", (), ("logs/*",))
    seen = find_blocks(of)
    assert all(len(line) <= 80 for line, _ in survey_lines(seen, of, UNITS))
    return draft_plan(head, seen, of, UNITS, change=False)


def plan_of(text: str) -> PlanConfig:
    return PlanConfig.model_validate(tomllib.loads(text))


@settings(max_examples=40, deadline=None)
@given(
    st.permutations(["Cyclic", "Hold", "Relaxation", "Sweep"]), st.integers(1, 4), st.sampled_from([10.0, 20.0, 50.0]),
    st.sampled_from([5.0, 18.0, 60.0]), st.sampled_from([0.001, 0.01]), st.sampled_from([40.0, 160.0]),
    st.sampled_from([0.0, 0.3]), st.integers(1, 3),
)  # fmt: skip
def test_any_mix_of_tests_is_found(
    order: list[str], most: int, rate: float, stiffness: float, noise: float, top: float, spring: float, times: int
) -> None:
    bench = Bench(rate=rate, stiffness=stiffness, noise=noise)
    wanted = order[:most]
    for kind in wanted:
        bench.rest(8.0)
        if kind == "Cyclic":
            bench.cycle(20, 5.0, top, 0.5)
        elif kind == "Sweep":  # against a spring only where locked cycles are there to compare with
            bench.sweep(5, -12.0, 15.0, 9.0, spring=spring if "Cyclic" in wanted else 0.0)
        for _ in range(times if kind in ("Hold", "Relaxation") else 0):
            if kind == "Hold":
                bench.hold(0.7 * top, 40.0).rest(6.0)
            else:
                bench.relax(0.7 * top / stiffness, 60.0, lost=0.05).rest(6.0)
    found = find_blocks(surveyed(bench, mode=True))
    assert sorted(kinds(found)) == sorted(wanted)
    assert all(one.count == times for one in (*found.holds, *found.relaxations))
    assert found.stances == ()


def test_a_relaxing_load_is_one_relaxation_and_no_holds() -> None:
    of = surveyed(Bench().cycle(60, 5.0, 80.0, 1.0).relax(3.0, 300.0).rest(10.0).relax(3.0, 200.0))
    found = find_blocks(of)
    assert kinds(found) == ["Cyclic", "Relaxation"]
    assert (found.relaxations[0].count, found.relaxations[0].motion.value) == (2, pytest.approx(3.0, rel=0.01))
    assert found.relaxations[0].lost == pytest.approx(0.06 * np.log10(301.0), rel=0.2)  # from its first second on
    block = plan_of(drafted(of).text).block[1]
    assert isinstance(block, RelaxationBlock)
    assert block.drafted == ("motion",)


def test_a_held_load_whose_motion_creeps_is_no_relaxation() -> None:
    assert kinds(find_blocks(surveyed(Bench().rest(10.0).hold(60.0, 120.0, creep=0.002)))) == ["Hold"]
    leaking = Bench().rest(10.0).hold(60.0, 120.0, creep=0.2)
    assert kinds(find_blocks(surveyed(leaking))) == ["Hold"]


def test_holds_are_counted_whatever_comes_before_them() -> None:
    cycled = Bench()
    straight = Bench()
    for _ in range(3):
        cycled.cycle(40, 5.0, 80.0, 1.0).hold(60.0, 40.0, back=5.0)
        straight.hold(60.0, 40.0, back=30.0)
    assert [find_blocks(surveyed(one)).holds[0].count for one in (cycled, straight)] == [3, 3]
    (whole,) = surveyed(Bench().rest(5.0).hold(60.0, 80.0).rest(5.0)).stretches
    parts = (slice(0, 2000), slice(2000, None))
    over_a_border = tuple(
        Stretch(n, f"{n}.csv", None, Signals(*(getattr(whole.signals, name)[part] for name in AXES), NOTHING, NOTHING))
        for n, part in enumerate(parts)
    )
    rows = {(one.file, one.mode): len(one.signals) for one in over_a_border}
    assert find_blocks(Surveyed(over_a_border, rows, 0, (), 0, (), float("nan"))).holds[0].count == 1


def test_holds_in_stretches_of_their_own_are_no_dwell() -> None:
    bench = Bench()
    for _ in range(6):
        bench.wander(10.0, 5.0).hold(40.0, 20.0)
    found = find_blocks(surveyed(bench, mode=True))
    assert (found.holds[0].count, found.notes) == (6, ())


@pytest.mark.parametrize(("spring", "friction"), [(0.12, 0.7), (0.3, 0.7), (0.5, 0.3), (2.5, 0.3)])
def test_sweeps_against_a_spring_are_sweeps(spring: float, friction: float) -> None:
    bench = Bench().sweep(5, -15.0, 20.0, 12.0, spring=spring, friction=friction).cycle(60, 5.0, 80.0, 1.0)
    for found in (
        find_blocks(surveyed(bench, mode=True)),
        find_blocks(surveyed(bench, files=("sweep_1.csv", "cycling_1.csv"))),
    ):
        assert kinds(found) == ["Sweep", "Cyclic"]
        assert (found.sweeps[0].sweeps, found.cyclic[0].where.also) == (4, "")
    mixed = find_blocks(surveyed(bench))  # neither mode nor file: both are seen, and which is which is asked
    assert sorted(kinds(mixed)) == ["Cyclic", "Sweep"]
    assert mixed.cyclic[0].cycles >= 58


def test_slow_motion_against_a_spring_alone_is_asked_and_both_answers_work() -> None:
    bench = Bench().sweep(6, -15.0, 20.0, 12.0, spring=0.12)
    assert kinds(find_blocks(surveyed(bench))) == ["Slow"]
    assert kinds(find_blocks(surveyed(bench, mode=True, free=True))) == ["Sweep"]  # the log's word says free
    asked = drafted(surveyed(bench))
    assert [question.split(":")[0] for question in asked.questions] == ["kind"]
    for kind in ("cyclic", "sweep"):
        text = asked.text.replace('kind = "?"', f'kind = "{kind}"').replace(f"# {kind}: ", "")
        assert plan_of(text).block[0].kind == kind


def test_slow_cycles_of_a_locked_joint_stay_cycles() -> None:
    assert kinds(find_blocks(surveyed(Bench().cycle(20, 5.0, 80.0, 0.1)))) == ["Cyclic"]
    assert kinds(find_blocks(surveyed(Bench().cycle(20, -3.0, 3.0, 0.1, by="motion")))) == ["Cyclic"]
    fast_too = Bench().cycle(20, -3.0, 3.0, 0.1, by="motion", shape="triangle").cycle(60, -3.0, 3.0, 1.0, by="motion")
    assert kinds(find_blocks(surveyed(fast_too, files=("slow.csv", "fast.csv")))) == ["Cyclic", "Cyclic"]


def test_sweeps_are_counted_as_the_processing_counts_them() -> None:
    bench = Bench()
    for _ in range(3):
        bench.sweep(5, -12.0, 15.0, 8.0, stops=(-9.0, 12.0))
    goes_on = surveyed(bench, files=("1.csv", "2.csv", "3.csv"))
    assert find_blocks(goes_on).sweeps[0].sweeps == 14
    apart = [
        Stretch(
            s.number,
            s.file,
            None,
            Signals(s.signals.time_us % 40_000_000, s.signals.load, s.signals.motion, NOTHING, NOTHING),
        )
        for s in goes_on.stretches
    ]
    again = Surveyed(tuple(apart), goes_on.rows, 0, (), 0, (), float("nan"))
    assert find_blocks(again).sweeps[0].sweeps == 12


def test_a_joint_that_moves_is_asked_and_one_at_rest_is_idle() -> None:
    of = surveyed(Bench().wander(60.0, 8.0).cycle(100, 5.0, 80.0, 1.0), mode=True)
    found = find_blocks(of)
    assert (kinds(found), found.idle) == (["Cyclic", "Moving"], ())
    text = drafted(of)
    assert len(text.questions) == 1
    assert {block.kind for block in plan_of(text.text.replace('kind = "?"', 'kind = "idle"')).block} == {
        "cyclic",
        "idle",
    }
    resting = find_blocks(surveyed(Bench().rest(60.0, "free").cycle(100, 5.0, 80.0, 1.0), mode=True))
    assert (kinds(resting), [where.mode for where in resting.idle]) == (["Cyclic"], [0])


def test_a_swaying_load_is_left_to_a_person_and_holds_nothing_up() -> None:
    bench = Bench().rest(5.0)
    for _ in range(2):
        bench.stand(40.0, 60.0, 0.08).rest(20.0)
    of = surveyed(bench.cycle(100, 5.0, 80.0, 1.0), mode=True)
    found = find_blocks(of)
    assert (kinds(found), [stance.count for stance in found.stances]) == (["Cyclic"], [2])
    asked = drafted(of)
    assert asked.questions == ()
    before, after = asked.text.split("a stance? If so", 1)
    text = before + "\n" + re.sub(r"(?m)^# ", "", after.split("\n", 1)[1])
    (stance,) = (block for block in plan_of(text).block if isinstance(block, StanceBlock))
    assert stance.load_min is not None
    assert stance.load_max is not None
    assert 45.0 < stance.load_min.value < 56.0 < 64.0 < stance.load_max.value < 75.0


def test_lock_changes_are_left_to_a_person() -> None:
    bench = Bench()
    for _ in range(4):
        bench.sweep(3, -12.0, 15.0, 8.0, stops=(-9.0, 12.0)).cycle(20, 5.0, 80.0, 1.0)
    asked = drafted(surveyed(bench, mode=True))
    assert asked.questions == ()
    plan = plan_of(asked.text)
    assert [block.kind for block in plan.block] == ["sweep", "cyclic"]
    assert isinstance(plan.block[0], SweepBlock)
    text = asked.text.split("is every lock judged?")[1].split("\n", 1)[1]
    text = asked.text + re.sub(r"(?m)^# ", "", text).replace('"? ', '"0.5 ')
    assert [block.kind for block in plan_of(text).block][-1] == "locking"
