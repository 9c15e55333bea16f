"""Measures of a run as a whole: dates of calibrations, order of the plan, leak over levels (invented figures)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest

from benchpipe.blocks.hold.levels import leak_over_levels
from benchpipe.blocks.run_tables import RunTables
from benchpipe.check.of_run import NotThere, out_of_calibration, run_figure
from benchpipe.config.log import SecondConfig
from benchpipe.run import RunConfig
from benchpipe.store.manifest import Manifest, Placed, Remark, Source, Step
from benchpipe.store.run_store import RunStore
from benchpipe.tables import schema
from tests.check.judged import TODAY, cycles, judge, limit, rows, run_with
from tests.config.written import RIG
from tests.steps_done import check_run

DATED = RIG.replace('column = "t"\n', 'column = "t"\nkind = "datetime"\nformat = "%Y-%m-%d %H:%M:%S"\n')
TORQUE, ANGLE, WARMTH = 'unit = "N*m"\n', 'unit = "deg"\n', 'unit = "degC"\n'
PLAIN = 'uncertainty = "0.5 %"\nuncertainty_floor = "0.1 N*m"\n'
HOUR = 3_600_000_000


def us(day: str) -> int:
    return int(datetime.fromisoformat(day).replace(tzinfo=UTC).timestamp() * 1e6)


def rig_with(**keys: str) -> str:
    """The small rig on a dated axis, with more keys of its channels."""
    text = DATED
    for name, piece in (("torque", TORQUE), ("angle", ANGLE), ("temperature", WARMTH)):
        text = text.replace(piece, piece + keys.get(name, ""))
    return text


def written(*logs: tuple[str, str, str], shift: Mapping[str, int] | None = None) -> Manifest:
    """A manifest of logs: name, first and last day of each."""
    sources = [
        Source(file=file, size=1, mtime_ns=1, sha256="0", key="0", rows=9, samples=9, rejects=0, first_us=us(first),
               last_us=us(last) + HOUR, native_last_us=1, parts=())
        for file, first, last in logs
    ]  # fmt: skip
    placed = [Placed(file=f, shift_us=(shift or {}).get(f, 0), after_us=None, repeats=0) for f, _, _ in logs]
    return Manifest(
        run="one", sequence=1, sources=tuple(sources), placed=tuple(placed),
        steps={"process": Step(key="0", version=1, parts=())},
    )  # fmt: skip


def found(run: RunConfig, manifest: Manifest) -> tuple[float, int, str]:
    """Logs out of calibration, logs there are, and the remark."""
    figure, used, remark = run_figure("logs_out_of_calibration", run, manifest, tables(run, manifest), TODAY)
    assert figure.budget.standard_u == 0.0
    assert [(part.name, part.u) for part in figure.budget.parts] == [("counted", 0.0)]
    return figure.value, used, remark


def tables(run: RunConfig, manifest: Manifest) -> RunTables:
    return RunTables(RunStore(run.store, run.name), manifest)


def missing(name: str, run: RunConfig, manifest: Manifest, today: date = TODAY) -> tuple[str, bool]:
    """Why a run does not have a figure, and whether it should by now."""
    with pytest.raises(NotThere) as caught:
        run_figure(name, run, manifest, tables(run, manifest), today)
    assert str(caught.value) == caught.value.why
    return caught.value.why, caught.value.due


ON = limit("logs_out_of_calibration", "0 times", block="run", statistic="count")
CALIBRATED = "calibrated = 2031-03-01\ndue = 2031-06-01\n"
EITHER = "calibrated = 2030-01-01\n"


@pytest.mark.parametrize(
    ("first", "last", "text"),
    [
        ("2031-03-01", "2031-06-01", ""),  # the first and the last day are in date
        ("2031-02-28", "2031-03-02", "of 2031-02-28, before 'torque' was calibrated on 2031-03-01"),
        ("2031-05-30", "2031-06-02", "of 2031-06-02, after the calibration of 'torque' was due on 2031-06-01"),
    ],
)
def test_a_log_is_out_of_calibration_on_any_day_that_none_covers(
    tmp_path: Path, first: str, last: str, text: str
) -> None:
    run = run_with(tmp_path, ON, rig=rig_with(torque=CALIBRATED, angle=EITHER))
    logs = written(("a.csv", "2031-04-01", "2031-04-02"), ("b.csv", first, last))
    named = f"b.csv: {text}" if text else ""
    assert found(run, logs) == (float(bool(text)), 2, named)
    assert list(out_of_calibration(run, logs)) == ([("b.csv", named)] if text else [])


def test_a_log_counts_once_whatever_is_wrong_with_it_and_three_things_are_named(tmp_path: Path) -> None:
    both = "calibrated = 2031-03-01\n"
    run = run_with(tmp_path, ON, rig=rig_with(torque=both, angle=both, temperature=both))
    logs = written(("a.csv", "2031-02-01", "2031-02-02"), ("b.csv", "2031-02-03", "2031-02-03"))
    value, used, remark = found(run, logs)
    assert (value, used) == (2.0, 2)
    assert remark == "; ".join(
        f"a.csv: of 2031-02-01, before '{name}' was calibrated on 2031-03-01"
        for name in ("torque", "angle", "temperature")
    )


def test_a_channel_that_the_run_does_not_use_needs_no_calibration(tmp_path: Path) -> None:
    spare = '\n[[channel]]\nname = "spare"\ncolumn = "S"\nunit = "V"\ncalibrated = 2031-05-01\n'
    rig = rig_with(torque=EITHER, angle=EITHER).replace("\n[load]", spare + "\n[load]")
    assert found(run_with(tmp_path, ON, rig=rig), written(("a.csv", "2031-02-01", "2031-02-01"))) == (0.0, 1, "")


def test_days_are_those_of_the_runs_clock_after_a_log_was_moved(tmp_path: Path) -> None:
    run = run_with(tmp_path, ON, rig=rig_with(torque=CALIBRATED, angle=EITHER))
    logs = (("a.csv", "2031-02-28", "2031-02-28"),)
    assert found(run, written(*logs))[0] == 1.0
    assert found(run, written(*logs, shift={"a.csv": 24 * HOUR}))[0] == 0.0
    assert found(run, written(*logs, shift={"other.csv": 24 * HOUR}))[0] == 1.0


def test_a_log_without_samples_has_no_dates(tmp_path: Path) -> None:
    run = run_with(tmp_path, ON, rig=rig_with(torque=CALIBRATED, angle=EITHER))
    empty, early = written(("a.csv", "2031-01-01", "2031-01-01"), ("b.csv", "2031-02-01", "2031-02-01")).sources
    for unknown in ({"first_us": None, "last_us": None}, {"first_us": None}, {"last_us": None}):
        logs = (empty.model_copy(update=unknown), early)
        assert found(run, written().model_copy(update={"sources": logs}))[:2] == (1.0, 2)


def test_a_log_that_ends_with_the_last_day_in_date_is_in_date(tmp_path: Path) -> None:
    run = run_with(tmp_path, ON, rig=rig_with(torque=CALIBRATED, angle=EITHER))
    for end, out in ((us("2031-06-02") - 1, 0.0), (us("2031-06-02"), 1.0)):
        (log,) = written(("a.csv", "2031-06-01", "2031-06-01")).sources
        logs = written().model_copy(update={"sources": (log.model_copy(update={"last_us": end}),)})
        assert found(run, logs)[0] == out  # it was moved by nothing


def test_a_log_needs_the_calibrations_of_its_own_logger_alone(tmp_path: Path) -> None:
    run = run_with(tmp_path, ON, rig=rig_with(torque=EITHER, angle=CALIBRATED))
    second = SecondConfig(files=("b*.csv",), time=run.rig.time, offset_uncertainty=0.1)
    channels = [c.model_copy(update={"logger": "second"}) if c.name == "angle" else c for c in run.rig.channel]
    run = replace(run, rig=run.rig.model_copy(update={"second": second, "channel": tuple(channels)}))
    logs = written(("a.csv", "2031-02-01", "2031-02-01"), ("b.csv", "2031-02-01", "2031-02-01"))
    assert found(run, logs) == (1.0, 2, "b.csv: of 2031-02-01, before 'angle' was calibrated on 2031-03-01")


OLD_AND_NEW = """\
[[channel.calibration]]
valid_from = 2031-01-01
due = 2031-03-01

