"""What a summary puts first: remarks by rank, items that fail, and advice that agrees with the rig."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from benchpipe.blocks.figures import BlockView
from benchpipe.check.decision import NOT_APPLICABLE, Verdict
from benchpipe.check.specimens import waits_for_more
from benchpipe.health.finding import Finding
from benchpipe.report.terminal import headline
from benchpipe.store.manifest import Manifest, Remark, Step
from benchpipe.views.model import RunView
from benchpipe.views.remark_ranks import RANKS, USUAL, rank_of, ranked
from benchpipe.views.rig_advice import LET_RUN, with_health
from benchpipe.views.run_view import NOTHING_SAID, _do_next, failed_view

VIEW = replace(failed_view(Path("lab/one/plan.toml"), ""), failed=None, judged=True, do_next=(LET_RUN,))
CODES = sorted({code for codes in (*RANKS, USUAL) for code in codes} | {"new-code"})


def remark(code: str, count: int = 1) -> Remark:
    return Remark(step="process", code=code, where="durability", count=count, text=code)


@given(st.lists(st.sampled_from(CODES), max_size=12))
def test_remarks_come_by_rank_and_none_is_lost(codes: list[str]) -> None:
    found = [one.code for one in ranked(map(remark, codes))]
    assert sorted(found) == sorted(codes)
    assert [rank_of(code) for code in found] == sorted(map(rank_of, codes))


def test_what_may_change_a_verdict_comes_before_what_is_usual() -> None:
    found = ranked(map(remark, ("open", "peaks-only", "new-code", "zero-shift", "gap", "sign-reversed")))
    assert [one.code for one in found] == ["sign-reversed", "gap", "zero-shift", "new-code", "open", "peaks-only"]


def test_a_rig_that_is_not_well_is_not_left_running() -> None:
    stopped = Finding("rig-stopped", "", "stopped since then", "see why the rig stands")
    assert with_health(VIEW, (stopped,)).do_next == ("see to the rig: rig-stopped: see why the rig stands",)
    due = Finding("calibration-due", "force", "is due", "have it calibrated")
    assert with_health(VIEW, (due,)).do_next == (LET_RUN,)
    other = replace(VIEW, do_next=("stop the rig: 'peak' failed",))
    assert with_health(other, (stopped,)).do_next == other.do_next


def test_a_rig_off_its_target_is_not_left_running_though_nobody_watches_it() -> None:
    block = BlockView("durability", "cyclic", 1000, 2000, ())
    few, many = (replace(VIEW, blocks=(block,), remarks=(remark("off-target", n),)) for n in (50, 51))
    assert with_health(few, ()).do_next == (LET_RUN,)
    (step,) = with_health(many, ()).do_next
    assert step == "see to the rig: 51 cycles of 'durability' are off target: check its control"


def row(remark_: str, *, due: bool = False, verdict: str = "not evaluated", block: str = "proof") -> dict[str, object]:
    return {**NOTHING_SAID, "due": due, "verdict": verdict, "remark": remark_, "limit": "set", "block": block}


def test_a_limit_on_what_the_plan_lacks_keeps_nothing_open() -> None:
    lacking = row(f"{NOT_APPLICABLE}: the plan has no proof block")
    assert not waits_for_more([lacking], ["proof"])
    assert waits_for_more([row("no proof yet")], ["proof"])
    view: RunView = replace(VIEW, limits=(lacking,), verdict=Verdict.NOT_EVALUATED)
    assert headline(view)[0] == "NO LIMIT APPLIES"
    assert headline(replace(view, limits=(lacking, row("no proof yet"))))[0] == "NOTHING DUE YET"


def test_where_no_limit_fits_nothing_is_said_to_be_met() -> None:
    manifest = Manifest(run="r", code="", steps={"check": Step(key="", version=1)})
    limits = [row(f"{NOT_APPLICABLE}: the plan has no proof block")]
    for running in (True, False):
        (step,) = _do_next(None, manifest, Verdict.NOT_EVALUATED, limits, running)  # type: ignore[arg-type]
        assert step.startswith("no limit fits a block of the plan")
