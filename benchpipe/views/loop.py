"""The loop of one cycle: from samples while they are there, else as it was kept."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from benchpipe.blocks.cyclic.final_cycles import cycle_places, last_cycles
from benchpipe.blocks.cyclic.loops import loops_table
from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.columns import Column, column, floats, schema_of
from benchpipe.errors import ConfigError, nearest
from benchpipe.run import RunConfig
from benchpipe.samples.inputs import sample_inputs
from benchpipe.samples.signals import signal_units
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore

KEPT = ("loops", "kept_loops")
MOST_NAMED = 12
POINTS: tuple[Column, ...] = (
    column("time_us", "int64", "us", "time of the sample; of the last row that at which the next cycle begins"),
    column("load", "float64", "load", "load"),
    column("motion", "float64", "motion", "motion"),
)


@dataclass(frozen=True, eq=False)
class Loop:
    """A closed loop: ``points`` (time_us, load, motion) end where the next cycle begins, or where this one began.

    ``from_samples``: it was cut from them now. ``why``: why it was kept, where it was kept on purpose.
    """

    run: str
    block: str
    cycle: int
    points: pa.Table
    units: dict[str, str]
    from_samples: bool
    why: str

    @property
    def load(self) -> NDArray[np.float64]:
        """Loads of its points."""
        return floats(self.points.column("load"))

    @property
    def motion(self) -> NDArray[np.float64]:
        """Motions of its points."""
        return floats(self.points.column("motion"))

    @property
    def area(self) -> float:
        """Area inside the loop, in units of load times motion (shoelace formula)."""
        x, y = self.motion, self.load
        return float(0.5 * np.sum((x[1:] + x[:-1]) * np.diff(y)))


def loop_of(run: RunConfig, store: RunStore, manifest: Manifest, block: str, cycle: int) -> Loop:
    """The loop of a cycle.

    Raises
    ------
    ConfigError
        No such cyclic block or complete cycle, a log of peaks alone, or a loop that was not kept before the samples
        were dropped.
    """
    chosen = _cyclic(run, block)
    number, start, period = cycle_places(store, manifest, block, [cycle])
    if not number.size:
        last = last_cycles(block, manifest, store).done
        has = f"its complete cycles are 1 to {last:,}" if last else "it has no complete cycle yet"
        raise ConfigError(f"block '{block}' of run '{run.name}' has no complete cycle {cycle:,}", expected=has)
    kept = {name: _kept(store, manifest, name, block) for name in KEPT}
    why = _why(kept["kept_loops"], cycle)
    if manifest.closed:
        rows = next((own for t in kept.values() if (own := _of_cycle(t, cycle)).num_rows), None)
        if rows is None:
            raise _not_kept(cycle, kept)
    else:
        rows = loops_table(store, sample_inputs(manifest, chosen.files), run.rig, chosen, number, start, period)
    units = signal_units(run.rig)
    points = rows.select([c.name for c in POINTS]).cast(schema_of(POINTS, units))
    if not points.num_rows:
        raise ConfigError(f"cycle {cycle:,} of block '{block}' has no samples with load and motion")
    end = int(start[0] + round(1e6 * period[0]))
    return Loop(run.name, block, cycle, _closed(points, end), units, not manifest.closed, why)


def _cyclic(run: RunConfig, block: str) -> CyclicBlock:
    known = {b.name: b for b in run.plan.blocks_of(CyclicBlock)}
    if block not in known:
        expected = nearest(block, list(known)) if known else "a cyclic block; the plan has none"
        raise ConfigError(f"'{block}' is no cyclic block of the plan", where=run.plan_path, expected=expected)
    if known[block].boundary == "row":
        raise ConfigError(
            f"the log of block '{block}' holds a row for each cycle: there are no loops in it", where=run.plan_path,
            do_next="its peaks and valleys: benchpipe export RUN cycles",
        )  # fmt: skip
    return known[block]


def _kept(store: RunStore, manifest: Manifest, table: str, block: str) -> pa.Table:
    rows = store.read(manifest, table)
    return rows.filter(pc.equal(rows.column("block"), block))


def _of_cycle(rows: pa.Table, cycle: int) -> pa.Table:
    return rows.filter(pc.equal(rows.column("cycle"), cycle))


def _why(rows: pa.Table, cycle: int) -> str:
    own = _of_cycle(rows, cycle)
    return str(own.column("why")[0]) if own.num_rows else ""


def _not_kept(cycle: int, kept: dict[str, pa.Table]) -> ConfigError:
    numbers = np.unique(np.concatenate([np.array(t.column("cycle"), np.int64) for t in kept.values()]))
    near = np.sort(numbers[np.argsort(np.abs(numbers - cycle), kind="stable")[:MOST_NAMED]]).tolist()
    some = f"one of {numbers.size} that were, such as {', '.join(map(str, near))}"
    return ConfigError(
        f"the samples were dropped, and the loop of cycle {cycle:,} was not kept",
        expected=some if near else "a loop that was kept; there is none",
    )


def _closed(points: pa.Table, end_us: int) -> pa.Table:
    """With the sample at which the next cycle begins; else with its first one again."""
    last = int(points.column("time_us")[-1].as_py())
    if last >= end_us:
        return points
    first = points.slice(0, 1).set_column(0, points.schema.field(0), pa.array([end_us], pa.int64()))
    return pa.concat_tables([points, first.cast(points.schema)])
