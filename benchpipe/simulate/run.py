"""Simulate one scenario into a folder: logs, and the truth beside them."""

from __future__ import annotations

import os
import shutil
from collections import deque
from collections.abc import Callable, Generator, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.errors import ConfigError
from benchpipe.simulate.cycling import cyclic
from benchpipe.simulate.faults import Logs, make_faults
from benchpipe.simulate.loading import hold, idle, proof
from benchpipe.simulate.locking import locking
from benchpipe.simulate.pieces import CyclePiece, Piece
from benchpipe.simulate.rolling import roll
from benchpipe.simulate.scenario import ScenarioConfig
from benchpipe.simulate.sweeping import sweep
from benchpipe.simulate.truth import BlockTruth, ChangeTruth, CyclesFile, TruthResult
from benchpipe.simulate.walk import Walk
from benchpipe.simulate.waves import TRUTH
from benchpipe.simulate.writer import FilePart, Formatter, LogWriter

if TYPE_CHECKING:
    import pyarrow as pa

LOGS, TRUTH_FOLDER = "logs", "truth"
WORKERS = 2
Progress = Callable[[int, int], None]
# Kind of block → what walks through it, and the field of BlockTruth that takes what it finds.
WALKED: dict[str, tuple[Callable[[Walk, Any], Generator[Piece, None, Any]], str]] = {
    "cyclic": (cyclic, "segments"),
    "hold": (hold, "hold"),
    "sweep": (sweep, "sweep"),
    "proof": (proof, "proof"),
    "locking": (locking, "locks"),
    "roll": (roll, "roll"),
    "idle": (idle, ""),
}


def simulate(scenario: ScenarioConfig, folder: Path, *, progress: Progress | None = None) -> TruthResult:
    """Run a scenario: ``folder/logs`` gets the logs, ``folder/truth`` what is true of them.

    The folder appears whole or not at all: it is made beside its place as ``.NAME.PID.partial``,
    which only a killed process leaves behind. The same scenario gives the same bytes.

    Parameters
    ----------
    scenario : ScenarioConfig
    folder : Path
        A new one; folders above it are made too.
    progress : callable, optional
        Called with the rows written so far and the rows there will be.

    Returns
    -------
    TruthResult
        Also in ``truth/truth.json``; each completed cycle in ``truth/truth_cycles.parquet``.

    Raises
    ------
    ConfigError
        The folder is there already (nothing is overwritten) or cannot be made, or a fault
        names a file, row or channel that is not there.
    OSError
        The disk is full, or fails.
    """
    folder = Path(folder).absolute()
    making = folder.with_name(f".{folder.name}.{os.getpid()}.partial")
    try:
        there = folder.exists() or folder.is_symlink()
        above = [parent for parent in folder.parents if not parent.exists()]
    except OSError as error:
        raise _no_folder(folder, error) from None
    if there:
        raise ConfigError(
            "there is something at this path already, and logs are never overwritten",
            where=folder,
            do_next="name a new folder, or move the old one away",
        )
    try:
        _make(folder, making)
        result = _simulate(scenario, making, progress)
        making.replace(folder)
    except BaseException:
        shutil.rmtree(making, ignore_errors=True)
        for parent in above:
            with suppress(OSError):  # someone else's by now
                parent.rmdir()
        raise
    return _moved(result, folder)


def _make(folder: Path, making: Path) -> None:
    shutil.rmtree(making, ignore_errors=True)  # left by a killed process of the same number
    try:
        (making / LOGS).mkdir(parents=True)
        (making / TRUTH_FOLDER).mkdir()
    except OSError as error:
        raise _no_folder(folder, error) from None


def _no_folder(folder: Path, error: OSError) -> ConfigError:
    return ConfigError(
        "the folder cannot be made", where=folder, got=error.strerror, do_next="name a folder in one you may write to"
    )


def count_rows(scenario: ScenarioConfig) -> int:
    """Rows that a scenario will write before faults: plans it without making a sample."""
    return sum(piece.place.count for piece, _, _ in _Plan(scenario).pieces())


def _moved(result: TruthResult, folder: Path) -> TruthResult:
    return replace(
        result,
        folder=folder,
        logs=tuple(folder / LOGS / path.name for path in result.logs),
        truth_file=folder / TRUTH_FOLDER / result.truth_file.name,
        cycles_file=folder / TRUTH_FOLDER / result.cycles_file.name,
    )


