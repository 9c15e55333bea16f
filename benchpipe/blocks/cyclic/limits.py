"""What of cycles is judged: one row a measure.

``load_power`` and ``motion_power`` say how a measure follows its channels' scales:
a relative error of the load cell enters a stiffness once, an energy once, a ratio to
the baseline not at all.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from benchpipe.blocks.cyclic.run_cycles import end_of
from benchpipe.blocks.cyclic.values import cycle_values
from benchpipe.blocks.measures import COUNTED, OF_VALUES, Measure
from benchpipe.blocks.values import Asked, Values, nothing, values_of

TARGETS = ("load_min", "load_max", "motion_min", "motion_max", "tolerance")


def _off_target(asked: Asked) -> Values:
    if asked.block.targets is None:
        return nothing("the plan has no targets for this block", due=True)
    return cycle_values(asked)


def _cycles_done(asked: Asked) -> Values:
    """Cycles by the count that decides; not due while more are to come."""
    limit, block, tables = asked.limit, asked.block, asked.tables
    wanted = limit.ends[0].value
    end = end_of(block, tables, round(wanted))
    done = np.array([float(end.cycles)])
    due = limit.operator == "<=" or end.over
    why = "" if end.done else end.undecided or f"{end.cycles:,} of {wanted:,.0f} cycles so far"
    stated = "; ".join(filter(None, (why, end.difference if due else "")))
    return values_of(done, done, np.zeros(1), end.cycles, due=due, why=stated, doubt=end.undecided)


def _cyclic(
    name: str, unit: str, load: int, motion: int, meaning: str, sampling: Literal["peak", "energy", "secant", ""] = "",
    *, extreme: Literal["largest", "smallest", ""] = "", range: bool = False, ratio: bool = True, tangent: bool = False,
    of: Literal["", "temperature", "phase"] = "", phase: Literal["", "energy", "loss factor"] = "",
) -> Measure:  # fmt: skip
    """A column of the cycles; ``ratio``: its zero is none of a scale, so that a relative change has a meaning."""
    return Measure(
        name, "cyclic", "cycles", (name,), unit, load, motion, meaning, sampling, extreme=extreme, range=range,
        one_sample=True, statistics=OF_VALUES | ({"change"} if ratio else set()), in_window=True, of=of, phase=phase,
        tangent=tangent, machine=True, hangs_on=(), values=cycle_values,
    )  # fmt: skip


MEASURES: tuple[Measure, ...] = (
    _cyclic("peak_load", "load", 1, 0, "largest load of a cycle", "peak", extreme="largest"),
    _cyclic("valley_load", "load", 1, 0, "smallest load of a cycle", "peak", extreme="smallest"),
    _cyclic("load_range", "load", 1, 0, "peak less valley", "peak", range=True),
    _cyclic("motion_range", "motion", 0, 1, "motion range of a cycle", "peak", range=True),
    _cyclic("motion_max", "motion", 0, 1, "largest motion of a cycle", "peak", extreme="largest"),
    _cyclic("motion_min", "motion", 0, 1, "smallest motion of a cycle", "peak", extreme="smallest"),
    _cyclic("motion_mean", "motion", 0, 1, "mean motion of a cycle (its drift is permanent set)", ratio=False),
    _cyclic("energy_j", "J", 1, 1, "loop energy", "energy", phase="energy"),
    _cyclic("secant_stiffness", "load/motion", 1, -1, "secant stiffness", "secant"),
    _cyclic("loading_stiffness", "load/motion", 1, -1, "stiffness of the loading branch", tangent=True),
    _cyclic("unloading_stiffness", "load/motion", 1, -1, "stiffness of the unloading branch", tangent=True),
    _cyclic("loss_factor", "1", 0, 0, "loss factor", phase="loss factor", of="phase"),
    Measure("closure_error", "cyclic", "cycles", ("closure_error",), "motion", 0, 1, "closure error of the loop",
            absolute=True, statistics=OF_VALUES | {"change"}, in_window=True,
            machine=True, hangs_on=(), values=cycle_values),
    _cyclic("period_s", "s", 0, 0, "length of a cycle"),
    _cyclic("temperature_c", "degC", 0, 0, "mean temperature of a cycle", ratio=False, of="temperature"),
    Measure("cycles_done", "cyclic", "cycles", ("complete",), "cycles", 0, 0, "complete cycles",
            statistics=COUNTED, to_reach=True,
            machine=True, hangs_on=(), values=_cycles_done),
    Measure("off_target", "cyclic", "cycles", ("flags",), "1", 0, 0, "complete cycles off target",
            statistics=frozenset({"share"}), in_window=True,
            machine=True, hangs_on=TARGETS, values=_off_target),
)  # fmt: skip
