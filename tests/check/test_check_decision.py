"""Verdicts and their order."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from benchpipe.check.decision import NOT_APPLICABLE, RANK, Verdict, applies, worst


def test_without_any_verdict_nothing_was_evaluated() -> None:
    assert worst([]) is Verdict.NOT_EVALUATED


@given(st.lists(st.sampled_from(list(Verdict)), min_size=1))
def test_the_worst_is_no_better_than_any(verdicts: list[Verdict]) -> None:
    assert worst(verdicts) in verdicts
    assert all(RANK[worst(verdicts)] <= RANK[one] for one in verdicts)


def test_a_fail_is_worse_than_all_and_a_pass_better() -> None:
    assert sorted(Verdict, key=lambda v: RANK[v]) == [
        Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.NOT_EVALUATED, Verdict.PASS,
    ]  # fmt: skip


def test_a_limit_applies_unless_its_remark_begins_otherwise() -> None:
    assert applies({"remark": "only 3 of 9 could be measured"})
    assert applies({"remark": f"this is {NOT_APPLICABLE}"})
    assert not applies({"remark": f"{NOT_APPLICABLE}: the plan has no holds"})
    assert applies({"remark": None})
    assert applies({})
    assert applies({"why": NOT_APPLICABLE})