def _simulate(scenario: ScenarioConfig, folder: Path, progress: Progress | None) -> TruthResult:
    log_folder, truth_folder = folder / LOGS, folder / TRUTH_FOLDER
    plan = _Plan(scenario)
    writer = LogWriter(scenario, log_folder)
    axes = scenario.specimen.axes.split("-")
    units = {"torque": "N*m", "angle": "deg", "force": "N", "length": "mm"}
    cycles = CyclesFile(
        truth_folder / "truth_cycles.parquet", {"load_unit": units[axes[0]], "motion_unit": units[axes[1]]}
    )
    rows, total = 0, count_rows(scenario) if progress is not None else 0
    with closing(cycles), closing(writer), closing(_made(plan, Formatter(scenario))) as made:
        for parts, table in made:
            writer.write(parts)
            if table is not None:
                cycles.write(table)
            rows += sum(part.rows for part in parts)
            if progress is not None:
                progress(rows, total)
    names = [file.name for file in writer.files]
    logs = Logs(log_folder, names, scenario.log, [c.name for c in scenario.rig.channels])
    faults = make_faults(logs, scenario.fault)
    result = TruthResult(
        scenario.name, scenario.seed, scenario.specimen.name, scenario.specimen.axes, folder,
        tuple(log_folder / name for name in logs.names), truth_folder / "truth.json", cycles.path, rows,
        sum(b.cycles_started for b in plan.blocks), sum(b.cycles_completed for b in plan.blocks),
        tuple(plan.blocks), tuple(writer.files), faults, changes_of(scenario),
    )  # fmt: skip
    result.write()
    return result


def changes_of(scenario: ScenarioConfig) -> tuple[ChangeTruth, ...]:
    """What changes in a run besides run-in and steady wear, in order of kinds."""
    age, room = scenario.specimen.ageing, scenario.rig.room
    found = [ChangeTruth("loosening", step.at_cycle, size=-step.loss) for step in age.steps]
    if age.wear_out_per_million:
        found.append(ChangeTruth("wear-out", age.wear_out_from, size=-age.wear_out_per_million))
    if room.warm_k:
        times = (room.warm_from_s, room.warm_from_s + room.warm_for_s)
        found.append(ChangeTruth("warm days", None, *times, room.warm_k))
    return tuple(found)


@dataclass
class _Plan:
    """All pieces of a run in order; fills in the blocks' truth while they are taken."""

    scenario: ScenarioConfig
    blocks: list[BlockTruth] = field(default_factory=list)

    def pieces(self) -> Iterator[tuple[Piece, str, int]]:
        """Pieces with the name of their block, and the cycles completed before the block."""
        walk = Walk(self.scenario)
        for block in self.scenario.block:
            start_s, row, before = walk.time_s, walk.row, walk.cycles
            walked, name = WALKED[block.kind]
            found = yield from _named(walked(walk, block), block.name, before)
            truth = BlockTruth(block.name, block.kind, start_s, walk.time_s, row, walk.row - row)
            self.blocks.append(replace(truth, **({name: found} if name else {})))


def _named(
    pieces: Generator[Piece, None, Any], block: str, before: int
) -> Generator[tuple[Piece, str, int], None, Any]:
    while True:
        try:
            yield next(pieces), block, before
        except StopIteration as end:
            return end.value


def _made(plan: _Plan, formatter: Formatter) -> Generator[tuple[list[FilePart], pa.Table | None]]:
    """Make pieces on a few threads and give them back in order."""
    scenario = plan.scenario

    def make(piece: Piece, block: str, before: int) -> tuple[list[FilePart], pa.Table | None]:
        left_out = scenario.log.rows == "cycles" and not isinstance(piece, CyclePiece)
        parts = [] if left_out else formatter.parts(piece.sample(*formatter.skews_s))
        return parts, _truth_table(scenario, piece, block, before) if isinstance(piece, CyclePiece) else None

    waiting: deque[Future[tuple[list[FilePart], pa.Table | None]]] = deque()
    with ThreadPoolExecutor(WORKERS) as workers:
        for piece in plan.pieces():
            waiting.append(workers.submit(make, *piece))
            if len(waiting) > WORKERS:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def _truth_table(scenario: ScenarioConfig, piece: CyclePiece, block: str, before: int) -> pa.Table | None:
    """One row for each completed cycle of a piece."""
    import pyarrow as pa

    measures = piece.measures()
    m = len(measures)
    if m == 0:
        return None
    of: dict[str, NDArray[Any]] = {name: measures[:, k] for k, name in enumerate(TRUTH)}
    load_range, motion_range = of["peak_load"] - of["valley_load"], of["motion_max"] - of["motion_min"]
    number: NDArray[np.int64] = piece.place.cycles + np.arange(1, m + 1)
    temperature = 0.5 * (piece.temperatures_c[:m] + piece.temperatures_c[1 : m + 1])
    energy = of.pop("energy")
    with np.errstate(divide="ignore", invalid="ignore"):  # no motion, no loss factor: NaN
        loss_factor = energy / (2.0 * np.pi * 0.5 * (load_range / 2.0) * (motion_range / 2.0))
    columns: dict[str, Any] = {
        "cycle": number - before,
        "cycle_of_run": number,
        "start_s": piece.start_times_s(),
        "ramping": piece.ramping[:m],
        **of,
        "load_range": load_range,
        "motion_range": motion_range,
        "energy_j": energy * scenario.specimen.joule,
        "loss_factor": loss_factor,
        "temperature_c": temperature,
    }
    arrays = {name: pa.array(np.ascontiguousarray(values)) for name, values in columns.items()}
    return pa.table({"block": pa.array([block] * m), **arrays})
