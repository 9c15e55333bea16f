"""What a log cannot decide is asked, and a draft with an open question is refused by the loader."""

from __future__ import annotations

import gzip
import re
import tomllib
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pytest

from benchpipe.config.model import load_model
from benchpipe.config.rig import RigConfig, TimeConfig
from benchpipe.errors import ConfigError, InputError
from benchpipe.ingest.native_time import native_time
from benchpipe.ingest.source import ingest_file
from benchpipe.inspect.draft import draft_rig
from benchpipe.inspect.run import inspect_logs
from benchpipe.readers.registry import read_log
from benchpipe.simulate import faults as fault
from benchpipe.store.run_store import RunStore
from tests.ingest.driven import channels, drafted, driven, equal, logs_of, rig_text, simulated
from tests.ingest.text_logs import read_bytes


def table(*columns: str, n: int = 400, step: float = 0.02, head: str = "", form: str = "{:.3f}", sep: str = ";") -> str:
    """A log by hand: named columns of time, load, motion, then waves."""
    k = np.arange(n)
    wave = 1.5 + np.sin(k / 8.0)
    series = [k * step, 40.0 * wave, 5.0 * wave, 20.0 + wave, 7.0 * wave][: len(columns)]
    rows = [sep.join(form.format(v) for v in row) for row in zip(*series, strict=True)]
    return head + sep.join(columns) + "\n" + "\n".join(rows) + "\n"


def by_hand(path: Path, text: str, encoding: str = "utf-8") -> Path:
    path.write_bytes(text.encode(encoding))
    return path


