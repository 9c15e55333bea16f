"""Stretches of load and motion, drawn: what a survey finds in them is known."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.samples.signals import Signals
from benchpipe.survey.stretches import Stretch, Surveyed

RATE = 50.0
Floats = NDArray[np.float64]


def stretch(load: Floats, motion: Floats, *, number: int = 0, file: str = "a.csv", mode: int | None = None) -> Stretch:
    time_us = np.rint(np.arange(load.size) / RATE * 1e6).astype(np.int64)
    nothing: NDArray[Any] = np.empty(0, np.float32)
    return Stretch(number, file, mode, Signals(time_us, load, motion, nothing, nothing))


def surveyed(*stretches: Stretch, first_count: float = float("nan")) -> Surveyed:
    rows: dict[tuple[str, int | None], int] = {}
    for one in stretches:
        rows[one.file, one.mode] = rows.get((one.file, one.mode), 0) + len(one.signals)
    return Surveyed(stretches, rows, 0, (), 0, (), first_count)


def sine(cycles: int, low: float, high: float, *, hz: float = 1.0, noise: float = 0.02, seed: int = 1) -> Floats:
    n = np.arange(round(cycles / hz * RATE))
    wave = 0.5 * (low + high) - 0.5 * (high - low) * np.cos(2.0 * np.pi * hz * n / RATE)
    return np.asarray(wave + noise * np.random.default_rng(seed).standard_normal(n.size))


def held(load: float, seconds: float, *, ramp: float = 5.0, rest: float = 0.0, rest_s: float = 10.0) -> Floats:
    up = np.linspace(rest, load, round(ramp * RATE))
    stays = np.full(round(rest_s * RATE), rest)
    return np.concatenate([stays, up, np.full(round(seconds * RATE), load), up[::-1], stays])
