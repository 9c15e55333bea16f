"""Bench tests drawn with numpy and written as many loggers write them; what is true of each is known.

Shares no code with the package. Specimens, rigs and numbers are invented.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
BEGIN = datetime(2033, 5, 17, 6, 40)


@dataclass
class Bench:
    """Samples so far: load, motion, counter and state of the lock, at one rate.

    The locked joint is a spring whose branches lie ``width`` apart (dry friction), and loses stiffness as it runs in.
    """

    rate: float = 50.0
    stiffness: float = 18.0
    width: float = 0.06  # of the load range
    noise: float = 0.003  # of 10 load units, and of 1 motion unit
    draw: int = 1
    parts: list[tuple[Floats, Floats, Floats, list[str]]] = field(default_factory=list)
    cycles: int = 0

    def __post_init__(self) -> None:
        self._random = np.random.default_rng(self.draw)

    def cycle(self, count: int, low: float, high: float, hz: float, *, by: str = "load", shape: str = "sine",
              lost: float = 0.03, state: str = "locked") -> Bench:  # fmt: skip
        """Cycles from the lower end and back; ``lost``: of the stiffness, in the first quarter."""
        n = np.arange(round(count / hz * self.rate))
        turn = n * hz / self.rate
        driven, up = _wave(turn, low, high, shape)
        k = self.stiffness * (1.0 - lost * np.minimum(4.0 * turn / count, 1.0))
        side = 0.5 * self.width * np.tanh(np.where(up, 1.0, -1.0) * 8.0 * np.abs(np.sin(2.0 * np.pi * turn)))
        if by == "load":
            load, motion = driven, (driven - side * (high - low)) / k
        else:
            load, motion = k * driven + side * (high - low) * k, driven
        self._add(load, motion, self.cycles + np.floor(turn), state)
        self.cycles += count
        return self

    def hold(self, load: float, seconds: float, *, ramp: float = 3.0, creep: float = 0.02, back: float = 0.0) -> Bench:
        """A held load: the motion creeps by ``creep`` a decade."""
        t = np.arange(round((seconds + 2.0 * ramp) * self.rate)) / self.rate
        part = np.clip(np.minimum(t / ramp, (seconds + 2.0 * ramp - t) / ramp), 0.0, 1.0)
        held = back + (load - back) * part
        crept = creep * np.log10(1.0 + np.maximum(t - ramp, 0.0)) * np.minimum(part, 1.0)
        return self._add(held, held / self.stiffness + crept, self.cycles, "locked")

    def relax(self, motion: float, seconds: float, *, ramp: float = 2.0, lost: float = 0.06) -> Bench:
        """A held motion: the load falls by ``lost`` of itself a decade."""
        t = np.arange(round((seconds + 2.0 * ramp) * self.rate)) / self.rate
        part = np.clip(np.minimum(t / ramp, (seconds + 2.0 * ramp - t) / ramp), 0.0, 1.0)
        left = 1.0 - lost * np.log10(1.0 + np.maximum(t - ramp, 0.0))
        return self._add(self.stiffness * motion * part * left, motion * part, self.cycles, "locked")

    def sweep(self, count: int, low: float, high: float, seconds: float, *, friction: float = 0.7, spring: float = 0.0,
              stops: tuple[float, float] | None = None) -> Bench:  # fmt: skip
        """Slow triangles of motion of the free joint: friction, a return spring [load per motion], end stops."""
        n = np.arange(round(count * seconds * self.rate))
        motion, up = _wave(n / self.rate / seconds, low, high, "triangle")
        load = np.where(up, friction, -friction) + spring * motion
        if stops is not None:
            load = load + 5.0 * (np.maximum(motion - stops[1], 0.0) + np.minimum(motion - stops[0], 0.0))
        return self._add(load, motion, self.cycles, "free")

    def wander(self, seconds: float, reach: float) -> Bench:
        """The free joint is moved by hand: nothing repeats."""
        t = np.arange(round(seconds * self.rate)) / self.rate
        motion = reach * (np.sin(0.31 * t) + 0.6 * np.sin(0.83 * t + 1.0) + 0.4 * np.sin(1.9 * np.sqrt(1.0 + t)))
        return self._add(np.full(t.size, 0.2), motion - motion[0], self.cycles, "free")

    def stand(self, seconds: float, load: float, sway: float) -> Bench:
        """A person on the locked joint: the load sways slowly and unevenly by ``sway`` of itself."""
        t = np.arange(round(seconds * self.rate)) / self.rate
        swaying = np.sin(1.7 * t) + 0.7 * np.sin(2.9 * t + 0.5) + 0.8 * np.sin(0.71 * t + 2.0)
        held = load * (1.0 + sway * swaying / 2.5) * np.clip(t / 1.0, 0.0, 1.0) * np.clip(seconds - t, 0.0, 1.0)
        return self._add(held, held / self.stiffness, self.cycles, "locked")

    def rest(self, seconds: float, state: str = "locked") -> Bench:
        """Nothing moves."""
        nothing = np.zeros(round(seconds * self.rate))
        return self._add(nothing, nothing, self.cycles, state)

    def _add(self, load: Floats, motion: Floats, count: Floats | float, state: str) -> Bench:
        noise = self._random.standard_normal((2, load.size)) * self.noise
        counted = np.broadcast_to(np.asarray(count, float), load.shape)
        self.parts.append((load + 10.0 * noise[0], motion + noise[1], counted, [state] * load.size))
        return self

    @property
    def rows(self) -> int:
        return sum(part[0].size for part in self.parts)

    def take(self, *, part: int | None = None) -> tuple[Floats, Floats, Floats, Floats, list[str]]:
        """Time [s], load, motion, counter, state: of all, or of one part of the test."""
        some = self.parts if part is None else [self.parts[part]]
        load, motion, count = (np.concatenate([one[k] for one in some]) for k in range(3))
        return np.arange(load.size) / self.rate, load, motion, count, [state for one in some for state in one[3]]


def _wave(turn: Floats, low: float, high: float, shape: str) -> tuple[Floats, NDArray[np.bool_]]:
    """A wave from its lower end, and where it rises."""
    part = turn % 1.0
    up = part < 0.5
    rise = 0.5 - 0.5 * np.cos(2.0 * np.pi * part) if shape == "sine" else np.where(up, 2.0 * part, 2.0 - 2.0 * part)
    return low + (high - low) * rise, up


Cell = Callable[[float], str]


def fixed(digits: int, mark: str = ".", groups: str = "") -> Cell:
    """Numbers with so many digits."""

    def cell(value: float) -> str:
        text = f"{value:,.{digits}f}" if groups else f"{value:.{digits}f}"
        return text.replace(",", "\x00").replace(".", mark).replace("\x00", groups)

    return cell


def dates(form: str, *, digits: int = 3) -> Cell:
    """Time as a date; ``%f`` is cut to ``digits``."""

    def cell(second: float) -> str:
        text = (BEGIN + timedelta(microseconds=round(second * 1e6))).strftime(form)
        return text[: digits - 6] if form.endswith("%f") and digits < 6 else text

    return cell


def lines_of(columns: Sequence[tuple[Floats | list[str], Cell | None]], separator: str) -> list[str]:
    """One line a row; a column of texts has no cell."""
    texts = [list(values) if cell is None else [cell(v) for v in values] for values, cell in columns]  # type: ignore[arg-type]
    return [separator.join(row) for row in zip(*texts, strict=True)]


def save(path: Path, lines: Sequence[str], *, encoding: str = "utf-8", end: str = "\n") -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes((end.join(lines) + end).encode(encoding))