# what is asked, and the log that makes it so
OPEN: dict[str, tuple[set[str], Callable[[], tuple[str, str]]]] = {
    "day or month": (
        {"time.format"},
        lambda: ("Time;Torque [N*m];Angle [deg]\n" + "".join(
            f"03/04/2031 10:00:0{k};{k}.5;{k * 2}.25\n" for k in range(9)), "utf-8"),
    ),
    "a thousand or not": (
        {"log.decimal", "log.thousands"},
        lambda: ("t [s];F [N];x [mm]\n" + "".join(f"1.00{k};2.34{k};3.45{k}\n" for k in range(9)), "utf-8"),
    ),
    "the encoding": ({"log.encoding"}, lambda: (table("时间 [s]", "力 [N]", "位移 [mm]"), "gbk")),
    "the unit of time": (
        {"time.unit", "time.sample_rate"}, lambda: (table("Time", "Force [N]", "Travel [mm]"), "utf-8"),
    ),
    "the unit of the load": (
        {"channel.force.unit"}, lambda: (table("t [s]", "Force", "Travel [mm]"), "utf-8"),
    ),
    "a unit not known": (
        {"channel.force.unit"}, lambda: (table("t [s]", "Force [kgm]", "Travel [mm]"), "utf-8"),
    ),
    "which of two loads": (
        {"load.channel"}, lambda: (table("t [s]", "Force A [N]", "Travel [mm]", "Oil [°C]", "Force B [N]"), "utf-8"),
    ),
    "the lever arm": ({"load.lever_arm"}, lambda: (table("t [s]", "Force [N]", "Angle [deg]"), "utf-8")),
    "the lever arm of a length": ({"motion.lever_arm"}, lambda: (table("t [s]", "M [N*m]", "Travel [mm]"), "utf-8")),
    "which is the time": (
        {"time.kind"},
        lambda: ("t1 [s];t2 [s];F [N];x [mm]\n" + "".join(
            f"{k}.5;{k}.7;{k % 5}.1;{k % 5}.2\n" for k in range(40)), "utf-8"),
    ),
    "a clock that stands still, and jumps": (
        {"time.kind"},
        lambda: ("Date;F [N];x [mm]\n" + "".join(
            f"2031-04-03 10:{k // 40 * 9:02d}:{k // 8 % 5:02d};{k % 7}.1;{k % 7}.2\n" for k in range(200)), "utf-8"),
    ),
    "signs": (
        {"motion.sign"},
        lambda: ("t [s];F [N];x [mm]\n" + "".join(f"{k}.0;{k % 7}.1;-{k % 7}.2\n" for k in range(200)), "utf-8"),
    ),
    "a number that may be none": (
        {"channel.f.missing"},
        lambda: (table("t [s]", "F [N]", "x [mm]").replace("\n0.200;", "\n0.200;-999.000;1.000\n0.201;", 1), "utf-8"),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", OPEN)
def test_it_is_asked_and_the_draft_is_refused(name: str, tmp_path: Path) -> None:
    keys, make = OPEN[name]
    log = by_hand(tmp_path / "log.csv", *make())
    found = inspect_logs([log])
    assert {q.key for q in found.questions} == keys
    draft = draft_rig(found, "draft")
    assert draft.count("# QUESTION: ") == len(keys)
    path = tmp_path / "rig.toml"
    path.write_text(draft, encoding="utf-8")
    with pytest.raises(ConfigError) as told:
        load_model(RigConfig, path)
    names = {key.split(".")[-1] for key in keys}
    assert any(name in str(told.value) for name in names), str(told.value)
    assert "rig.toml" in str(told.value)


@pytest.mark.parametrize("name", [n for n in OPEN if n != "which is the time"])
def test_the_first_answer_offered_is_a_rig_file_that_loads(name: str, tmp_path: Path) -> None:
    """Each question's first choice, written in its place, satisfies the loader."""
    _, make = OPEN[name]
    found = inspect_logs([by_hand(tmp_path / "log.csv", *make())])
    path = tmp_path / "rig.toml"
    path.write_text(answered(draft_rig(found, "draft")), encoding="utf-8")
    load_model(RigConfig, path)


def answered(draft: str, choice: int = 0) -> str:
    """A draft with one of the choices offered in each place."""
    lines = draft.splitlines()
    for k, line in enumerate(lines):
        if line.startswith("# QUESTION: "):
            choices = lines[k + 1].removeprefix("# Write one of: ").split(" | ")
            given = choices[min(choice, len(choices) - 1)]
            if lines[k + 2].endswith('= "?"'):
                lines[k + 2] = lines[k + 2].replace('"?"', given)
            else:
                lines[k + 2] = f"format = {given}"
    return "\n".join(lines)


def test_a_rate_in_the_preamble_answers(tmp_path: Path) -> None:
    head = "Sample rate;50 Hz\n"
    asked = inspect_logs([by_hand(tmp_path / "a.csv", table("Time", "Force [N]", "Travel [mm]"))])
    assert {q.key for q in asked.questions} == {"time.unit", "time.sample_rate"}
    for step, unit in ((0.02, "s"), (20.0, "ms")):
        text = table("Time", "Force [N]", "Travel [mm]", head=head, step=step)
        found = inspect_logs([by_hand(tmp_path / "b.csv", text)])
        assert found.questions == ()
        assert (found.time.keys["unit"], found.time.rate_hz) == (unit, 50.0)


def test_no_time_column_counts_rows(tmp_path: Path) -> None:
    text = "F [N];x [mm]\n" + "".join(f"{k % 9}.1;{k % 9}.2\n" for k in range(300))
    found = inspect_logs([by_hand(tmp_path / "a.csv", text)])
    assert {q.key for q in found.questions} == {"time.sample_rate"}
    assert found.time.kind == "sample"
    known = inspect_logs([by_hand(tmp_path / "b.csv", "Sampling interval;10 ms\n" + text)])
    assert known.questions == ()
    assert known.time.rate_hz == pytest.approx(100.0)


def test_a_whole_number_without_a_unit_is_no_time(tmp_path: Path) -> None:
    """A column that counts rows is neither a time nor a channel."""
    rows = "".join(f"{k};{k * 0.02:.2f};{k % 9}.1;{k % 9}.2\n" for k in range(300))
    found = inspect_logs([by_hand(tmp_path / "a.csv", "No;t [s];F [N];x [mm]\n" + rows)])
    assert found.questions == ()
    assert [c.name for c in found.channels] == ["f", "x"]


def test_the_answers_give_different_samples(tmp_path: Path) -> None:
    """Guessing would have mattered: each answer reads the same log otherwise."""
    folder = simulated(
        tmp_path / "run", rig={"start": datetime(2031, 4, 3, 10)}, time_format="%d/%m/%Y %H:%M:%S.%f", units_row=True
    )
    _, draft = drafted(folder)
    times = {}
    for choice in (0, 1):
        rig = re.sub(r"# format = ", "format = ", answered(draft, choice).split("# format")[0] + "\n", count=0)
        rig += draft[draft.index("sample_rate") :]
        times[choice] = driven(folder, rig, f"answer{choice}")["samples"].column("time_us")[0].as_py()
    day, month = (datetime(2031, *d, 10).timestamp() * 1e6 for d in ((4, 3), (3, 4)))
    assert times[1] - times[0] == month - day


def test_a_sentinel_answered_is_the_rig_file_by_hand(tmp_path: Path) -> None:
    folder = simulated(
        tmp_path / "run", fault.SentinelConfig(kind="sentinel", row=300, rows=3, channel="Torque", text="-9999"),
        units_row=True,
    )  # fmt: skip
    found, draft = drafted(folder)
    assert [q.key for q in found.questions] == ["channel.torque.missing"]
    torque = next(c for c in found.channels if c.name == "torque")
    assert torque.sentinels == (-9999.0,)
    assert torque.lowest > -10.0  # the range is that of the others
    one = driven(folder, answered(draft), "answered")
    other = driven(folder, rig_text("units_row = true", 'column = "Time"', missing='missing = ["-9999"]'), "by-hand")
    assert all(equal(one[name], other[name]) for name in one)


def test_an_encoding_that_somebody_knows_is_not_asked(tmp_path: Path) -> None:
    log = by_hand(tmp_path / "log.csv", table("时间 [s]", "力 [N]", "位移 [mm]"), "gbk")
    found = inspect_logs([log], encoding="gbk")
    assert found.questions == ()
    assert [str(c.key) for c in found.channels] == ["力 [N]", "位移 [mm]"]
    assert [c.name for c in found.channels] == ["channel_2", "channel_3"]


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ({"separator": ","}, "separator"),
        ({"separator": ";", "decimal": ","}, "numbers"),
        ({"separator": ";", "units_row": False}, "columns"),
        ({"separator": ";", "format": "parquet"}, "format"),
        ({"separator": ";", "time_format": "%Y-%m-%d %H:%M:%S.%f"}, "time"),
    ],
)
def test_logs_of_two_dialects_are_told(change: dict[str, object], what: str, tmp_path: Path) -> None:
    first = simulated(tmp_path / "a", separator=";", units_row=True)
    other = simulated(tmp_path / "b", **{"units_row": change.get("format") != "parquet", **change})
    logs = [next((f / "logs").iterdir()) for f in (first, other)]
    with pytest.raises(InputError, match=f"not of one dialect: the {what}") as told:
        inspect_logs(logs)
    assert str(logs[1]) in str(told.value)
    assert "as in small_0001.csv" in str(told.value)


