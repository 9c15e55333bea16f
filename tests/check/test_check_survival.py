"""What few specimens show, in words: rounded down, and never more than was shown."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import chdtri

from benchpipe.check.decision import Verdict
from benchpipe.check.survival import survival

PASS, FAIL, OPEN, UNKNOWN = Verdict.PASS, Verdict.FAIL, Verdict.NOT_EVALUATED, Verdict.INCONCLUSIVE
N = 2_000_000


def test_two_survivors() -> None:
    found = survival([(PASS, False, N), (PASS, False, N + 12)], 0.9, None)
    assert found.words == ("2 of 2 survived 2,000,000 cycles: reliability at least 0.31 with 90 % confidence",)
    assert found.reliability == pytest.approx(math.sqrt(0.1))
    assert (found.life, found.so_far) == (None, False)


def test_three_run_outs_at_a_stated_shape() -> None:
    found = survival([(PASS, False, N)] * 3, 0.9, 2.0)
    assert found.life == pytest.approx(2.283e6, abs=600)  # 2e6 sqrt(3 / ln 10)
    assert found.words[1] == (
        "characteristic life at least 2,282,000 cycles with 90 % confidence, if the Weibull shape is 2 "
        "(stated, not tested)"
    )


def test_a_failure_lowers_both() -> None:
    found = survival([(PASS, False, N), (PASS, False, N), (FAIL, False, 300)], 0.9, 2.0)
    # two of three survive with probability 0.1 at R: 3 R^2 - 2 R^3 = 0.1
    assert 3 * found.reliability**2 - 2 * found.reliability**3 == pytest.approx(0.1)  # type: ignore[operator]
    assert found.words[0] == "2 of 3 survived 2,000,000 cycles: reliability at least 0.19 with 90 % confidence"
    assert found.life is not None
    assert found.life < survival([(PASS, False, N)] * 2, 0.9, 2.0).life  # type: ignore[operator]


def test_a_failed_specimen_adds_a_failure_and_no_cycles() -> None:
    found = survival([(PASS, False, 10), (FAIL, False, 9)], 0.9, 1.5)
    assert found.life == pytest.approx((10.0**1.5 / (chdtri(4, 0.1) / 2.0)) ** (1.0 / 1.5))
    assert (found.confidence, found.weibull_shape, found.cycles) == (0.9, 1.5, 10)


@pytest.mark.parametrize("specimens", [1, 3, 30])
@pytest.mark.parametrize("shape", [0.02, 0.001, 0.0001])
def test_a_shape_at_which_no_life_can_be_named_names_none(specimens: int, shape: float) -> None:
    found = survival([(PASS, False, N)] * specimens, 0.9, shape)
    assert found.life is None or 1.0 <= found.life < math.inf
    assert not any("at least 0 cycles" in text for text in found.words)
    assert (len(found.words) == 2) is (found.life is not None)


def test_what_is_not_decided_counts_as_failed() -> None:
    found = survival([(PASS, False, N), (UNKNOWN, False, N)], 0.9, None)
    assert (found.survived, found.tested, found.undecided) == (1, 2, 1)
    assert found.words == (
        "1 of 2 survived 2,000,000 cycles (1 not decided, counted as failed): "
        "reliability at least 0.05 with 90 % confidence",
    )


@pytest.mark.parametrize(
    ("specimen", "survived", "undecided"),
    [
        ((PASS, False, N), 2, 0), ((PASS, True, N), 2, 0), ((OPEN, True, N), 2, 0),
        ((OPEN, False, N), 1, 1), ((UNKNOWN, False, N), 1, 1), ((UNKNOWN, True, N), 1, 1),
        ((FAIL, False, N), 1, 0), ((FAIL, True, N), 1, 0), ((FAIL, True, 0), 1, 0), ((FAIL, True, None), 1, 0),
    ],
)  # fmt: skip
def test_only_what_passes_or_goes_on_without_a_doubt_survives(
    specimen: tuple[Verdict, bool, int | None], survived: int, undecided: int
) -> None:
    found = survival([(PASS, False, N), specimen], 0.9, None)
    assert (found.survived, found.tested, found.undecided) == (survived, 2, undecided)
    assert found.so_far is specimen[1]


def test_a_short_life_is_named_to_the_cycle_and_none_below_one() -> None:
    def said(cycles: int) -> tuple[str, ...]:
        return survival([(PASS, False, cycles)], 0.9, 1.0).words[1:]

    rest = "cycles with 90 % confidence, if the Weibull shape is 1 (stated, not tested)"
    assert said(1_000) == (f"characteristic life at least 434 {rest}",)  # 1000 / ln 10
    assert said(100_000) == (f"characteristic life at least 43,420 {rest}",)
    assert said(3) == (f"characteristic life at least 1 {rest}",)
    assert said(2) == ()
    whole = survival([(PASS, False, 100)], 1.0 - math.exp(-1.0), 1.0)  # a hundred, but for the last digit of a double
    assert whole.words[1].startswith("characteristic life at least 100 cycles")


def test_forty_survivors() -> None:
    (words,) = survival([(PASS, False, N)] * 40, 0.9, None).words
    assert words.endswith("reliability at least 0.94 with 90 % confidence")  # 0.1 to the power of 1/40 is 0.944


def test_what_goes_on_counts_for_its_cycles_so_far() -> None:
    found = survival([(OPEN, True, 900), (PASS, False, N), (OPEN, True, 0), (OPEN, True, None)], 0.9, None)
    assert found.words == ("2 of 2 survived 900 cycles so far: reliability at least 0.31 with 90 % confidence",)


def test_without_cycles_they_are_not_named() -> None:
    words = survival([(PASS, False, None), (PASS, False, N)], 0.9, 2.0).words
    assert words == ("2 of 2 survived: reliability at least 0.31 with 90 % confidence",)


def test_nothing_is_said_of_nothing() -> None:
    assert survival([(OPEN, True, 0)], 0.9, 2.0).words == ()
    assert survival([], 0.9, None).reliability is None
    assert survival([(FAIL, False, 5)], 0.9, 2.0).words == ("0 of 1 survived: no reliability is shown",)


KINDS = st.sampled_from([(PASS, False), (FAIL, False), (FAIL, True), (UNKNOWN, False), (OPEN, False), (OPEN, True)])


@given(st.lists(st.tuples(KINDS, st.integers(1, 10**7)), min_size=1, max_size=8), st.floats(0.5, 0.99))
def test_the_words_say_no_more_than_shown(rows: list[tuple[tuple[Verdict, bool], int]], confidence: float) -> None:
    found = survival([(verdict, running, n) for (verdict, running), n in rows], confidence, 1.5)
    assert found.survived + sum(v is FAIL for (v, _), _ in rows) + found.undecided == found.tested == len(rows)
    assert found.reliability is not None
    said = re.search(r"at least (0\.\d\d) ", found.words[0])
    assert (float(said[1]) if said else 0.0) <= found.reliability + 1e-9
    if found.life is not None:
        life = re.search(r"at least ([\d,]+) cycles", found.words[1])
        assert life is not None
        assert float(life[1].replace(",", "")) <= found.life * (1 + 1e-9)
    worse = survival([*[(v, r, n) for (v, r), n in rows], (FAIL, False, 10)], confidence, 1.5)
    assert worse.reliability < found.reliability or found.reliability == 0.0  # type: ignore[operator]
