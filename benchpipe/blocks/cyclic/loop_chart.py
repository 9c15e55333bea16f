"""Chart of loops: those that are kept, and where samples are there those of the baseline, the last and the oddest."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from benchpipe.blocks.charts import Axis, Chart, ChartTask, FigureTable, Panel, Series
from benchpipe.blocks.cyclic.loops import loops_table
from benchpipe.columns import floats
from benchpipe.samples.inputs import sample_inputs

BASELINE = "first of the baseline"
MOST_LOOPS = 28
MOST_POINTS = 240  # of a loop that are drawn


def loop_chart(
    task: ChartTask,
    number: NDArray[np.int64],
    start_us: NDArray[np.int64],
    period_s: NDArray[np.float64],
    odd: Iterable[int],
) -> tuple[Chart, ...]:
    """The chart of a block's loops; none where no loop was kept.

    Parameters
    ----------
    number, start_us, period_s : arrays, shape (n,)
        Numbers, starts [us] and lengths [s] of the complete cycles.
    odd : iterable of int
        Cycles besides, such as the largest departure.
    """
    name = task.block.name
    kept = task.store.read_parts(task.manifest.block_parts(name, "loops"), "loops")
    known = np.unique(np.array(kept.column("cycle"))) if kept.num_rows else np.empty(0, np.int64)
    kept = pa.concat_tables([kept, _on_purpose(task, known, kept.schema)])
    known = np.unique(np.array(kept.column("cycle"))) if kept.num_rows else np.empty(0, np.int64)
    names = _named(task, int(number[-1]), odd)
    more = _from_samples(task, [n for n in names if n not in known], number, start_us, period_s)
    kept = pa.concat_tables([kept, more.cast(kept.schema)]) if more is not None and more.num_rows else kept
    if not kept.num_rows:
        return ()
    cycle = np.array(kept.column("cycle"))
    load, motion = floats(kept.column("load")), floats(kept.column("motion"))
    every = np.unique(cycle)
    if every.size > MOST_LOOPS:
        wanted = np.geomspace(every[0], every[-1], MOST_LOOPS - len(names))
        chosen = {int(every[np.abs(np.log(every / one)).argmin()]) for one in wanted}
        every = np.array(sorted(chosen | set(names) & set(every.tolist())))
    last = max(float(np.log(every[-1] / every[0])), 1e-9)
    series, rows, thinned = [], [], 1
    for one in every.tolist():
        at = np.flatnonzero(cycle == one)
        thinned = max(thinned, -(-at.size // MOST_POINTS))
        step = max(1, -(-at.size // MOST_POINTS))
        turn = np.append(at[::step], at[0])  # on to where it began
        x, y = motion[turn], load[turn]
        ends = (load[at].min(), load[at].max(), motion[at].min(), motion[at].max())
        what = names.get(one, "")
        series.append(Series(f"{one:,}", x, y, mark="loop", place=float(np.log(one / every[0])) / last, note=what))
        rows.append((one, what, *map(float, ends), int(at.size)))
    units = task.units
    head = (
        Axis("cycle"), Axis("what"), Axis("smallest load", units["load"]), Axis("largest load", units["load"]),
        Axis("smallest motion", units["motion"]), Axis("largest motion", units["motion"]), Axis("samples"),
    )  # fmt: skip
    first = next((row for row in rows if row[1] == BASELINE), rows[0])
    end = rows[-1]
    grown = (end[5] - end[4]) / (first[5] - first[4]) - 1.0 if first[5] > first[4] else 0.0
    answer = (
        f"From cycle {first[0]:,} to cycle {end[0]:,} the motion of a cycle "
        f"{'grew' if grown > 0 else 'shrank'} by {abs(100.0 * grown):.2g} %."
    )
    panel = Panel("", Axis("motion", units["motion"]), Axis("load", units["load"]), tuple(series))
    return (
        Chart(
            "loops", "loops", name, "load against motion", (answer,), (panel,), FigureTable(head, tuple(rows)),
            sum(row[6] for row in rows), "samples", "benchpipe export RUN loops",
            f"one sample in {thinned} drawn" if thinned > 1 else "",
        ),
    )  # fmt: skip


def _on_purpose(task: ChartTask, known: NDArray[np.int64], like: pa.Schema) -> pa.Table:
    """Loops that were kept for a reason, of cycles that are not known."""
    rows = task.store.read(task.manifest, "kept_loops")
    own = rows.filter(pc.equal(rows.column("block"), task.block.name))
    new = own.filter(pa.array(~np.isin(np.array(own.column("cycle"), np.int64), known)))
    return new.select(like.names).cast(like)


def _named(task: ChartTask, last: int, odd: Iterable[int]) -> dict[int, str]:
    """Cycles that are shown whether or not they were kept, and why."""
    names: dict[int, str] = {}
    for one in odd:
        names[max(one - 1, 1)] = "just before it"
        names[one] = "largest departure of the stiffness"
    if task.block.baseline and task.block.baseline[0] <= last:
        names[task.block.baseline[0]] = BASELINE
    names[last] = "last"
    return names


def _from_samples(
    task: ChartTask,
    wanted: list[int],
    number: NDArray[np.int64],
    start_us: NDArray[np.int64],
    period_s: NDArray[np.float64],
) -> pa.Table | None:
    """Loops of some cycles; None where the samples were dropped, or none is wanted."""
    at = np.flatnonzero(np.isin(number, wanted) & np.isfinite(period_s))
    if not at.size or task.manifest.closed:
        return None
    inputs = sample_inputs(task.manifest, task.block.files)
    return loops_table(task.store, inputs, task.rig, task.block, number[at], start_us[at], period_s[at])
