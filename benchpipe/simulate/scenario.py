"""A scenario: one specimen, one rig, the blocks in order, the log's dialect, the faults."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Self

from pydantic import Field, model_validator

from benchpipe.config.model import ConfigModel, Many, load_model
from benchpipe.simulate.blocks import Block, CyclicConfig
from benchpipe.simulate.faults import Fault
from benchpipe.simulate.log import WrittenLogConfig
from benchpipe.simulate.rig import SimulatedRigConfig, StopConfig
from benchpipe.simulate.specimen import SpecimenConfig


class ScenarioConfig(ConfigModel):
    """Everything a simulated run is made from. The same scenario gives the same bytes."""

    name: str = Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$")
    seed: int = Field(ge=0)
    note: str = ""
    specimen: SpecimenConfig
    rig: SimulatedRigConfig
    log: WrittenLogConfig = WrittenLogConfig()
    block: Many[Block] = Field(min_length=1)
    fault: Many[Fault] = ()

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        names = [b.name for b in self.block]
        if len(set(names)) != len(names):
            raise ValueError(f"block names must differ: {', '.join(names)}")
        cyclic = {b.name: b for b in self.block if isinstance(b, CyclicConfig)}
        for stop in self.rig.stops:
            if stop.block not in cyclic:
                known = ", ".join(cyclic) or "none"
                raise ValueError(f"a stop names the block '{stop.block}', which is no cyclic block; known: {known}")
            if stop.after_cycles >= cyclic[stop.block].cycles:
                raise ValueError(f"a stop after {stop.after_cycles} cycles: '{stop.block}' ends before")
        for name in cyclic:
            after = [stop.after_cycles for stop in self.stops(name)]
            if any(not int(a) < b for a, b in pairwise(after)):
                raise ValueError(f"stops of '{name}' must come in order")
        broken = [stop.after_cycles for stop in self.rig.stops if stop.after_cycles % 1.0]
        if broken and self.log.rows == "cycles":
            raise ValueError(f"a log with a row a cycle has none for a broken one: stop after {broken[0]} cycles")
        if self.fault and self.log.format != "text":
            raise ValueError("faults are made in text logs only")
        if self.log.format == "text":
            self._can_be_written()
        return self

    def _can_be_written(self) -> None:
        log = self.log
        cells = [text for channel in self.rig.channels for text in (channel.name, channel.unit)]
        for text in cells:
            mark = '"' if log.quoted else log.separator_text
            if mark in text:
                raise ValueError(f"the channel name or unit '{text}' holds '{mark}', which ends a cell of the log")
        for text in (*cells, self.name, self.rig.name, self.specimen.name):
            log.check_text(text)
        for fault in self.fault:
            log.check_text(getattr(fault, "text", ""))

    def stops(self, block: str) -> list[StopConfig]:
        """Stops of one block, in the order given."""
        return [stop for stop in self.rig.stops if stop.block == block]

    def changed(self, *, seed: int | None = None, cycles: int | None = None) -> ScenarioConfig:
        """Return the scenario with another seed, or another number of cycles in each cyclic block.

        Stops that would come after the last cycle are left out.
        """
        blocks = self.block
        stops = self.rig.stops
        if cycles is not None:
            blocks = tuple(b.model_copy(update={"cycles": cycles}) if b.kind == "cyclic" else b for b in blocks)
            stops = tuple(stop for stop in stops if stop.after_cycles < cycles)
        rig = self.rig.model_copy(update={"stops": stops})
        return self.model_copy(update={"seed": self.seed if seed is None else seed, "block": blocks, "rig": rig})


def load_scenario(path: Path) -> ScenarioConfig:
    """Read a scenario file (TOML).

    Raises
    ------
    ConfigError
        Every wrong key at once: file, line, key path, the value and the nearest known key.
    """
    return load_model(ScenarioConfig, path)[0]