def test_odd_stretches_are_found(tmp_path: Path) -> None:
    folder = simulated(
        tmp_path / "run",
        fault.HoldLastConfig(kind="hold-last", row=500, rows=200, channel="Angle"),
        fault.LoseRowsConfig(kind="lose-rows", row=1500, rows=100),
        rig={"channels": tuple(
            c.model_copy(update={"full_scale": 2000.0}) if c.source == "load" else c for c in channels()
        )},
        units_row=True,
    )  # fmt: skip
    found, _ = drafted(folder)
    of = {c.name: c for c in found.channels}
    _, rows, first = of["angle"].stuck or (0.0, 0, 0)
    assert (rows, first) == (201, 499)
    assert of["torque"].stuck is None
    assert of["torque"].saturated[0][0] == 2000.0
    assert of["angle"].saturated == ()
    assert found.time.gaps == 1
    assert found.time.longest_gap_s == pytest.approx(2.02)
    assert of["torque"].resolution == 0.01
    assert (of["oil"].lowest, of["oil"].highest) == (pytest.approx(22.0, abs=0.3), pytest.approx(22.0, abs=0.3))


def test_jitter_and_a_rate_that_is_not_round(tmp_path: Path) -> None:
    draw = np.random.default_rng(3)
    k = np.arange(5000)
    times = k / 128.0 + draw.normal(0, 0.0004, 5000)
    rows = "".join(f"{t:.5f};{np.sin(n / 20):.4f};{np.sin(n / 20):.3f}\n" for n, t in zip(k, times, strict=True))
    found = inspect_logs([by_hand(tmp_path / "a.csv", "t [s];F [N];x [mm]\n" + rows)])
    assert found.time.rate_hz == 128.0
    assert 0.0008 < found.time.jitter_s < 0.003
    assert found.frequency_hz == pytest.approx(128.0 / (2 * np.pi * 20), rel=2e-3)


