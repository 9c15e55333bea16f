"""The rig's counter against detected cycles: invented counters with known faults."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.blocks.cyclic import counter_sums
from benchpipe.blocks.cyclic.counter_sums import counter_then
from benchpipe.blocks.cyclic.counting import CountResult, counter_result, reconcile, rows_every
from benchpipe.blocks.cyclic.running import CounterSums
from benchpipe.blocks.cyclic.state import Counted

SECOND = 1_000_000


def run(*stretches: int, pause_s: int = 3) -> dict[str, np.ndarray]:
    """Stretches of so many cycles at 1 Hz, each ended by an open one; the counter ticks in every cycle."""
    start, complete, segment, counter, now, count = [], [], [], [], 0, 0
    for number, cycles in enumerate(stretches, 1):
        for k in range(cycles + 1):
            start.append(now)
            complete.append(k < cycles)
            segment.append(number)
            counter.append(count)
            now += SECOND
            count += k < cycles
        now += pause_s * SECOND
    names = ("start_us", "complete", "segment", "counter")
    return dict(zip(names, map(np.array, (start, complete, segment, np.array(counter, float))), strict=True))


def kinds(result: CountResult) -> dict[str, float]:
    return {d.kind: result.by_kind(d.kind) for d in result.differences}


def test_a_counter_that_agrees_leaves_nothing_to_explain() -> None:
    result = reconcile(**run(100, 50))
    assert (result.detected, result.counted, result.per_cycle, result.differences) == (150, 150.0, 1.0, ())


@pytest.mark.parametrize("per_cycle", [0.5, 0.2, 2.0])
def test_a_counter_that_ticks_at_another_rate(per_cycle: float) -> None:
    cycles = run(400, 200)
    cycles["counter"] = np.floor(cycles["counter"] * per_cycle)
    result = reconcile(**cycles)
    assert result.per_cycle == pytest.approx(per_cycle)
    assert result.unexplained == 0.0
    assert abs(result.counted - result.detected) <= 1 / per_cycle


def test_what_was_counted_in_a_gap_is_unobserved_and_explained() -> None:
    cycles = run(100, 50, pause_s=40)
    cycles["counter"][101:] += 38
    result = reconcile(**cycles)
    assert kinds(result) == {"gap": 38.0}
    assert result.counted - result.detected == 38.0


def test_more_than_a_gap_had_time_for_is_unexplained() -> None:
    cycles = run(100, 50, pause_s=40)
    cycles["counter"][101:] += 500
    assert kinds(reconcile(**cycles)) == {"unexplained": 500.0}


def test_a_count_that_goes_on_while_the_rig_stands_is_unexplained() -> None:
    cycles = run(100, 50, pause_s=40)
    cycles["counter"][101:] += 20
    stopped = ~cycles["complete"]
    assert kinds(reconcile(**cycles, stopped=stopped)) == {"unexplained": 20.0}
    assert kinds(reconcile(**cycles)) == {"gap": 20.0}


def test_a_reset_is_counted_on() -> None:
    cycles = run(100, 50)
    cycles["counter"][101:] -= 100
    result = reconcile(**cycles)
    assert (result.resets, result.rollovers, result.unexplained) == (1, 0, 0.0)
    assert result.counted == result.detected == 150


@pytest.mark.parametrize("around", [65_536, 10_000])
def test_a_rollover_is_counted_on(around: int) -> None:
    cycles = run(1000, 500)
    cycles["counter"] = (cycles["counter"] + around - 300) % around
    result = reconcile(**cycles)
    assert (result.resets, result.rollovers, result.unexplained) == (0, 1, 0.0)
    assert result.counted == result.detected == 1500


def test_a_counter_set_back_to_some_number_is_unexplained() -> None:
    cycles = run(1000)
    cycles["counter"][500:] -= 200
    assert reconcile(**cycles).unexplained == 200.0


def test_a_counter_that_stands_still_is_unexplained() -> None:
    cycles = run(100)
    cycles["counter"][:] = 7
    assert kinds(reconcile(**cycles)) == {"unexplained": -100.0}


def test_lost_ticks_are_unexplained() -> None:
    cycles = run(1000)
    cycles["counter"] = np.floor(cycles["counter"] * 0.99)
    assert kinds(reconcile(**cycles)) == {"unexplained": pytest.approx(-10.0)}


def test_no_counter_says_nothing() -> None:
    cycles = run(100)
    cycles["counter"][:] = np.nan
    result = reconcile(**cycles)
    assert (result.n_used, result.differences) == (0, ())


@given(
    st.lists(st.integers(0, 60), min_size=1, max_size=6),
    st.lists(st.tuples(st.integers(0, 400), st.integers(-70_000, 70_000)), max_size=4),
    st.lists(st.integers(0, 400), max_size=20),
    st.sampled_from([0.5, 1.0, 2.0]),
)
def test_differences_add_up_whatever_the_counter_does(
    stretches: list[int], jumps: list[tuple[int, int]], holes: list[int], per_cycle: float
) -> None:
    cycles = run(*stretches)
    cycles["counter"] = np.floor(cycles["counter"] * per_cycle)
    for at, size in jumps:
        cycles["counter"][at:] += size
    for at in holes:
        cycles["counter"][at : at + 1] = np.nan
    result = reconcile(**cycles)
    total = sum(d.cycles for d in result.differences)
    assert total == pytest.approx(result.counted - result.detected)


@pytest.mark.parametrize(("last", "kind"), [(9_000, "resets"), (9_999, "rollovers")])
def test_a_pause_that_a_clock_invents_is_no_time_for_a_counter_to_come_round(last: int, kind: str) -> None:
    """An elapsed clock that began anew stands an hour later, however long the rig really stood."""
    cycles = run(100, 50, pause_s=3600)
    cycles["counter"][:101] += last - 100
    cycles["counter"][101:] -= 100
    seen = reconcile(**cycles, restarts_us=[cycles["start_us"][101]])
    assert (seen.resets, seen.rollovers) == ((1, 0) if kind == "resets" else (0, 1))
    assert seen.unexplained == 0.0
    assert reconcile(**cycles).rollovers == 1  # an hour by a dated clock is time enough


def test_the_state_keeps_all_but_single_ticks() -> None:
    cycles = run(100, 50, pause_s=40)
    cycles["counter"][101:] += 38
    cycles["counter"][-1] += 1
    result = reconcile(**cycles)
    assert {d.kind for d in result.differences} == {"gap", "tick"}
    begun, over = (int(us) for us in cycles["start_us"][100:102])
    assert result.state == Counted(150, 189.0, 1.0, differences=(("gap", begun, over, 38.0),))


def test_rows_of_every_few_cycles_are_known_by_spacing_and_counter() -> None:
    at = np.arange(40) * 2 * SECOND
    none = np.full(40, np.nan)
    assert rows_every(at, np.arange(40.0) * 2, 1.0) == 2
    assert rows_every(at, none, 1.0) == 2
    assert rows_every(at // 2, np.arange(40.0) * 2, 1.0) == 1  # a counter that ticks twice a cycle
    assert rows_every(at, np.arange(40.0), 1.0) == 1  # a slower rig than the plan says: another remark
    assert rows_every(at, none, 0.5) == 1
    assert rows_every(at[:3], none[:3], 1.0) == 1


@given(st.integers(2, 50), st.integers(5, 60), st.lists(st.tuples(st.integers(0, 59), st.integers(1, 500)), max_size=3))
def test_cycles_without_a_row_went_by_while_nothing_was_logged(
    every: int, rows: int, jumps: list[tuple[int, int]]
) -> None:
    cycles = run(rows)
    cycles = {name: values[:-1] for name, values in cycles.items()}
    cycles["start_us"] = cycles["start_us"] * every
    cycles["counter"] = cycles["counter"] * every
    plain = reconcile(**cycles, every=every)
    assert kinds(plain) == {"gap": float((every - 1) * (rows - 1))}
    for at, size in jumps:
        cycles["counter"][at:] += size
    result = reconcile(**cycles, every=every)
    assert sum(d.cycles for d in result.differences) == pytest.approx(result.counted - result.detected)


@given(
    st.lists(st.integers(1, 12), min_size=1, max_size=5), st.sampled_from([0.1, 1 / 3, 0.5, 1.0, 2.0]),
    st.lists(st.tuples(st.integers(0, 60), st.integers(-40, 40)), max_size=3), st.integers(1, 9),
)  # fmt: skip
def test_however_many_rows_are_looked_at_at_once(
    stretches: list[int], rate: float, jumps: list[tuple[int, int]], at_once: int
) -> None:
    cycles = run(*stretches)
    cycles["counter"] = np.floor(cycles["counter"] * rate)
    for place, jump in jumps:
        cycles["counter"][place:] += jump
    whole = reconcile(**cycles)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(counter_sums, "AT_ONCE", at_once)
        assert reconcile(**cycles) == whole
    assert sum(d.cycles for d in whole.differences) == pytest.approx(whole.counted - whole.detected)


@pytest.mark.parametrize(
    ("pause_us", "kind"), [(800_500_000, None), (801_000_000, "gap"), (800_000_000, "unexplained")]
)
def test_where_a_reason_depends_on_the_last_digits_of_the_period_sums_do_not_tell(
    pause_us: int, kind: str | None
) -> None:
    """Of 1,000,900 us between cycles the sums know that it is 1,000,448 to 1,000,960."""
    cycles = run(100, 50)
    step = np.where(np.arange(152) == 101, pause_us, 1_000_900)
    cycles["start_us"] = np.cumsum(step)
    cycles["counter"][101:] += 1002
    found, whole = counter_result(counter_then(CounterSums(), **cycles)), reconcile(**cycles)
    assert (found and kinds(found)) == (kind and {kind: 1002.0})
    assert found in (None, whole)
    assert kinds(whole) == {kind or "unexplained": 1002.0}
