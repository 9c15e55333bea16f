"""Target files: torque and stiffness by body mass and walking speed, each row with its source."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import log, pi, sqrt
from pathlib import Path
from typing import Literal, Self

import numpy as np
from pydantic import Field, model_validator

from benchpipe.config.model import AtKeyError, ConfigModel, Many, Pair, load_model, together
from benchpipe.errors import ConfigError

GRAVITY = 9.80665
LEGS_M = (0.4, 1.3)  # a child of 4 to a man of 2.4 m: what lies outside is a slip of the unit


class TargetRowConfig(ConfigModel):
    """Torque and stiffness at a speed, each for a kilogram of body mass.

    ``speed`` is in m/s, or a part of √(g · leg length), as the file says. ``torque_spread`` and ``stiffness_spread``
    are standard deviations between people as parts of the value.
    """

    name: str = Field(min_length=1)
    speed: float = Field(gt=0)
    torque_nm_per_kg: float = Field(gt=0)
    torque_spread: float = Field(gt=0, lt=1)
    stiffness_nm_per_rad_kg: float = Field(gt=0)
    stiffness_spread: float = Field(gt=0, lt=1)
    dorsiflexion_deg: float | None = Field(default=None, gt=0)
    source: str
    verified_by: str = ""

    @model_validator(mode="after")
    def _sourced(self) -> Self:
        if not self.source.strip():
            raise AtKeyError(f"'{self.name}' has no source: say where its numbers come from", "source")
        return self


class ActivityConfig(ConfigModel):
    """An activity level and the walking speed [m/s] used for it where none is given."""

    level: int = Field(ge=0, le=4)
    meaning: str = ""
    speed_m_s: float = Field(gt=0)
    source: str = Field(min_length=1)


class TargetConfig(ConfigModel):
    """A target file: the whole of it. ``own``: the lab's own, which takes precedence over a shipped one."""

    name: str = Field(min_length=1)
    basis: str = Field(min_length=1)
    own: bool = False
    speed_unit: Literal["m/s", "sqrt(g L)"] = "m/s"
    mass_kg: Pair[float]
    activity: Many[ActivityConfig] = ()
    target: Many[TargetRowConfig] = Field(min_length=1)

    @model_validator(mode="after")
    def _rising(self) -> Self:
        if not 0.0 < self.mass_kg[0] < self.mass_kg[1]:
            raise AtKeyError("mass_kg must be two rising masses", "mass_kg")
        speeds = [row.speed for row in self.target]
        if speeds != sorted(set(speeds)):
            raise AtKeyError("the speeds of the rows must rise", "target")
        levels = [one.level for one in self.activity]
        for i, level in enumerate(levels):
            if level in levels[:i]:
                raise AtKeyError(f"activity {level} has two walking speeds", "activity", i, "level")
        return self


@dataclass(frozen=True)
class Target:
    """What is aimed at for one wearer.

    Attributes
    ----------
    torque_nm : float
        Peak torque of stance.
    stiffness_nm_per_deg : float
        Slope of the dorsiflexion phase; a line is a summary of a curve that stiffens.
    stiffness_spread, torque_spread : float
        Between people, as standard deviations of logarithms.
    dorsiflexion_deg : float or None
    file, source : str
    verified : bool
    notes : tuple of str
    """

    torque_nm: float
    stiffness_nm_per_deg: float
    stiffness_spread: float
    torque_spread: float
    dorsiflexion_deg: float | None
    mass_kg: float
    speed_m_s: float
    file: str
    source: str
    verified: bool
    notes: tuple[str, ...]


def load_targets(paths: Sequence[Path]) -> list[tuple[TargetConfig, Path]]:
    """Read target files, the lab's own first.

    Raises
    ------
    ConfigError
        One is missing or wrong, or a row has no source.
    """
    found = [(load_model(TargetConfig, path)[0], path) for path in paths]
    return sorted(found, key=lambda one: not one[0].own)