def test_two_rates_of_a_log_are_both_said_and_a_coarse_clock_has_one(tmp_path: Path) -> None:
    def rate_of(times: np.ndarray) -> tuple[float, tuple[float, ...]]:  # type: ignore[type-arg]
        rows = "".join(f"{t:.2f};{np.sin(t):.4f};{np.sin(t):.3f}\n" for t in times)
        found = inspect_logs([by_hand(tmp_path / "a.csv", "t [s];F [N];x [mm]\n" + rows)]).time
        return found.rate_hz, found.also_hz

    at_20, at_25 = np.arange(1500) / 20.0, np.arange(2500) / 25.0
    assert rate_of(np.concatenate([at_20, 75.0 + at_25])) == (25.0, (20.0,))
    assert rate_of(np.concatenate([at_25[:800], 32.0 + at_20])) == (20.0, (25.0,))
    rate, also = rate_of(np.arange(3000) / 30.0)  # steps of 0.03 and 0.04 s in turn
    assert (rate, also) == (pytest.approx(30.0, rel=0.01), ())


def test_seconds_with_a_point_say_that_numbers_have_one(tmp_path: Path) -> None:
    def questions(mark: str, seconds: str) -> list[str]:
        times = [f"2033-05-17 06:40:{k // 50:02d}{seconds}{k % 50 * 20:03d}" for k in range(400)]
        rows = "".join(f"{t};{5 + k % 9}{mark}{101 + k};{k % 7 + 1}{mark}{201 + k}\n" for k, t in enumerate(times))
        found = inspect_logs([by_hand(tmp_path / "a.csv", "stamp;F [N];x [mm]\n" + rows)])
        return [question.key for question in found.questions]

    assert questions(".", ".") == questions(",", ",") == []
    assert questions(",", ".") == ["log.decimal", "log.thousands"]


