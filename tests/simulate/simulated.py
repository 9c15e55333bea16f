"""Small scenarios that the tests of this room share, and readers of what they write."""

from __future__ import annotations

import gzip
import hashlib
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.simulate.blocks import CyclicConfig
from benchpipe.simulate.log import WrittenLogConfig
from benchpipe.simulate.rig import SimulatedChannelConfig, SimulatedRigConfig
from benchpipe.simulate.scenario import ScenarioConfig
from benchpipe.simulate.specimen import SpecimenConfig, SpringConfig


def channels(noise: float = 0.0, **more: Any) -> tuple[SimulatedChannelConfig, ...]:
    """Time, load, motion, temperature, counter, mode; six decimals where there is no noise."""
    places = 3 if noise else 6
    return (
        SimulatedChannelConfig(source="time", name="Time", unit="s", decimals=3),
        SimulatedChannelConfig(source="load", name="Torque", unit="N·m", decimals=places, noise=noise, **more),
        SimulatedChannelConfig(source="motion", name="Angle", unit="deg", decimals=places, noise=noise / 10),
        SimulatedChannelConfig(source="temperature", name="Oil", unit="°C", decimals=places),
        SimulatedChannelConfig(source="counter", name="Count", decimals=0),
        SimulatedChannelConfig(source="mode", name="Locked", decimals=0),
    )


def scenario(
    *blocks: Any, noise: float = 0.0, rig: Any = None, specimen: Any = None, log: Any = None, **more: Any
) -> ScenarioConfig:
    """Scenario of the given blocks on a plain specimen and rig."""
    values: dict[str, Any] = {
        "name": "small",
        "seed": 11,
        "specimen": SpecimenConfig(name="S1", spring=SpringConfig(stiffness=10.0), **(specimen or {})),
        "rig": SimulatedRigConfig(
            **{"name": "R1", "sample_rate_hz": 100.0, "channels": channels(noise), **(rig or {})}
        ),
        "log": WrittenLogConfig(**(log or {})),
        "block": blocks or (cycles(20),),
    }
    return ScenarioConfig(**{**values, **more})


def cycles(count: int, **more: Any) -> CyclicConfig:
    """Plain cyclic block from 5 to 80 at 1 Hz."""
    return CyclicConfig(**{"name": "main", "cycles": count, "frequency_hz": 1.0, "valley": 5.0, "peak": 80.0, **more})


def data_lines(folder: Path, head: int = 1) -> list[bytes]:
    """All data lines of all logs, in order of name."""
    lines: list[bytes] = []
    for path in sorted((folder / "logs").iterdir()):
        data = path.read_bytes()
        data = gzip.decompress(data) if path.suffix == ".gz" else data
        lines += data.splitlines(keepends=True)[head:]
    return lines


def table(folder: Path) -> NDArray[np.float64]:
    """All data rows of plain logs, shape (channels, n)."""
    return np.loadtxt([line.decode() for line in data_lines(folder)], delimiter=",", unpack=True)


def hashes(folder: Path) -> dict[str, str]:
    """SHA-256 of each file below a folder."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }
