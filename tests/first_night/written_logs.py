"""Logs of a bench test as different rigs write them, with what is true of them: shares no code with the package.

The specimen is a spring with a little viscous loss: torque = k * angle + c * rate, driven by load or by motion.
Numbers come from a seed; nothing here is a real rig, log or specimen.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from random import Random

STIFFNESS, LOSS = 20.0, 0.02  # N*m/deg, N*m*s/deg
RATE = 50.0
NO_DAY = datetime(2031, 3, 14, 8, 20)
GERMAN = ("Jan", "Feb", "Mär", "Apr", "Mai", "Jun", "Jul", "Aug", "Sep", "Okt", "Nov", "Dez")


@dataclass
class Row:
    """One sample: time since the start [s], load, motion, cycles so far, and what the joint is doing."""

    t: float
    load: float
    motion: float
    count: int = 0
    state: str = "locked"


@dataclass
class Truth:
    """What a plan and its figures must say of the logs."""

    kinds: set[str] = field(default_factory=set)
    cycles: int = 0
    low: float = math.nan
    high: float = math.nan
    frequency: float = math.nan
    control: str = "load"
    holds: tuple[float, ...] = ()
    free_range: tuple[float, float] = (math.nan, math.nan)
    stiffness: float = STIFFNESS
    rows: int = 0


class Rig:
    """Samples of a test, one part after the other."""

    def __init__(self, seed: int, *, noise: float = 0.05, rate: float = RATE) -> None:
        self.random, self.noise, self.rate = Random(seed), noise, rate
        self.rows: list[Row] = []
        self.truth = Truth()
        self._count = 0

    def cycle(self, cycles: int, low: float, high: float, frequency: float, *, by: str = "load") -> Rig:
        """Sine cycling between two ends of load or motion; the specimen softens by 5 % in the first fifth."""
        middle, half = 0.5 * (low + high), 0.5 * (high - low)
        for n in range(round(cycles / frequency * self.rate)):
            phase = 2.0 * math.pi * frequency * n / self.rate
            wave, rate = middle - half * math.cos(phase), half * math.sin(phase) * 2.0 * math.pi * frequency
            done = n / (cycles / frequency * self.rate)
            k = STIFFNESS * (1.0 + 0.05 * max(0.0, 1.0 - 5.0 * done))
            count = self._count + int(n * frequency / self.rate)
            if by == "load":
                self._add(wave, (wave - LOSS * rate / k) / k, count)
            else:
                self._add(k * wave + LOSS * rate, wave, count)
        self._count += cycles
        self.truth.kinds.add("cyclic")
        self.truth.cycles += cycles
        self.truth.low, self.truth.high, self.truth.frequency, self.truth.control = low, high, frequency, by
        return self

    def loose(self, cycles: int, low: float, high: float, frequency: float, lost: float) -> Rig:
        """Cycling that goes on from :meth:`cycle`, with a stiffness that has fallen by ``lost``."""
        middle, half = 0.5 * (low + high), 0.5 * (high - low)
        total = round(cycles / frequency * self.rate)
        for n in range(total):
            wave = middle - half * math.cos(2.0 * math.pi * frequency * n / self.rate)
            k = STIFFNESS * (1.0 - lost)
            self._add(wave, wave / k, self._count + int(n * frequency / self.rate))
        self._count += cycles
        self.truth.cycles += cycles
        self.truth.stiffness = STIFFNESS * (1.0 - lost)
        return self

    def hold(self, load: float, seconds: float) -> Rig:
        """Ramp up in 5 s, hold with a creep of 0.01 deg a decade, ramp down."""
        for n in range(round((10.0 + seconds) * self.rate)):
            t = n / self.rate
            part = min(t / 5.0, 1.0, max(0.0, (10.0 + seconds - t) / 5.0))
            creep = 0.01 * math.log10(1.0 + max(t - 5.0, 0.0)) * (1.0 if t < 5.0 + seconds else 0.3)
            self._add(load * part, load * part / STIFFNESS + creep * (t > 5.0), self._count)
        self.truth.kinds.add("hold")
        self.truth.holds += (load,)
        return self

    def sweep(self, sweeps: int, low: float, high: float, period: float, *, stops: tuple[float, float]) -> Rig:
        """Triangles of motion against 0.8 N*m of friction, with stops of 4 N*m/deg outside a free range."""
        for n in range(round(sweeps * period * self.rate)):
            part = (n / self.rate / period) % 1.0
            there = part < 0.5
            motion = low + (high - low) * (2.0 * part if there else 2.0 - 2.0 * part)
            beyond = max(0.0, motion - stops[1]) - max(0.0, stops[0] - motion)
            self._add((0.8 if there else -0.8) + 4.0 * beyond, motion, self._count, "free")
        self.truth.kinds.add("sweep")
        self.truth.free_range = stops
        return self

    def rest(self, seconds: float, state: str = "locked") -> Rig:
        """Nothing moves."""
        for _ in range(round(seconds * self.rate)):
            self._add(0.0, 0.0, self._count, state)
        return self

    def _add(self, load: float, motion: float, count: int, state: str = "locked") -> None:
        t = len(self.rows) / self.rate
        load, motion = self.random.gauss(load, self.noise), self.random.gauss(motion, 0.05 * self.noise)
        self.rows.append(Row(t, load, motion, count, state))
        self.truth.rows += 1


def text(value: float, digits: int, *, comma: bool = False) -> str:
    """A number, with a decimal comma if asked for."""
    shown = f"{value:.{digits}f}"
    return shown.replace(".", ",") if comma else shown


def german_date(when: datetime) -> str:
    """14. Mär 2031 08:20:00,02"""
    return f"{when.day:02d}. {GERMAN[when.month - 1]} {when.year} {when:%H:%M:%S},{when.microsecond // 10000:02d}"


def write(path: Path, head: list[str], rows: list[Row], line: Callable[[Row], str], encoding: str = "utf-8") -> None:
    """A log: its head, then one line a row."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(("\n".join([*head, *map(line, rows)]) + "\n").encode(encoding))