[[channel.calibration]]
valid_from = 2031-03-10
due = 2031-09-01
"""


@pytest.mark.parametrize(
    ("first", "last", "text"),
    [
        ("2031-01-01", "2031-03-01", ""),
        ("2031-03-10", "2031-09-01", ""),
        ("2030-12-31", "2031-01-02", "of 2030-12-31, before the first calibration of 'torque' on 2031-01-01"),
        ("2031-03-01", "2031-03-02", "of 2031-03-02, after the calibration of 'torque' was due on 2031-03-01"),
        ("2031-03-05", "2031-03-09", "of 2031-03-09, after the calibration of 'torque' was due on 2031-03-01"),
        # one that goes on into the time of the next calibration was written between the two all the same
        ("2031-03-05", "2031-03-12", "of 2031-03-09, after the calibration of 'torque' was due on 2031-03-01"),
        ("2031-02-20", "2031-03-10", "of 2031-03-09, after the calibration of 'torque' was due on 2031-03-01"),
        ("2031-08-01", "2031-09-02", "of 2031-09-02, after the calibration of 'torque' was due on 2031-09-01"),
    ],
)
def test_between_two_calibrations_a_log_is_out_of_both(tmp_path: Path, first: str, last: str, text: str) -> None:
    rig = rig_with(angle=EITHER).replace(PLAIN, OLD_AND_NEW)
    logs = written(("a.csv", first, last))
    assert found(run_with(tmp_path, ON, rig=rig), logs) == (float(bool(text)), 1, f"a.csv: {text}" if text else "")


def test_without_dates_nothing_is_known_of_calibrations(tmp_path: Path) -> None:
    logs = written(("a.csv", "2031-02-01", "2031-02-01"))
    undated = RIG.replace(TORQUE, TORQUE + CALIBRATED)
    run = run_with(tmp_path / "a", ON, rig=undated)
    assert missing("logs_out_of_calibration", run, logs) == ("the log's time has no dates", True)
    assert list(out_of_calibration(run, logs)) == []
    run = run_with(tmp_path / "b", ON, rig=rig_with(torque=CALIBRATED))
    why = "channel 'angle' of the rig file has no date of calibration"
    assert missing("logs_out_of_calibration", run, logs) == (why, True)
    run = run_with(tmp_path / "c", ON, rig=rig_with(torque="due = 2031-06-01\n", angle="due = 2031-06-01\n"))
    assert found(run, logs) == (0.0, 1, "")


def test_a_log_out_of_calibration_is_a_remark_of_the_verdicts_whatever_the_limits(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("peak_load", "90 N*m"), rig=rig_with(torque=CALIBRATED, angle=EITHER))
    early, late = ("a.csv", "2031-02-01", "2031-02-01"), ("b.csv", "2031-07-01", "2031-07-01")

    def remarks(*logs: tuple[str, str, str]) -> list[tuple[str, str, int, str]]:
        store = RunStore(run.store, run.name)
        manifest = written(*logs).model_copy(update={"sequence": store.manifest().sequence})
        new = check_run(run, store, manifest, today=TODAY)
        return [(one.code, one.where, one.count, one.text) for one in new.steps["check"].remarks]

    text = "a.csv: of 2031-02-01, before 'torque' was calibrated on 2031-03-01"
    assert remarks(early) == [("out-of-calibration", "a.csv", 1, text)]
    assert remarks(early, late) == [("out-of-calibration", "a.csv", 2, f"{text}, and 1 more")]
    assert remarks(("c.csv", "2031-04-01", "2031-04-01")) == []


def test_the_order_is_judged_on_what_is_known_of_it(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("plan_order_broken", "0 times", block="run", statistic="count"))
    both: dict[str, list[dict[str, Any]]] = {
        "cycles": cycles(9), "holds": rows("holds", 1, block="held", hold=1),
    }  # fmt: skip

    def remark(code: str, where: str, text: str) -> Remark:
        return Remark(step="process", code=code, where=where, count=1, text=text)

    unknown = remark("pause-unknown", "held", "how long after is not known")
    more = (unknown, remark("gap", "a.csv", "a gap"), remark("pause-unknown", "free", "nor here"))
    (row,) = judge(run, remarks=more, **both)
    known = (row["verdict"], row["due"], row["measured"], row["remark"])
    assert known == ("not evaluated", True, None, "'held': how long after is not known; 'free': nor here")
    broken = (remark("order", "held", "too early"), remark("pause", "free", "too late"), unknown)
    (row,) = judge(run, remarks=broken, **both)
    assert (row["verdict"], row["due"], row["measured"], row["used"], row["of"]) == ("fail", True, 2.0, 2, 2)
    assert row["remark"] == "'held': too early; 'free': too late"
    (row,) = judge(run, cycles=cycles(9))
    assert (row["due"], row["remark"]) == (False, "fewer than two blocks of the plan are there")


def test_what_a_plan_cannot_have_is_not_applicable(tmp_path: Path) -> None:
    run = run_with(tmp_path, ON)
    alone = type(run)(**{**vars(run), "plan": run.plan.model_copy(update={"block": run.plan.block[:1]})})
    logs = written(("a.csv", "2031-02-01", "2031-02-01"))
    order = "not applicable: the plan has fewer than two blocks with an order"
    assert missing("plan_order_broken", alone, logs) == (order, False)
    assert missing("leak_exponent", alone, logs) == ("not applicable: the plan has no hold block", False)
    why = "fewer than two blocks of the plan are there"
    two = type(run)(**{**vars(run), "plan": run.plan.model_copy(update={"block": run.plan.block[:2]})})
    assert missing("plan_order_broken", two, logs) == (why, False)


def leaks(run: RunConfig, *rates: float) -> Manifest:
    """A manifest of holds at 20, 30, 40 … N*m that leak at these rates."""
    held = rows("holds", len(rates), block="held", hold=list(range(1, len(rates) + 1)),
                load_mean=[20.0 + 10.0 * i for i in range(len(rates))], leak_per_h=list(rates),
                leak_u_per_h=[0.02 * rate for rate in rates])  # fmt: skip
    part = RunStore(run.store, run.name).write("holds", pa.Table.from_pylist(held, schema=schema("holds")), "0" * 64)
    steps = {"process": Step(key="0", version=1, parts=(part,))}
    return written().model_copy(update={"steps": steps})


def test_the_exponent_of_a_leak_needs_three_levels_and_has_the_scatter_about_its_line(tmp_path: Path) -> None:
    run = run_with(tmp_path, ON)
    few = leaks(run, 0.1, 0.2)
    assert missing("leak_exponent", run, few) == ("fewer than three levels of load have a leak", False)
    many = leaks(run, *(1e-3 * (1.0 + 0.5 * i) ** 3 * (1.02 if i % 2 else 0.98) for i in range(4)))
    figure, used, remark = run_figure("leak_exponent", run, many, tables(run, many), TODAY)
    (part,) = figure.budget.parts
    assert (figure.value, used, remark) == (pytest.approx(3.0, abs=0.1), 4, "")
    assert (part.name, part.note) == ("scatter of the values", "4 levels")
    low, high = leak_over_levels(tables(run, many).whole("holds")).slope_interval
    assert low < high
    assert part.u == pytest.approx(0.25 * (high - low))  # the interval is one of 95 %: four standard uncertainties


def test_the_first_calibration_that_is_due_counts_and_each_axis_needs_a_date(tmp_path: Path) -> None:
    def days(sub: str, **keys: str) -> tuple[float, int, str]:
        run = run_with(tmp_path / sub, ON, rig=rig_with(**keys))
        logs = written()
        figure, used, remark = run_figure("days_to_calibration", run, logs, tables(run, logs), date(2031, 6, 1))
        return figure.value / 86_400.0, used, remark

    assert days("a", torque="due = 2031-06-12\n", angle="due = 2031-06-11\n") == (10.0, 2, "")
    both = {"torque": "due = 2031-06-12\n", "angle": "due = 2031-06-11\n"}
    assert days("b", **both, temperature="due = 2031-05-30\n") == (-2.0, 3, "")
    run = run_with(tmp_path / "c", ON, rig=rig_with(torque="due = 2031-06-12\n", temperature="due = 2031-06-12\n"))
    why = "channel 'angle' of the rig file has no due date"
    assert missing("days_to_calibration", run, written()) == (why, True)
