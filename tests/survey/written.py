"""Bench tests as different loggers write them, each with what is true of it and what only a person can say."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from tests.ingest.workbooks import write_workbook
from tests.survey.benches import Bench, dates, fixed, lines_of, save


@dataclass(frozen=True)
class Told:
    """Rows, kinds of blocks, cycles and their targets, the stiffness lost since the run-in, holds; and the answers.

    ``asked`` maps each line with a question to what a person who knows the rig writes there.
    """

    rows: int
    cycles: int
    targets: tuple[float, float]
    kinds: frozenset[str] = frozenset({"cyclic"})
    lost: float = 0.0
    sweeps: int = 0
    left_out: tuple[str, ...] = ()
    asked: dict[str, str] = field(default_factory=dict)


def office(folder: Path) -> Told:
    """Semicolons, decimal commas, cp1252, units after names, words for the lock: sweeps, cycles and a hold."""
    bench = Bench(draw=11).rest(4.0, "free").sweep(5, -12.0, 15.0, 9.0, stops=(-8.0, 11.0)).rest(5.0)
    t, load, motion, count, state = bench.cycle(130, 5.0, 80.0, 1.0).rest(5.0).hold(60.0, 120.0).rest(5.0).take()
    words = [{"free": "frei", "locked": "verriegelt"}[one] for one in state]
    lines = lines_of(
        [(t, dates("%d.%m.%Y %H:%M:%S,%f")), (load, fixed(3, ",")), (motion, fixed(4, ",")), (count, fixed(0)),
         (words, None)], ";",
    )  # fmt: skip
    head = ["Zeitstempel;Moment Nm;Winkel [Grad];Zyklen;Zustand"]
    save(folder / "lauf 1.csv", head + lines, encoding="cp1252", end="\r\n")
    return Told(bench.rows, 130, (5.0, 80.0), frozenset({"cyclic", "sweep", "hold"}), sweeps=4)


def quoted(folder: Path) -> Told:
    """Names in quotes that hold the separator; force against displacement, thousands set apart."""
    bench = Bench(draw=14, stiffness=400.0, noise=0.01)
    t, load, motion, count, _ = bench.cycle(130, 100.0, 2400.0, 1.0).take()
    head = ['"Time (s)";"Load; filtered (N)";"Travel; stroke mm";"Cycle count"']
    cells = [(t, fixed(2)), (load, fixed(2, ".", ",")), (motion, fixed(4)), (count, fixed(0))]
    save(folder / "q.csv", head + lines_of(cells, ";"))
    return Told(bench.rows, 130, (100.0, 2400.0))


def typed(folder: Path) -> Told:
    """Parquet with stamps; the free joint works against a return spring."""
    bench = Bench(draw=16).rest(4.0, "free").sweep(5, -12.0, 15.0, 9.0, spring=0.25, stops=(-9.0, 12.0)).rest(5.0)
    t, load, motion, _, state = bench.cycle(130, 5.0, 80.0, 1.0).take()
    folder.mkdir(parents=True)
    stamps = pa.array(np.rint(t * 1e6).astype(np.int64) + 2_000_000_000_000_000, pa.timestamp("us"))
    lock = [int(one == "locked") for one in state]
    pq.write_table(
        pa.table({"time": stamps, "torque [N*m]": load, "angle [deg]": motion, "lock": lock}), folder / "run.parquet"
    )
    return Told(bench.rows, 130, (5.0, 80.0), frozenset({"cyclic", "sweep"}), sweeps=4)


def sheet(folder: Path) -> Told:
    """A workbook."""
    bench = Bench(draw=17, rate=25.0)
    t, load, motion, _, _ = bench.cycle(110, 5.0, 80.0, 0.5).take()
    rows = [
        [round(float(a), 3), round(float(b), 3), round(float(c), 4)] for a, b, c in zip(t, load, motion, strict=True)
    ]
    write_workbook(folder / "book.xlsx", {"data": [["Time [s]", "Torque [Nm]", "Angle [deg]"], *rows]})
    return Told(bench.rows, 110, (5.0, 80.0))


def dirty(folder: Path) -> Told:
    """Twelve hours, bars, a header again, a comment, OVL; and among the logs a list of events, bytes and numbers."""
    bench = Bench(draw=18).cycle(130, 5.0, 80.0, 1.0, lost=0.02)
    bench.cycle(200, 5.0, 80.0, 1.0, lost=0.3)
    t, load, motion, count, _ = bench.take()
    cells = [
        (t, dates("%m/%d/%Y", digits=6)), (t, dates("%I:%M:%S.%f %p", digits=6)), (load, fixed(3)), (motion, fixed(4)),
        (count, fixed(0)),
    ]  # fmt: skip
    lines = ["Date|Time|Torque (N m)|Angle (deg)|Cycle", *lines_of(cells, "|")]
    lines[5000] = lines[5000].rsplit("|", 2)[0] + "|OVL|17"
    lines[3000:3000] = [lines[0], "# pump off", ""]
    save(folder / "d.csv", lines)
    save(folder / "events.txt", ["2033-05-17;06:40:00;pump;3", "2033-05-17;06:50:00;stop;4"] * 20)
    save(folder / "numbers.txt", [f"{k} {1.01 * k:.2f}" for k in range(50)])
    (folder / "state.bin").write_bytes(np.random.default_rng(1).bytes(5000))
    left_out = ("events.txt", "numbers.txt", "state.bin")
    return Told(bench.rows, 330, (5.0, 80.0), lost=1.0 - 0.7 / 0.98, left_out=left_out)


def relaxing(folder: Path) -> Told:
    """Cycles and a held motion, its load relaxing, between tabs in UTF-16 with a row of units."""
    bench = Bench(draw=20).rest(5.0)
    t, load, motion, _, _ = bench.cycle(130, 5.0, 80.0, 1.0).rest(5.0).relax(3.0, 200.0).rest(5.0).take()
    head = ["Prüfstand: 7", "Probe: Ahorn-3", "", "Zeit\tMoment\tWinkel", "s\tN·m\t°"]
    cells = [(t, fixed(2, ",")), (load, fixed(3, ",")), (motion, fixed(4, ","))]
    save(folder / "u.txt", head + lines_of(cells, "\t"), encoding="utf-16", end="\r\n")
    return Told(bench.rows, 130, (5.0, 80.0), frozenset({"cyclic", "relaxation"}))


def three_digits(folder: Path) -> Told:
    """Three digits after each decimal comma, and a column that goes below one."""
    bench = Bench(draw=25, stiffness=10.5, noise=0.0002)
    t, load, motion, _, _ = bench.cycle(110, 7.0, 80.0, 1.0).take()
    cells = [(values, fixed(3, ",")) for values in (t, load, motion)]
    save(folder / "k.csv", ["Zeit [s];Kraft [kN];Weg [mm]", *lines_of(cells, ";")])
    return Told(bench.rows, 110, (7000.0, 80_000.0))


def locking(folder: Path) -> Told:
    """Sweeps and cycles in turn, by a mode channel."""
    bench = Bench(draw=26)
    for _ in range(4):
        bench.sweep(3, -12.0, 15.0, 8.0, stops=(-9.0, 12.0)).cycle(40, 5.0, 80.0, 1.0, lost=0.0)
    t, load, motion, _, state = bench.take()
    modes = [str(int(one == "locked")) for one in state]
    cells = [(t, fixed(2)), (load, fixed(3)), (motion, fixed(4)), (modes, None)]
    save(folder / "l.csv", ["t [s],M [N*m],phi [deg],mode", *lines_of(cells, ",")])
    return Told(bench.rows, 160, (5.0, 80.0), frozenset({"cyclic", "sweep"}), sweeps=8)


def no_header(folder: Path) -> Told:
    """Numbers between spaces, and no names."""
    bench = Bench(draw=13)
    t, load, motion, _, _ = bench.cycle(130, 5.0, 80.0, 1.0).take()
    save(folder / "raw.dat", lines_of([(t, fixed(2)), (load, fixed(3)), (motion, fixed(4))], " "))
    asked = {
        "time.unit": "s", "time.sample_rate": "50 Hz", "channel.channel_2.unit": "N*m",
        "channel.channel_3.unit": "deg", "load.channel": "channel_2", "motion.channel": "channel_3",
    }  # fmt: skip
    return Told(bench.rows, 130, (5.0, 80.0), asked=asked)


def two_loggers(folder: Path) -> Told:
    """The load in one log and the motion in another, each with dates of its own."""
    bench = Bench(draw=41, rate=200.0)
    t, load, motion, _, _ = bench.cycle(130, 5.0, 80.0, 1.0).take()
    fast = [(t, dates("%Y-%m-%d %H:%M:%S.%f")), (load, fixed(3))]
    save(folder / "load_1.csv", ["stamp;Moment [Nm]", *lines_of(fast, ";")])
    slow = [(t[::4] + 0.0013, dates("%d.%m.%Y %H:%M:%S.%f", digits=6)), (motion[::4], fixed(4))]
    save(folder / "motion_1.csv", ["time,angle [deg]", *lines_of(slow, ",")])
    return Told(bench.rows * 5 // 4, 130, (5.0, 80.0), asked={"second.offset_uncertainty": "5 ms"})


def whole_seconds(folder: Path) -> Told:
    """A clock in whole seconds, slower than the cycles: one row of each second would show other ones.

    A separator ends each row, words for the lock and for the phase, zeros where a disk lost power.
    """
    bench = Bench(draw=42, rate=20.0).sweep(5, -12.0, 15.0, 9.0, stops=(-9.0, 12.0)).rest(5.0)
    t, load, motion, _, state = bench.cycle(130, 5.0, 80.0, 0.9).rest(5.0).take()
    phase = ["run" if abs(value) > 1.0 else "wait" for value in load]
    cells = [
        (np.floor(t + 1e-9), dates("%m/%d/%Y %I:%M:%S %p", digits=6)), (load, fixed(3)), (motion, fixed(4)),
        (state, None), (phase, None),
    ]  # fmt: skip
    lines = [f"{line}," for line in lines_of(cells, ",")]
    lines.insert(700, "\x00" * 60)
    save(folder / "s.csv", ["Time,torque_nm,Angle/deg,Lock,Phase", *lines])
    return Told(bench.rows, 130, (5.0, 80.0), frozenset({"cyclic", "sweep"}), sweeps=4)


def commas_in_quotes(folder: Path) -> Told:
    """Decimal commas between commas, in quotes; dates with a zone."""
    bench = Bench(draw=43)
    t, load, motion, _, _ = bench.cycle(130, 5.0, 80.0, 1.0).take()
    zoned = [f"{dates('%Y-%m-%dT%H:%M:%S.%f')(one)}+02:00" for one in t.tolist()]
    cells = [
        (zoned, None), ([fixed(3, ",")(one) for one in load.tolist()], None),
        ([fixed(4, ",")(one) for one in motion.tolist()], None),
    ]  # fmt: skip
    quoted = [('"' + line + '"') for line in lines_of(cells, '","')]
    save(folder / "c.csv", ['"Time","Torque, Nm","Angle, deg"', *quoted])
    return Told(bench.rows, 130, (5.0, 80.0))


def stamps_and_dates(folder: Path) -> Told:
    """Two loggers: one counts seconds since 1970, the other writes dates in UTC."""
    bench = Bench(draw=44, rate=200.0)
    t, load, motion, _, _ = bench.cycle(130, 5.0, 80.0, 1.0).take()
    stamps = 1_999_924_800.0 + t
    fast = [([f"{one:.3f}" for one in stamps.tolist()], None), (load, fixed(3))]
    save(folder / "load_1.csv", ["stamp;Moment [Nm]", *lines_of(fast, ";")])
    zulu = [f"{datetime.fromtimestamp(one, UTC):%Y-%m-%dT%H:%M:%S.%f}Z" for one in (stamps[::4] + 0.0013).tolist()]
    save(folder / "motion_1.csv", ["time,angle [deg]", *lines_of([(zulu, None), (motion[::4], fixed(4))], ",")])
    return Told(bench.rows * 5 // 4, 130, (5.0, 80.0), asked={"second.offset_uncertainty": "5 ms"})


LOGS: dict[str, Callable[[Path], Told]] = {
    made.__name__: made
    for made in (office, quoted, typed, sheet, dirty, relaxing, three_digits, locking, no_header, two_loggers,
                 whole_seconds, commas_in_quotes, stamps_and_dates)
}
