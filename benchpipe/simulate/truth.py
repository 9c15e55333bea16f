"""True values of a simulated run: counts, measures and fits that an analysis should find again."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pyarrow as pa

TRUTH_VERSION = 1
GROUP_CYCLES = 1 << 16


@dataclass(frozen=True)
class SegmentTruth:
    """Cycling between two stops. A cycle broken by a stop is started and not completed."""

    start_s: float  # first cycle begins
    end_s: float
    first_cycle: int  # number in the block of its first cycle, from 1
    cycles_started: int
    cycles_completed: int
    ramping_cycles: int  # of the completed ones, those of the ramps
    counter_start: int  # what the rig's counter shows
    counter_end: int
    softness_start: float  # part of the virgin elastomer stiffness that is there


@dataclass(frozen=True)
class HoldPoint:
    """Motion at a time after the load was reached, and its parts since then."""

    time_s: float
    motion: float
    creep: float  # log-time part
    leak: float
    thermal: float


@dataclass(frozen=True)
class HoldTruth:
    """A hold: ``creep_per_decade * log10(1 + t / creep_time_s)`` and a leak on top of the elastic part."""

    load: float
    load_reached_s: float  # run time
    unload_s: float
    elastic_motion: float
    creep_per_decade: float
    creep_time_s: float
    leak_per_h_start: float
    leak_per_h_end: float
    temperature_start_c: float
    temperature_end_c: float
    unrecovered: float  # motion that stays when the block ends
    points: tuple[HoldPoint, ...]


@dataclass(frozen=True)
class ResistanceTruth:
    """``coulomb + laminar w + orifice w^2`` at the temperature of the first sweep, one direction."""

    coulomb: float
    laminar: float
    orifice: float
    at_speeds: tuple[float, ...]  # load at each speed, clear of breakaway and stops


@dataclass(frozen=True)
class SweepTruth:
    """Sweeps of the free joint."""

    speeds: tuple[float, ...]
    sweeps_per_speed: int
    lower_stop: float
    upper_stop: float
    stop_stiffness: float
    turn_low: float
    turn_high: float
    breakaway: float
    temperature_c: float
    rising: ResistanceTruth
    falling: ResistanceTruth


@dataclass(frozen=True)
class ProofTruth:
    """A proof load. The set is motion at the settling load, after less before, without temperature."""

    load: float
    settling_load: float
    rate_per_s: float
    load_reached_s: float
    unload_s: float
    motion_before: float
    motion_at_load: float
    motion_after: float
    permanent_set: float
    yield_set: float  # its part from yielding
    failure_load: float | None = None  # where the specimen broke: the load was not reached, or not held again


@dataclass(frozen=True)
class LockTruth:
    """One lock: what the mode channel says, and what the joint does."""

    locked_s: float  # run time of the mode's change
    unlocked_s: float
    asked: float  # motion at the change
    time_to_hold_s: float
    slip: float
    failed: bool  # it moved on until it was unlocked


@dataclass(frozen=True)
class RollTruth:
    """Passes of a rigid rocker: its curvature, and that of each pass."""

    passes: int
    curvature_per_m: float
    curvatures_per_m: tuple[float, ...]
    mean_curvature_per_m: float  # of the passes that there are
    radius_m: float  # one by that mean; the rolling slope too


@dataclass(frozen=True)
class BlockTruth:
    """One block: where it is, and what is true of it."""

    name: str
    kind: str
    start_s: float
    end_s: float
    first_row: int  # in the run before faults, from 0
    rows: int
    segments: tuple[SegmentTruth, ...] = ()
    hold: HoldTruth | None = None
    sweep: SweepTruth | None = None
    proof: ProofTruth | None = None
    locks: tuple[LockTruth, ...] = ()
    roll: RollTruth | None = None

    @property
    def cycles_completed(self) -> int:
        """Completed cycles of all segments."""
        return sum(s.cycles_completed for s in self.segments)

    @property
    def cycles_started(self) -> int:
        """Started cycles of all segments."""
        return sum(s.cycles_started for s in self.segments)


@dataclass(frozen=True)
class FileTruth:
    """One log file as it was before faults."""

    name: str
    first_row: int
    rows: int
    start_s: float  # run time of its first and last row
    end_s: float


@dataclass(frozen=True)
class FaultTruth:
    """One fault: where it is and what it did. ``row`` counts data rows of the file from 0."""

    kind: str
    file: str
    row: int
    line: int  # of the written file, from 1
    rows: int  # rows touched, lost or added
    rows_added: int  # negative where rows are lost
    detail: str


@dataclass(frozen=True)
class ChangeTruth:
    """A change: loosening (``size``: of the stiffness), wear-out (part of it per million cycles), warm days [K].

    ``cycle``: completed cycles of the run before it; ``start_s``, ``end_s`` in run time, of warm days.
    """

    kind: str
    cycle: int | None
    start_s: float | None = None
    end_s: float | None = None
    size: float = 0.0


@dataclass(frozen=True)
class TruthResult:
    """A simulated run: where it was written and everything that is true of it."""

    scenario: str
    seed: int
    specimen: str
    axes: str
    folder: Path
    logs: tuple[Path, ...]
    truth_file: Path
    cycles_file: Path
    rows: int  # before faults
    cycles_started: int
    cycles_completed: int
    blocks: tuple[BlockTruth, ...]
    files: tuple[FileTruth, ...]
    faults: tuple[FaultTruth, ...]
    changes: tuple[ChangeTruth, ...] = ()

    def document(self) -> dict[str, Any]:
        """Return what ``truth.json`` holds."""
        values = asdict(self)
        for place in ("folder", "logs", "truth_file", "cycles_file"):
            del values[place]
        for block, truth in zip(values["blocks"], self.blocks, strict=True):
            block["cycles_completed"] = truth.cycles_completed
            block["cycles_started"] = truth.cycles_started
            if block["roll"] is None:
                del block["roll"]
        return {"version": TRUTH_VERSION, **values}

    def write(self) -> None:
        """Write ``truth.json``."""
        text = json.dumps(self.document(), indent=1, ensure_ascii=False) + "\n"
        self.truth_file.write_bytes(text.encode())


class CyclesFile:
    """The per-cycle truth, written as it comes, in row groups of many cycles."""

    def __init__(self, path: Path, units: dict[str, str]) -> None:
        self.path = path
        self._units = units
        self._writer: Any = None
        self._waiting: list[pa.Table] = []

    def write(self, table: pa.Table) -> None:
        """Append a table; all have one schema."""
        self._waiting.append(table)
        if sum(waiting.num_rows for waiting in self._waiting) >= GROUP_CYCLES:
            self._flush()

    def _flush(self) -> None:
        import pyarrow as pa
        import pyarrow.parquet as pq

        table = pa.concat_tables(self._waiting).combine_chunks()
        self._waiting = []
        if self._writer is None:
            schema = table.schema.with_metadata(self._units)
            self._writer = pq.ParquetWriter(
                self.path, schema, compression="zstd", use_dictionary=["block"], write_page_checksum=True
            )
        self._writer.write_table(table)

    def close(self) -> None:
        """End the file; without cycles it is not there."""
        if self._waiting:
            self._flush()
        if self._writer is not None:
            self._writer.close()