def at(row: Row, start: datetime = NO_DAY) -> datetime:
    """Date of a row."""
    return start + timedelta(milliseconds=round(1000 * row.t))


# --- the logs: each writes a folder and says what is true of it ---------------------------------------------


def decimal_commas(folder: Path) -> Truth:
    """Semicolons, decimal commas, German dates in numbers, units in the row below the names, cp1252."""
    rig = Rig(1).cycle(150, 5.0, 80.0, 1.0)
    head = ["Zeit;Moment;Winkel;Temperatur;Zyklen", "[-];[Nm];[°];[°C];[-]"]
    write(
        folder / "prüfung.csv", head, rig.rows, lambda r: ";".join([
            at(r).strftime("%d.%m.%Y %H:%M:%S,%f")[:-3], text(r.load, 3, comma=True), text(r.motion, 4, comma=True),
            text(22.5, 1, comma=True), str(r.count),
        ]), "cp1252",
    )  # fmt: skip
    return rig.truth


def german_months(folder: Path) -> Truth:
    """Month names of a German office, between tabs."""
    rig = Rig(2).cycle(120, 10.0, 60.0, 1.0)
    write(
        folder / "lauf.txt", ["Zeitpunkt\tMoment [Nm]\tWinkel [°]"], rig.rows,
        lambda r: f"{german_date(at(r))}\t{text(r.load, 3, comma=True)}\t{text(r.motion, 4, comma=True)}",
    )  # fmt: skip
    return rig.truth


def iso_with_preamble(folder: Path) -> Truth:
    """Preamble, ISO dates, a word for the state of the lock: sweeps free, cycles and a hold locked."""
    rig = Rig(3).rest(10, "free").sweep(4, -12.0, 15.0, 10.0, stops=(-9.0, 12.0)).rest(5).cycle(120, 5.0, 80.0, 1.0)
    rig.rest(10).hold(60.0, 660.0).rest(10)
    head = ["# Rig: bench 7", "# Specimen: Linden-4 (invented)", "# Operator: none", "",
            "time,torque [N*m],angle [deg],lock"]  # fmt: skip
    write(
        folder / "run.csv", head, rig.rows,
        lambda r: f"{at(r).isoformat(timespec='milliseconds')},{r.load:.3f},{r.motion:.4f},{r.state}",
    )
    return rig.truth


def epoch_stamps(folder: Path) -> Truth:
    """Seconds since 1970, several files that go on from one another, force against displacement."""
    rig = Rig(4, noise=0.5).cycle(180, 50.0, 1200.0, 2.0)
    start = 1_931_235_600.0
    third = len(rig.rows) // 3
    for n in range(3):
        rows = rig.rows[n * third : (n + 1) * third if n < 2 else None]
        write(
            folder / f"log_{n + 1:03d}.csv", ["timestamp,force_N,stroke_mm,cycle"], rows,
            lambda r: f"{start + r.t:.3f},{r.load:.2f},{r.motion:.4f},{r.count}",
        )  # fmt: skip
    return rig.truth