def test_a_large_log_is_sampled(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import benchpipe.inspect.run as inspecting

    folder = simulated(tmp_path / "run", units_row=True)
    whole, draft = drafted(folder)
    monkeypatch.setattr(inspecting, "PIECE_BYTES", 10_000)
    monkeypatch.setattr(inspecting, "LEAST_PIECE_BYTES", 5_000)
    part, same = drafted(folder)
    assert (whole.sample.whole, part.sample.whole) == (True, False)
    assert len(part.sample.pieces) == 3
    assert part.sample.rows is None
    assert 900 < part.sample.looked_at < whole.sample.looked_at
    ranges = re.compile(r"# \S+ to \S+ in the log")
    assert ranges.sub("", same) == ranges.sub("", draft)
    assert (part.time.rate_hz, part.roles, part.frequency_hz) == (50.0, whole.roles, pytest.approx(1.0, rel=2e-3))


@pytest.mark.parametrize(
    ("content", "fault"),
    [
        (b"", "the log is empty"),
        (b"\n\n", "the log is empty"),
        (b"hello\nworld\n", "no separator makes a table"),
        (b"PK\x03\x04" + bytes(100), "zip archive"),
        (b"\x89HDF\r\n\x1a\n" + bytes(100), "not an HDF5 file that can be read"),
        (b"PAR1" + bytes(100), "not a Parquet file that can be read"),
        (b"ARROW1" + bytes(100), "not an Arrow file that can be read"),
        (b"MATLAB 5.0 MAT-file".ljust(200), "not a MATLAB file that can be read"),
        (b"MDF     4.10".ljust(200, b"\0"), "not an MDF 4 file that can be read"),
        (b"\x1f\x8b" + bytes(50), "the gzip stream is broken"),
        (b"a;b\n1;x\n2;y\n", "fewer than two columns"),
        (b"a note\nanother one\n1.5;2.5;3.5\n1.6;2.6;3.6\n", "none of them names the columns"),
    ],
)
def test_what_is_no_log(content: bytes, fault: str, tmp_path: Path) -> None:
    log = tmp_path / "log.dat"
    log.write_bytes(content)
    with pytest.raises(InputError, match=fault) as told:
        inspect_logs([log])
    assert "log.dat" in str(told.value)
    with pytest.raises(InputError, match="cannot be read"):
        inspect_logs([tmp_path / "nowhere.csv"])


def _rows(form: str, n: int = 300) -> str:
    """Rows of a format with t, w (a wave) and k."""
    return "".join(form.format(t=k * 0.02, w=np.sin(k / 8.0), k=k, o=k % 7) + "\n" for k in range(n))


ODD = {
    "a separator at the end": ("Time [s];F [N];x [mm];\n" + _rows("{t:.2f};{w:.3f};{w:.3f};"), ["f", "x"]),
    "a column of words": ("Time [s];F [N];x [mm];State\n" + _rows("{t:.2f};{w:.3f};{w:.3f};OK"), ["f", "x"]),
    "comments above": ("# rig one\n#\nTime [s],F [N],x [mm]\n" + _rows("{t:.2f},{w:.3f},{w:.3f}"), ["f", "x"]),
    "a unit that is not known": (
        "Time [s];F [N];x [mm];P [furlong]\n" + _rows("{t:.2f};{w:.3f};{w:.3f};{o}"),
        ["f", "x", "p"],
    ),
    "units in words": ("Zeit in s;Kraft in N;Weg in mm\n" + _rows("{t:.2f};{w:.3f};{w:.3f}"), ["kraft", "weg"]),
    "columns of one width": ("  Time_s   F_N  x_mm\n" + _rows("{t:10.2f} {w:9.3f} {w:9.3f}"), ["f", "x"]),
    "a clock that begins again": ("t [s];F [N];x [mm]\n" + _rows("{t:.2f};{w:.3f};{w:.3f}") * 2, ["f", "x"]),
    "a clock of the epoch": ("t [ms];F [N];x [mm]\n" + _rows("19000{k:05d}0;{w:.3f};{w:.3f}"), ["f", "x"]),
    "exponents": ("t [s],F [N],x [mm]\n" + _rows("{t:.3E},{w:.5E},{w:.5e}"), ["f", "x"]),
    "three rows": ("t [s];F [N];x [mm]\n" + _rows("{t:.2f};{w:.3f};{w:.3f}", 3), ["f", "x"]),
    "a true minus sign": (
        "t [s];F [N];x [mm]\n" + _rows("{t:.2f};{w:.3f};{w:.3f}").replace("-", "\u2212"),
        ["f", "x"],
    ),
    "no-break spaces between thousands": (
        "t [s];F [N];x [mm]\n"
        + "".join(f"{k / 50:.2f};{1500 + 900 * np.sin(k / 8):,.1f};{np.sin(k / 8):.3f}\n" for k in range(400)).replace(
            ",", "\u202f"
        ),
        ["f", "x"],
    ),
    "carriage returns alone": (
        "Station: R7\r\rt [s];F [N];x [mm]\r" + _rows("{t:.2f};{w:.3f};{w:.3f}").replace("\n", "\r"),
        ["f", "x"],
    ),
}


@pytest.mark.parametrize("name", ODD)
def test_oddly_written_logs_need_no_question(name: str, tmp_path: Path) -> None:
    text, channels_found = ODD[name]
    found = inspect_logs([by_hand(tmp_path / "log.csv", text)])
    assert found.questions == ()
    assert [c.name for c in found.channels] == channels_found
    assert found.time.kind == "elapsed"
    path = tmp_path / "rig.toml"
    path.write_text(draft_rig(found, "draft"), encoding="utf-8")
    rig = load_model(RigConfig, path)[0]
    assert [c.name for c in rig.channel] == [n for n in channels_found if n != "p"]  # its unit is asked for
    if name != "three rows":
        assert found.frequency_hz == pytest.approx(found.time.rate_hz / (16 * np.pi), rel=0.01)


def test_columns_without_a_name_of_their_own_go_by_number(tmp_path: Path) -> None:
    """Two load cells of one name are asked for, a column without a name is read, and none is dropped in silence."""
    text = "t [s];F [N];F [N];x [mm];\n" + _rows("{t:.2f};{w:.3f};{w:.2f};{w:.3f};{w:.1f}")
    found = inspect_logs([by_hand(tmp_path / "log.csv", text)])
    assert [c.key for c in found.channels] == [2, 3, "x [mm]", 5]
    asked = {question.key: question.choices for question in found.questions}
    assert list(asked) == ["channel.channel_5.unit", "load.channel"]
    assert asked["load.channel"] == ('"channel_2"', '"channel_3"')
    assert "the column name 'F [N]' occurs 2 times: those columns go by number" in found.notes
    path = tmp_path / "rig.toml"
    answered = draft_rig(found, "draft").replace('channel = "?"', 'channel = "channel_3"').replace('"?"', '"1"')
    path.write_text(answered, encoding="utf-8")
    rig = load_model(RigConfig, path)[0]
    assert [c.column for c in rig.channel] == [2, 3, "x [mm]", 5]
    with (tmp_path / "log.csv").open("rb") as file:
        batch = next(read_log(tmp_path / "log.csv", file, rig))
    assert batch.rejects == []
    assert set(batch.channels) == {"channel_2", "channel_3", "x", "channel_5"}


def test_a_column_that_is_not_read_is_named(tmp_path: Path) -> None:
    words = ("left", "right", "up", "down", "in", "out", "fast", "slow", "warm", "cold")
    rows = [f"{k / 50:.2f};{k};{5 + k % 50:.2f};{k % 50 / 10:.3f};{words[k % 10]};" for k in range(400)]
    log = by_hand(tmp_path / "log.csv", "t [s];n;F [N];x [mm];remark;spare\n" + "\n".join(rows) + "\n")
    found = inspect_logs([log])
    assert found.questions == ()
    assert [note for note in found.notes if "is not read" in note] == [
        "the column 'n' is not read: it counts the rows",
        "the column 'spare' is not read: it holds no number",
        "the column 'remark' is not read: it holds 10 different texts",
    ]


def test_words_of_a_state_are_the_mode_with_a_map(tmp_path: Path) -> None:
    states = ["Verriegelt"] * 200 + ["Frei"] * 200
    rows = [f"{k / 50:.2f};{5 + k % 50:.2f};{k % 50 / 10:.3f};{state}" for k, state in enumerate(states)]
    found = inspect_logs([by_hand(tmp_path / "log.csv", "t [s];F [N];x [mm];Status\n" + "\n".join(rows) + "\n")])
    assert found.questions == ()
    assert found.roles["mode"] == "status"
    assert found.channels[-1].states == (("Frei", 0), ("Verriegelt", 1))
    assert 'map = { "Frei" = 0, "Verriegelt" = 1 }' in draft_rig(found, "draft")


@pytest.mark.parametrize(("unit", "factor"), [("s", 1.0), ("ms", 1e3), ("us", 1e6), ("ns", 1e9)])
def test_a_count_from_1970_says_its_unit_by_its_size(unit: str, factor: float, tmp_path: Path) -> None:
    rows = [f"{factor * (1_931_235_600 + k / 50):.2f};{5 + k % 50:.2f};{k % 50 / 10:.3f}" for k in range(400)]
    found = inspect_logs([by_hand(tmp_path / "log.csv", "stamp;F [N];x [mm]\n" + "\n".join(rows) + "\n")])
    assert found.questions == ()
    assert (found.time.kind, found.time.keys["unit"], found.time.rate_hz) == ("elapsed", unit, 50.0)
    time = RigConfig.model_validate(tomllib.loads(draft_rig(found, "r"))).time
    assert time.dated
    native, good = native_time(np.array([factor * 1_931_235_600.25, np.nan]), time)
    assert good.tolist() == [True, False]
    assert native[0] == pytest.approx(1_931_235_600_250_000, abs=1)


def test_a_clock_may_count_from_any_day_and_only_an_elapsed_one() -> None:
    since = date(2001, 1, 1)
    native, _ = native_time(np.array([1.5]), TimeConfig(column="t", sample_rate="1 Hz", since=since))
    assert native[0] == int(datetime(2001, 1, 1, tzinfo=UTC).timestamp()) * 1_000_000 + 1_500_000
    with pytest.raises(ValueError, match="since is the day from which an elapsed time counts"):
        TimeConfig(kind="sample", sample_rate="1 Hz", since=since)


@pytest.mark.parametrize("gap", [0.0, 40.0])
def test_a_clock_coarser_than_the_rows_is_the_time(gap: float, tmp_path: Path) -> None:
    wave = np.sin(np.arange(4000) / 8)
    rows = [f"{k // 5 / 10 + gap * (k >= 2000):.1f};{5 + 2 * w:.3f};{w:.3f}" for k, w in enumerate(wave)]
    found = inspect_logs([by_hand(tmp_path / "log.csv", "t [s];F [N];x [mm]\n" + "\n".join(rows) + "\n")])
    assert found.questions == ()
    assert (found.time.column, found.time.rate_hz, found.time.coarse_s) == ("t [s]", 50.0, 0.1)
    assert any("coarser than the rows" in note for note in found.notes)
    assert found.frequency_hz == pytest.approx(50.0 / (16 * np.pi), rel=0.01)


def test_a_draft_states_the_step_of_a_coarse_clock_and_is_read_whole(tmp_path: Path) -> None:
    wave = np.sin(np.arange(4000) / 8)
    clocks: dict[str, tuple[str, Callable[[int], str], float, float]] = {
        "tenths": ("t [s]", lambda k: f"{k // 10 / 10:.1f}", 100.0, 0.1),
        "seconds": ("t [s]", lambda k: f"{k // 50}", 50.0, 1.0),
        "dates": ("date", lambda k: f"2026-03-01 12:{k // 3000:02}:{k // 50 % 60:02}", 50.0, 1.0),
    }
    for name, (column, clock, rate, step) in clocks.items():
        rows = [f"{clock(k)};{5 + 2 * w:.3f};{w:.3f}" for k, w in enumerate(wave)]
        log = by_hand(tmp_path / f"{name}.csv", f"{column};F [N];x [mm]\n" + "\n".join(rows) + "\n")
        found = inspect_logs([log])
        assert (found.questions, found.time.rate_hz, found.time.coarse_s) == ((), rate, step), name
        draft = draft_rig(found, "draft")
        assert f'resolution = "{step:g} s"' in draft
        (tmp_path / f"{name}.toml").write_text(draft, encoding="utf-8")
        rig = load_model(RigConfig, tmp_path / f"{name}.toml")[0]
        source = ingest_file(log, log.name, rig, RunStore(tmp_path / "store", name))
        assert (source.samples, source.rejects) == (4000, 0), name


def test_while_the_encoding_is_open_columns_go_by_number(tmp_path: Path) -> None:
    """Whatever is answered, the columns are found: their names are others in each encoding."""
    rows = "".join(f"{k / 50:.2f};{5 + k % 50:.2f};{k % 50 / 10:.3f}\n" for k in range(400))
    log = tmp_path / "log.csv"
    log.write_bytes("时间 [s];力 [N];位移 [mm]\n".encode("gbk") + rows.encode())
    found = inspect_logs([log])
    assert [question.key for question in found.questions] == ["log.encoding"]
    for encoding in ("cp1252", "gbk"):
        path = tmp_path / f"{encoding}.toml"
        path.write_text(draft_rig(found, "draft").replace('encoding = "?"', f'encoding = "{encoding}"'), "utf-8")
        rig = load_model(RigConfig, path)[0]
        assert [rig.time.column, *(c.column for c in rig.channel)] == [1, 2, 3]
        with log.open("rb") as file:
            assert len(next(read_log(log, file, rig)).row) == 400


def test_a_log_that_ends_in_carriage_returns_has_no_rejects(tmp_path: Path) -> None:
    log = by_hand(tmp_path / "log.csv", ODD["carriage returns alone"][0])
    found = inspect_logs([log])
    assert (found.sample.rows, found.sample.rejects) == (300, ())
    assert dict(found.outline.facts)["line ends"] == "CR"


def test_a_packed_log_that_is_still_written_is_looked_at(tmp_path: Path) -> None:
    path = tmp_path / "log.csv.gz"
    whole = gzip.compress(table("t [s]", "F [N]", "x [mm]").encode())
    path.write_bytes(whole[: len(whole) * 3 // 4])
    found = inspect_logs([path])
    assert found.questions == ()
    assert 100 < len(found.sample.pieces[0].row) < 400


def test_a_units_row_of_unknown_units_is_answered_by_the_draft(tmp_path: Path) -> None:
    rows = "".join(f"{k / 50:.2f};{np.sin(k / 8):.3f};{np.cos(k / 8):.3f};21\n" for k in range(400))
    log = by_hand(tmp_path / "log.csv", "Time;Force;Travel;Oil\n[\u79d2];[kgm];[mm];[\u00b0C]\n" + rows)
    rig = answered(draft_rig(inspect_logs([log]), "draft"))
    assert rig.count("unit_in_log") == 2
    (tmp_path / "rig.toml").write_text(rig, encoding="utf-8")
    model = load_model(RigConfig, tmp_path / "rig.toml")[0]
    read = read_bytes(log.read_bytes(), model)
    assert (len(read.row), read.rejects) == (400, [])


def test_the_rates_offered_are_those_of_the_units_offered(tmp_path: Path) -> None:
    found = inspect_logs([by_hand(tmp_path / "log.csv", table("Time", "Force [N]", "Travel [mm]"))])
    choices = {question.key: question.choices for question in found.questions}
    assert choices["time.unit"] == ('"s"', '"ms"', '"min"')
    assert choices["time.sample_rate"] == ('"50 Hz"', '"50000 Hz"', '"0.83333 Hz"')


def test_an_empty_log_among_others_says_nothing_and_alone_is_refused(tmp_path: Path) -> None:
    (log,) = logs_of(simulated(tmp_path / "run"))
    empty = tmp_path / "empty.csv"
    empty.write_bytes(b"")
    found = inspect_logs([empty, log])
    assert found.logs == (log,)
    assert found.notes == ("empty.csv is empty: it says nothing",)
    with pytest.raises(InputError, match="the log is empty"):
        inspect_logs([empty])
