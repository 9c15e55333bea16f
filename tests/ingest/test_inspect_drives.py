"""A drafted rig file drives logs to the same samples and cycles as one written by hand."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from benchpipe.config.model import load_model
from benchpipe.config.rig import RigConfig
from benchpipe.inspect.run import inspect_logs
from benchpipe.simulate import faults as fault
from benchpipe.simulate import scenarios, simulate
from tests.ingest.driven import COLUMNS, drafted, driven, equal, logs_of, rig_text, simulated

REPO = Path(__file__).resolve().parents[2]
PREAMBLE = ("Run{s}{{name}}", "Rig{s}{{rig}}", "File start{s}{{start}}")


def preamble(separator: str) -> tuple[str, ...]:
    return tuple(line.format(s=separator) for line in PREAMBLE)


def same(one: dict[str, pa.Table], other: dict[str, pa.Table]) -> None:
    """Samples, rejects and cycles to the last bit."""
    for name in one:
        assert equal(one[name], other[name]), f"{name} differ: {one[name].num_rows} and {other[name].num_rows} rows"
    assert one["samples"].num_rows > 1900
    assert one["cycles"].num_rows > 30


# dialect, faults, [log] and [time] by hand, further lines of the torque channel by hand
DATES = 'kind = "datetime"\ncolumn = "Time"\n'
CASES: dict[str, tuple[dict[str, Any], tuple[Any, ...], str, str, str]] = {
    "decimal comma, grouped thousands, German dates, OVER, a truncated last line": (
        {"separator": ";", "decimal": ",", "thousands": ".", "encoding": "cp1252", "line_end": "\r\n",
         "units_row": True, "time_format": "%d.%m.%Y %H:%M:%S,%f", "preamble": preamble(";")},
        (fault.SentinelConfig(kind="sentinel", row=300, rows=3, channel="Torque"),
         fault.TruncateConfig(kind="truncated-last-line")),
        'encoding = "cp1252"\nseparator = ";"\ndecimal = ","\nthousands = "."\nunits_row = true',
        DATES + 'format = "%d.%m.%Y %H:%M:%S,%f"',
        'missing = ["OVER"]',
    ),
    "UTF-16 with tabs, the header again, an operator's note": (
        {"separator": "\t", "decimal": ",", "encoding": "utf-16", "units_row": True, "preamble": preamble("\t")},
        (fault.RepeatHeaderConfig(kind="repeat-header", row=700),
         fault.TextLineConfig(kind="text-line", row=900, text="Bediener: Öl geprüft")),
        'encoding = "utf-16"\nseparator = "\\t"\ndecimal = ","\nunits_row = true', 'column = "Time"', "",
    ),
    "byte-order mark, mixed line ends, rows twice, rows lost": (
        {"byte_order_mark": True, "units_row": True},
        (fault.SwapLineEndsConfig(kind="mixed-line-ends", row=100, rows=400),
         fault.RepeatRowsConfig(kind="repeat-rows", row=800, rows=25),
         fault.LoseRowsConfig(kind="lose-rows", row=1200, rows=70)),
        "units_row = true", 'column = "Time"', "",
    ),
    "spaces, units in no row but in the names": (
        {"separator": "space", "preamble": ("# made by the rig", "# rate: 50 Hz")},
        (), 'separator = "space"', 'column = "Time_s"', "",
    ),
    "quoted cells, grouped thousands between bars": (
        {"separator": "|", "thousands": " ", "quoted": True, "units_row": True},
        (fault.HoldLastConfig(kind="hold-last", row=500, rows=30, channel="Angle"),),
        'separator = "|"\nthousands = " "\nquoted = true\nunits_row = true', 'column = "Time"', "",
    ),
    "American dates, empty cells, gzip": (
        {"separator": ",", "gzip": True, "units_row": True, "time_format": "%m/%d/%Y %H:%M:%S.%f"},
        (fault.SentinelConfig(kind="sentinel", row=100, rows=4, channel="Torque", text=""),),
        "units_row = true", DATES + 'format = "%m/%d/%Y %H:%M:%S.%f"', "",
    ),
    "Latin-1, several files by the hour, a point for no value": (
        {"separator": ";", "encoding": "latin-1", "units_row": True, "cut": "cycles", "cycles_per_file": 15},
        (fault.SentinelConfig(kind="sentinel", file=2, row=60, rows=2, channel="Torque", text="."),),
        'encoding = "cp1252"\nseparator = ";"\nunits_row = true', 'column = "Time"', 'missing = ["."]',
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_broken_logs_of_other_dialects(name: str, tmp_path: Path) -> None:
    log, faults, log_lines, time_lines, missing = CASES[name]
    rig, columns = None, COLUMNS
    if name.startswith("spaces"):
        rig = {"channels": _named_with_units()}
        columns = ("Torque_Nm", "Angle_deg", "Oil_degC", "Count")
    folder = simulated(tmp_path / "run", *faults, rig=rig, **log)
    found, draft = drafted(folder)
    assert found.questions == ()
    by_hand = driven(folder, rig_text(log_lines, time_lines, missing=missing, columns=columns), "by-hand")
    same(driven(folder, draft, "drafted"), by_hand)
    assert found.frequency_hz == pytest.approx(1.0, rel=2e-3)
    assert found.time.rate_hz == 50.0


def _named_with_units() -> tuple[Any, ...]:
    from tests.ingest.driven import channels

    named = {"Time": "Time_s", "Torque": "Torque_Nm", "Angle": "Angle_deg", "Oil": "Oil_degC", "Count": "Count"}
    return tuple(c.model_copy(update={"name": named[c.name], "unit": ""}) for c in channels())


def test_no_header_goes_by_number(tmp_path: Path) -> None:
    folder = simulated(tmp_path / "run", header=False, separator=";", time_format="%Y-%m-%d %H:%M:%S.%f")
    found, draft = drafted(folder)
    # nothing says the units: they are asked, and so are load and motion
    units = [f"channel.channel_{n}.unit" for n in (2, 3, 4)]
    assert [q.key for q in found.questions] == [*units, "load.channel", "motion.channel"]
    answered = draft
    for unit in ("N*m", "deg", "degC"):
        answered = answered.replace('unit = "?"', f'unit = "{unit}"', 1)
    for channel in ("channel_2", "channel_3"):
        answered = answered.replace('channel = "?"', f'channel = "{channel}"', 1)
    answered = 'temperature = "channel_4"\n' + answered
    by_hand = rig_text(
        'separator = ";"\nheader = false', 'kind = "datetime"\ncolumn = 1\nformat = "%Y-%m-%d %H:%M:%S.%f"',
        columns=(2, 3, 4, 5),
    )  # fmt: skip
    one, other = driven(folder, answered, "answered"), driven(folder, by_hand, "by-hand")
    assert equal(one["cycles"], other["cycles"])
    assert one["samples"].column("channel_2").equals(other["samples"].column("torque"))


SCENARIOS = {"healthy": "rig-one.toml", "wearing": "rig-two.toml", "creeping-lock": "rig-one-parquet.toml"}


@pytest.mark.parametrize("name", SCENARIOS)
def test_the_three_scenarios(name: str, tmp_path: Path) -> None:
    folder = tmp_path / "run"
    simulate(scenarios.BUILDERS[name](), folder)
    found, draft = drafted(folder)
    assert found.questions == ()
    by_hand = REPO / "sample_runs" / SCENARIOS[name]
    plan = {"low": 50, "high": 1230, "unit": "N"} if name == "wearing" else {"low": 5, "high": 80, "unit": "N*m"}
    one = driven(folder, draft, "drafted", plan)
    other = driven(folder, by_hand.read_text(encoding="utf-8"), "by-hand", plan)
    assert one["cycles"].num_rows > 300
    assert equal(one["cycles"], other["cycles"])
    assert equal(one["rejects"], other["rejects"])
    # the same samples, whatever the channels are called
    named = load_model(RigConfig, by_hand)[0]
    columns = {c.column: c.name for c in named.channel}
    for channel in found.channels:
        if str(channel.key) in columns:
            mine, theirs = one["samples"].column(channel.name), other["samples"].column(columns[str(channel.key)])
            assert equal(pa.table([mine], ["x"]), pa.table([theirs], ["x"]))
    assert one["samples"].column("time_us").equals(other["samples"].column("time_us"))


def test_the_sample_runs_themselves(tmp_path: Path) -> None:
    for name, rig in SCENARIOS.items():
        folder = REPO / "sample_runs" / name
        found, _ = drafted(folder)
        assert found.questions == ()
        hand = load_model(RigConfig, REPO / "sample_runs" / rig)[0]
        assert found.time.rate_hz == hand.time.sample_rate
        units = {c.column: c.unit for c in hand.channel}
        for role in ("load", "motion", "temperature"):
            channel = next(c for c in found.channels if c.name == found.roles[role])
            assert channel.unit == units[channel.key]


def test_a_drafted_file_says_why_in_a_comment_on_every_key(tmp_path: Path) -> None:
    _, draft = drafted(simulated(tmp_path / "run", units_row=True))
    keys = [line for line in draft.splitlines() if "=" in line and not line.startswith("#")]
    assert sum("#" in line for line in keys) >= 0.6 * len(keys)
    assert max(len(line) for line in draft.splitlines()) <= 120


def test_logs_of_one_rig_help_one_another(tmp_path: Path) -> None:
    """The first file alone is open (3 April or 4 March); the last, of the 14th, decides."""
    first = simulated(tmp_path / "a", time_format="%d/%m/%Y %H:%M:%S.%f", units_row=True,
                      rig={"start": datetime(2031, 4, 3, 10)})  # fmt: skip
    last = simulated(tmp_path / "b", time_format="%d/%m/%Y %H:%M:%S.%f", units_row=True)
    alone, _ = drafted(first)
    assert [q.key for q in alone.questions] == ["time.format"]
    both = inspect_logs([*logs_of(first), *logs_of(last)])
    assert both.questions == ()
    assert both.outline.choices["date"].values == ("%d/%m/%Y %H:%M:%S.%f",)
    assert np.isfinite(both.frequency_hz)


def _by_hand_rows(folder: Path, name: str, header: str, stamp: str, step_ms: int = 20) -> Path:
    """40 cycles by hand: what a rig writes that shows date and time in its own way."""
    (folder / "logs").mkdir(parents=True)
    start = datetime(2031, 3, 14, 23, 59, 40)
    rows = []
    for k in range(2000):
        wave = 0.5 - 0.5 * np.cos(2 * np.pi * k / 50)
        when = (start + timedelta(milliseconds=step_ms * k)).strftime(stamp)[:-3]  # to the millisecond
        rows.append(f"{when};{100 + 2300 * wave:.2f};{12 * wave:.3f};22.5;{k // 50}")
    (folder / "logs" / name).write_text("\n".join([header, *rows]) + "\n")
    return folder


def test_date_and_time_in_two_columns(tmp_path: Path) -> None:
    folder = _by_hand_rows(
        tmp_path / "run", "log.csv", "Date;Clock;Torque [N*m];Angle [deg];Oil [degC];Count", "%d.%m.%Y;%H:%M:%S.%f"
    )
    found, draft = drafted(folder)
    assert found.questions == ()
    by_hand = rig_text(
        'separator = ";"',
        'kind = "datetime"\ndate_column = "Date"\ncolumn = "Clock"\nformat = "%d.%m.%Y %H:%M:%S.%f"',
        columns=("Torque [N*m]", "Angle [deg]", "Oil [degC]", "Count"),
    )
    same(driven(folder, draft, "drafted"), driven(folder, by_hand, "by-hand"))


def test_a_time_of_day_over_midnight(tmp_path: Path) -> None:
    folder = _by_hand_rows(
        tmp_path / "run", "log.csv", "Clock;Torque [N*m];Angle [deg];Oil [degC];Count", "%H:%M:%S.%f"
    )
    found, draft = drafted(folder)
    assert found.questions == ()
    assert (found.time.rate_hz, found.time.back, found.time.gaps) == (50.0, 0, 0)
    by_hand = rig_text(
        'separator = ";"', 'kind = "datetime"\ncolumn = "Clock"\nformat = "%H:%M:%S.%f"',
        columns=("Torque [N*m]", "Angle [deg]", "Oil [degC]", "Count"),
    )  # fmt: skip
    same(driven(folder, draft, "drafted"), driven(folder, by_hand, "by-hand"))