def kinds_by_file(folder: Path) -> Truth:
    """One file a kind of test, spaces between the columns, milliseconds."""
    rig = Rig(5)
    for name, part in (
        ("free_sweep_1", rig.sweep(5, -12.0, 15.0, 8.0, stops=(-9.0, 12.0)).rows[:]),
        ("cycling_1", _only(rig, lambda: rig.cycle(100, 8.0, 70.0, 1.0))),
        ("cycling_2", _only(rig, lambda: rig.cycle(100, 8.0, 70.0, 1.0))),
        ("static_hold_1", _only(rig, lambda: rig.hold(50.0, 620.0))),
    ):
        first = part[0].t
        write(
            folder / f"{name}.dat", ["time_ms torque_Nm angle_deg"], part,
            lambda r, first=first: f"{1000 * (r.t - first):.0f} {r.load:.3f} {r.motion:.4f}",
        )  # fmt: skip
    return rig.truth


def _only(rig: Rig, work: Callable[[], Rig]) -> list[Row]:
    before = len(rig.rows)
    work()
    return rig.rows[before:]


def motion_control(folder: Path) -> Truth:
    """Controlled by motion; an unnamed first column that counts rows; mode in numbers; a note in between."""
    rig = Rig(6, noise=0.02).cycle(150, -3.0, 3.0, 0.5, by="motion")
    soft = rig.truth
    write(
        folder / "motion.csv", [",t [s],M [Nm],phi [deg]"], rig.rows,
        lambda r: f"{round(r.t * RATE)},{r.t:.2f},{r.load:.3f},{r.motion:.4f}",
    )  # fmt: skip
    return soft


def no_header(folder: Path) -> Truth:
    """No line names the columns: what they are must be asked."""
    rig = Rig(7).cycle(120, 5.0, 80.0, 1.0)
    write(folder / "raw.csv", [], rig.rows, lambda r: f"{r.t:.2f};{r.load:.3f};{r.motion:.4f}")
    return rig.truth


def dirty(folder: Path) -> Truth:
    """Header again, a note, OVER, a last line without an end, a stranger beside it, decimal commas between tabs."""
    rig = Rig(8).cycle(150, 5.0, 80.0, 1.0)
    head = ["Zeit [s]\tDrehmoment [Nm]\tWinkel [°]"]
    lines = [f"{text(r.t, 2, comma=True)}\t{text(r.load, 3, comma=True)}\t{text(r.motion, 4, comma=True)}"
             for r in rig.rows]  # fmt: skip
    lines[4000] = lines[4000].rsplit("\t", 2)[0] + "\tOVER\t" + lines[4000].rsplit("\t", 1)[1]
    lines[4100] = lines[4100].rsplit("\t", 2)[0] + "\tOVER\t" + lines[4100].rsplit("\t", 1)[1]
    body = [*lines[:2000], head[0], *lines[2000:3000], "Pause, Ventil geprüft", *lines[3000:]]
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "log.tsv").write_bytes(("\n".join([*head, *body]) + "\n12,3").encode())
    (folder / "photo.png").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 8)
    (folder / "notes.txt").write_text("all well\n")
    return rig.truth


def coming_loose(folder: Path) -> Truth:
    """A specimen that loses 30 % of its stiffness at once after the run-in; American dates beyond the twelfth, bars."""
    rig = Rig(9).cycle(150, 5.0, 80.0, 1.0).loose(250, 5.0, 80.0, 1.0, lost=0.3)
    write(
        folder / "loose.csv", ["Date|Time|Torque (N m)|Angle (deg)|Cycle"], rig.rows, lambda r: "|".join([
            f"{at(r):%m/%d/%Y}", f"{at(r):%H:%M:%S.%f}"[:-3], f"{r.load:.3f}", f"{r.motion:.4f}", str(r.count),
        ]),
    )  # fmt: skip
    return rig.truth


LOGS: dict[str, Callable[[Path], Truth]] = {
    made.__name__: made
    for made in (
        decimal_commas, german_months, iso_with_preamble, epoch_stamps, kinds_by_file, motion_control, no_header, dirty,
        coming_loose,
    )
}  # fmt: skip
