"""What a limit can be set on: one table row a measure.

``load_power`` and ``motion_power`` say how a measure follows its channels' scales:
a relative error of the load cell enters a stiffness once, an energy once, a ratio to
the baseline not at all.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["cyclic", "hold", "sweep", "run"]


@dataclass(frozen=True)
class Measure:
    """One measure.

    Attributes
    ----------
    columns : tuple of str
        Columns it is made of: the value, or the largest of several.
    unit : str
        As in :mod:`benchpipe.tables`.
    sampling : str
        What finite sampling takes off: ``"peak"``, ``"energy"`` or nothing.
    u_column : str, optional
        Column of the value's own standard uncertainty.
    absolute : bool
        Judged by its size: a lock that creeps the other way creeps all the same.
    """

    name: str
    kind: Kind
    table: str
    columns: tuple[str, ...]
    unit: str
    load_power: int
    motion_power: int
    meaning: str
    sampling: Literal["peak", "energy", ""] = ""
    u_column: str | None = None
    absolute: bool = False


def _cyclic(name: str, unit: str, load: int, motion: int, meaning: str, sampling: str = "") -> Measure:
    return Measure(name, "cyclic", "cycles", (name,), unit, load, motion, meaning, sampling)  # type: ignore[arg-type]


_ALL = (
    _cyclic("peak_load", "load", 1, 0, "largest load of a cycle", "peak"),
    _cyclic("valley_load", "load", 1, 0, "smallest load of a cycle", "peak"),
    _cyclic("load_range", "load", 1, 0, "peak less valley", "peak"),
    _cyclic("motion_range", "motion", 0, 1, "motion range of a cycle", "peak"),
    _cyclic("motion_max", "motion", 0, 1, "largest motion of a cycle", "peak"),
    _cyclic("motion_min", "motion", 0, 1, "smallest motion of a cycle", "peak"),
    _cyclic("motion_mean", "motion", 0, 1, "mean motion of a cycle (its drift is permanent set)"),
    _cyclic("energy_j", "J", 1, 1, "loop energy", "energy"),
    _cyclic("secant_stiffness", "load/motion", 1, -1, "secant stiffness"),
    _cyclic("loading_stiffness", "load/motion", 1, -1, "stiffness of the loading branch"),
    _cyclic("unloading_stiffness", "load/motion", 1, -1, "stiffness of the unloading branch"),
    _cyclic("loss_factor", "1", 0, 0, "loss factor"),
    Measure("closure_gap", "cyclic", "cycles", ("closure_gap",), "motion", 0, 1, "closure gap of the loop",
            absolute=True),
    _cyclic("period_s", "s", 0, 0, "length of a cycle"),
    _cyclic("temperature_c", "degC", 0, 0, "mean temperature of a cycle"),
    Measure("cycles_done", "cyclic", "cycles", ("complete",), "cycles", 0, 0, "complete cycles"),
    Measure("off_target", "cyclic", "cycles", ("flags",), "1", 0, 0, "complete cycles off target"),
    Measure("creep", "hold", "creep_points", ("creep",), "motion", 0, 1, "creep at a time after loading",
            u_column="creep_u", absolute=True),
    Measure("creep_end", "hold", "holds", ("creep_end",), "motion", 0, 1, "creep at the end of a hold",
            u_column="creep_end_u", absolute=True),
    Measure("rate_end_per_h", "hold", "holds", ("rate_end_per_h",), "motion/h", 0, 1, "creep rate at the end of a hold",
            u_column="rate_end_u_per_h", absolute=True),
    Measure("leak_per_h", "hold", "holds", ("leak_per_h",), "motion/h", 0, 1, "leak rate of a held lock",
            u_column="leak_u_per_h", absolute=True),
    Measure("elastic_motion", "hold", "holds", ("elastic_motion",), "motion", 0, 1, "motion on loading", absolute=True),
    Measure("hold_time", "hold", "holds", ("duration_s",), "s", 0, 0, "length of a hold"),
    Measure("range_of_motion", "sweep", "sweeps", ("motion_max", "motion_min"), "motion", 0, 1,
            "motion between the ends of a sweep"),
    Measure("usable_range", "sweep", "sweeps", ("usable_range",), "motion", 0, 1,
            "motion within the usable load"),
    Measure("free_resistance", "sweep", "sweeps", ("resistance_forward", "resistance_back"), "load", 1, 0,
            "largest resistance inside the free range, either way"),
    Measure("days_to_calibration", "run", "", (), "s", 0, 0, "time until the first calibration is due"),
)  # fmt: skip

MEASURES: dict[str, Measure] = {m.name: m for m in _ALL}
