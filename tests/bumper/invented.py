"""An invented family of five bumpers: ``python -m tests.bumper.invented`` writes the model of the sample runs.

No such bumpers were ever made. Hardness 50 to 90 Shore A, torque-controlled loops from -40 to 110 N·m
at 5 and 60 deg/s, two specimens each.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from benchpipe.bumper.config import BumperConfig
from benchpipe.bumper.fit import fit_loops
from benchpipe.bumper.model import BumperModel, LoopSource, SettingLoop, model_text
from benchpipe.kernels.loop_branches import Branches

SAMPLE = Path(__file__).parents[2] / "sample_runs" / "bumpers.json"
HARDNESS = (50.0, 60.0, 70.0, 80.0, 90.0)
STIFFNESS = (2.6, 3.5, 4.7, 6.3, 8.4)  # N·m/deg near zero
COLOURS = ("white", "blue", "green", "yellow", "red")
POINTS = 61


def loop(stiffness: float, rate: float, loss: float) -> Branches:
    """A loop that stiffens with angle, from -40 to 110 N·m."""
    angle = np.linspace(-60.0, 60.0, 40_001)
    torque = stiffness * angle * (1.0 + 0.02 * np.abs(angle)) * (rate / 5.0) ** 0.03
    low, high = (float(np.interp(t, torque, angle)) for t in (-40.0, 110.0))
    motion = np.linspace(low, high, POINTS)
    u = 2.0 * (motion - low) / (high - low) - 1.0
    half = loss * 75.0 * (1.0 - u**4)
    static = np.interp(motion, angle, torque)
    return Branches(motion, static + half, static - half)


def loops(rates: tuple[float, ...] = (5.0, 60.0), specimens: int = 2) -> list[SettingLoop]:
    """Loops of the family; specimens scatter by 2 %."""
    rng = np.random.default_rng(16)
    found = []
    for hardness, k, colour in zip(HARDNESS, STIFFNESS, COLOURS, strict=True):
        for number in range(specimens):
            own = k * float(np.exp(0.02 * rng.standard_normal()))
            for rate in rates:
                branches = loop(own, rate, 0.03 + 0.0002 * hardness)
                found.append(
                    SettingLoop(hardness, colour, rate, 23.0, (f"{colour} {number + 1}",), float("nan"), branches)
                )
    return found


def config(**more: Any) -> BumperConfig:
    """Its bumper file, without runs."""
    plain: dict[str, Any] = {
        "name": "five invented bumpers", "note": "invented: no such bumpers were ever made",
        "setting": "hardness [Shore A]",
        "structural_limit": "160 N*m",
        "loop": [{"plan": f"{s:g}.toml", "block": "b", "setting": s, "specimen": "s"} for s in HARDNESS],
    }  # fmt: skip
    return BumperConfig.model_validate(plain | more, context="file")


def model(**more: Any) -> BumperModel:
    """The model that is among the sample runs."""
    own = [
        LoopSource("invented", "none", specimen, one.setting, (10,), None, "")
        for one in loops() for specimen in one.specimens if one.rate_deg_s < 10.0
    ]  # fmt: skip
    return replace(fit_loops(config(), loops(), own), **more)


if __name__ == "__main__":
    SAMPLE.write_text(model_text(model()), encoding="utf-8")
