"""What of cycles is judged: what each measure is, how many cycles there are, what is off target (invented figures)."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from types import SimpleNamespace

import pytest

from benchpipe.blocks.cyclic.state import Counted
from benchpipe.blocks.measures import COUNTED, OF_VALUES
from benchpipe.check.measures import our_measures
from tests.blocks.asked import values
from tests.check.judged import cycles, judge, limit, run_with
from tests.check.test_check_run_step import by_counter, manifest_of, verdicts

CYCLIC = {name: one for name, one in our_measures().items() if one.kind == "cyclic"}
OF_CYCLES = {name: one for name, one in CYCLIC.items() if name not in ("cycles_done", "off_target")}


def test_a_figure_of_cycles_is_a_column_that_is_taken_over_some_of_them() -> None:
    for name, one in OF_CYCLES.items():
        assert (one.name, one.table, one.columns, one.in_window, one.machine) == (name, "cycles", (name,), True, True)
        assert (one.u_column, one.hangs_on, one.to_reach, one.every_event) == (None, (), False, True)
        assert one.one_sample is (name != "closure_error")


def test_what_each_figure_of_cycles_is_like() -> None:
    def which(**like: object) -> set[str]:
        return {name for name, one in OF_CYCLES.items() if all(getattr(one, key) == of for key, of in like.items())}

    peaks = {"peak_load", "valley_load", "load_range", "motion_range", "motion_max", "motion_min"}
    assert which(sampling="peak") == peaks
    assert (which(sampling="energy"), which(sampling="secant")) == ({"energy_j"}, {"secant_stiffness"})
    assert (which(extreme="largest"), which(extreme="smallest")) == (
        {"peak_load", "motion_max"}, {"valley_load", "motion_min"}
    )  # fmt: skip
    assert which(range=True) == {"load_range", "motion_range"}
    assert which(tangent=True) == {"loading_stiffness", "unloading_stiffness"}
    assert (which(of="temperature"), which(of="phase")) == ({"temperature_c"}, {"loss_factor"})
    assert (which(phase="energy"), which(phase="loss factor")) == ({"energy_j"}, {"loss_factor"})
    assert which(absolute=True) == {"closure_error"}
    no_ratio = {"motion_mean", "temperature_c"}  # their zero is that of a scale
    assert which(statistics=OF_VALUES) == no_ratio
    assert which(statistics=OF_VALUES | {"change"}) == set(OF_CYCLES) - no_ratio
    assert CYCLIC["cycles_done"].statistics == COUNTED


def test_without_targets_nothing_is_off_target() -> None:
    found = values("off_target", SimpleNamespace(name="durability", targets=None), value="5 %", statistic="share")
    assert (found.value.size, found.due, found.why) == (0, True, "the plan has no targets for this block")


@pytest.mark.parametrize(
    ("operator", "wanted", "verdict", "due", "remark"),
    [
        (">=", "40 cycles", "pass", True, ""),
        (">=", "1041 cycles", "not evaluated", False, "40 of 1,041 cycles so far"),
        ("<=", "40 cycles", "pass", True, ""),
        ("<=", "39 cycles", "fail", True, ""),
        ("<=", "1041 cycles", "pass", True, "40 of 1,041 cycles so far"),
    ],
)
def test_cycles_are_due_when_there_are_as_many_as_are_asked_for(
    tmp_path: Path, operator: str, wanted: str, verdict: str, due: bool, remark: str
) -> None:
    run = run_with(tmp_path, limit("cycles_done", wanted, operator=operator, statistic="count"))
    (row,) = judge(run, cycles=cycles(40))
    assert (row["verdict"], row["due"], row["measured"]) == (verdict, due, 40.0)
    assert (row["last"], row["of"], row["expanded_u"]) == (40 if due else None, 40, 0.0)
    if verdict != "pass":
        assert row["remark"] == remark


AT_STOPS = "cycle count: rig counter 504, detected 500; 4 at stops"
IN_DOUBT = "cycle count: rig counter 504, detected 500; 4 unexplained"
NO_REASON = "4 cycles between counter and detection have no known reason"


@pytest.mark.parametrize(
    ("kind", "operator", "wanted", "verdict", "due", "measured", "remark"),
    [
        ("stop", ">=", 504, "pass", True, 504.0, AT_STOPS),
        ("stop", ">=", 600, "not evaluated", False, 504.0, "504 of 600 cycles so far"),
        ("stop", "<=", 503, "fail", True, 504.0, AT_STOPS),
        ("stop", "<=", 600, "pass", True, 504.0, f"504 of 600 cycles so far; {AT_STOPS}"),
        ("unexplained", ">=", 504, "inconclusive", True, 504.0, f"{NO_REASON}; {IN_DOUBT}"),
        ("unexplained", ">=", 500, "pass", True, 504.0, IN_DOUBT),
    ],
)
def test_where_the_counter_decides_the_difference_is_stated_and_what_has_no_reason_proves_nothing(
    tmp_path: Path, kind: str, operator: str, wanted: int, verdict: str, due: bool, measured: float, remark: str
) -> None:
    run = by_counter(run_with(tmp_path, limit("cycles_done", f"{wanted} cycles", operator=operator, statistic="count")))
    state = {"durability": {"counted": asdict(Counted(500, 504.0, 1.0, differences=((kind, 0, 1, 4.0),)))}}
    (row,) = verdicts(run, manifest_of(run, cycles=cycles(500), state=state))
    assert (row["verdict"], row["due"], row["measured"], row["remark"]) == (verdict, due, measured, remark)