def target_for(
    files: Sequence[tuple[TargetConfig, Path]], mass_kg: float, *, speed_m_s: float | None = None,
    activity: int | None = None, leg_length_m: float | None = None,
) -> Target:  # fmt: skip
    """The target of a wearer, from the first file whose table has the mass and speed; the lab's own come first.

    Raises
    ------
    ConfigError
        No file has them: what each one covers.
    """
    refused: list[ConfigError] = []
    for config, path in files:
        try:
            found = _target(config, path, mass_kg, speed_m_s, activity, leg_length_m)
        except ConfigError as error:
            refused.append(error)
            continue
        passed = [f"another target file does not cover this wearer: {why.what}" for why in refused]
        return replace(found, notes=(*passed, *found.notes))
    raise together(refused)


def _target(
    config: TargetConfig, path: Path, mass: float, speed: float | None, activity: int | None, leg: float | None
) -> Target:
    low, high = config.mass_kg
    if not low <= mass <= high:
        raise ConfigError(
            f"a mass of {mass:g} kg is outside the table of '{config.name}'", where=path,
            expected=f"{low:g} to {high:g} kg", do_next="write a target file of your own",
        )  # fmt: skip
    notes: list[str] = []
    if speed is None:
        speed = _speed_of(config, path, activity)
        notes.append(f"walking speed {speed:g} m/s is used for activity {activity}")
    unit = 1.0
    if config.speed_unit == "sqrt(g L)":
        if leg is None:
            raise ConfigError(
                f"'{config.name}' goes by speed over √(g · leg length)", where=path, do_next="give --leg-length",
            )  # fmt: skip
        if not LEGS_M[0] <= leg <= LEGS_M[1]:
            raise ConfigError(
                f"a leg length of {leg:g} m is none", expected=f"{LEGS_M[0]:g} to {LEGS_M[1]:g} m",
                do_next="give --leg-length in metres, from hip to floor",
            )  # fmt: skip
        unit = sqrt(GRAVITY * leg)
    speeds = [row.speed * unit for row in config.target]
    if not speeds[0] <= speed <= speeds[-1]:
        raise ConfigError(
            f"a walking speed of {speed:g} m/s is outside the table of '{config.name}'", where=path,
            expected=f"{speeds[0]:.2f} to {speeds[-1]:.2f} m/s", do_next="write a target file of your own",
        )  # fmt: skip
    at = min(int(np.searchsorted(speeds, speed)), len(speeds) - 1)
    rows = config.target[max(at - 1, 0) : at + 1]
    used = [row.speed * unit for row in rows]

    def value(name: str) -> float:
        return float(np.interp(speed, used, [getattr(row, name) for row in rows]))

    angles = [row.dorsiflexion_deg for row in rows]
    angle = float(np.interp(speed, used, angles)) if None not in angles else None  # type: ignore[arg-type]
    verified = all(row.verified_by.strip() for row in rows)
    return Target(
        mass * value("torque_nm_per_kg"), mass * value("stiffness_nm_per_rad_kg") * pi / 180.0,
        log(1.0 + value("stiffness_spread")), log(1.0 + value("torque_spread")), angle, mass, speed, config.name,
        "; ".join(dict.fromkeys(row.source for row in rows)), verified, tuple(notes),
    )  # fmt: skip


def _speed_of(config: TargetConfig, path: Path, activity: int | None) -> float:
    if activity is None:
        raise ConfigError("neither a walking speed nor an activity is given", do_next="give --speed or --activity")
    known = {one.level: one.speed_m_s for one in config.activity}
    if activity not in known:
        raise ConfigError(
            f"activity {activity} is not in the table of '{config.name}'", where=path,
            expected=f"one of {', '.join(map(str, known)) or 'none'}", do_next="give --speed, or another target file",
        )  # fmt: skip
    return known[activity]
