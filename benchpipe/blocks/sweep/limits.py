"""What of sweeps is judged: one row a measure."""

from __future__ import annotations

from functools import partial

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from benchpipe.blocks.left_out import INCOMPLETE, NAMES, NONE, item_reasons
from benchpipe.blocks.measures import Measure
from benchpipe.blocks.values import Asked, Values, column_of, items, of_rows, own_u, values_of, why_missing
from benchpipe.columns import floats

_of_sweeps = partial(of_rows, "sweeps", left="incomplete_sweeps")
RESISTANCE = ("resistance_between", "stops_beyond")
STOPS = ("stops_beyond",)
FEW_LOST = 0.05  # of the rows of a sweep that a stop or the end of the log broke off: it has no figure anyway


def _travel(asked: Asked, rows: pa.Table) -> Values:
    most, least = (floats(rows.column(name)) for name in asked.measure.columns)
    return _with_incomplete(asked, items(rows, "sweep", most - least, None, asked.rate))


def _larger(asked: Asked, rows: pa.Table) -> Values:
    """The larger of two columns; what is left of incomplete sweeps counts."""
    larger = np.maximum(*(floats(rows.column(name)) for name in asked.measure.columns))
    u = np.maximum(*(floats(rows.column(f"{name}_u")) for name in asked.measure.columns))
    whole = items(rows, "sweep", larger, u, asked.rate, why=why_missing(rows, larger))
    return _with_incomplete(asked, whole, asked.measure.columns)


def _single(asked: Asked, rows: pa.Table) -> Values:
    return _with_incomplete(asked, column_of("sweep")(asked, rows))


def _with_incomplete(asked: Asked, whole: Values, columns: tuple[str, ...] = ()) -> Values:
    """The sweeps, and what began and did not come back: its figure (the larger of some columns, or none) is a bound.

    What a gap broke off may hide something. What a stop or the end of the log broke off does not: it is only here
    where it shows more than all others do.
    """
    rows = asked.tables.block("incomplete_sweeps", asked.block.name)
    own = set(whole.number[~np.isfinite(whole.value)].tolist())  # a sweep with a gap is among the sweeps too
    kept = [bool(columns) or one["after_sweep"] not in own or not one["broken_off"] for one in rows.to_pylist()]
    rows = rows.filter(pa.array(kept, pa.bool_()))
    count = rows.num_rows
    if not count:
        return whole
    value, u = np.full(count, np.nan), np.full(count, np.nan)
    for name in columns:
        value, u = np.fmax(value, floats(rows.column(name))), np.fmax(u, floats(rows.column(f"{name}_u")))
    reason, share = item_reasons(rows, asked.rate)
    reason[(reason == NONE) | ((share <= FEW_LOST) & (not columns))] = INCOMPLETE
    reason[np.array(rows.column("broken_off"), bool)] = NAMES.index("gap")
    shown = (reason != INCOMPLETE) | (value > np.max(whole.value, initial=-np.inf, where=np.isfinite(whole.value)))
    number, no = floats(rows.column("after_sweep")), np.zeros(count, bool)
    broken = values_of(
        number, value, u, int(shown.sum()), names=tuple(f"after sweep {n:.0f}" for n in number), reason=reason,
        complete=no, whole=no, lost_share=share,
    )  # fmt: skip
    return whole.followed_by(broken.select(shown))


def _fitted(asked: Asked, sweeps: pa.Table) -> Values:
    """A part of the resistance from the fit over all sweeps: one value a direction."""
    measure, rows = asked.measure, asked.tables.block("resistance", asked.block.name)
    together = rows.filter(pc.is_null(rows.column("sweep")))
    value = floats(together.column(measure.columns[0]))
    number = np.full(len(value), float(pc.max(sweeps.column("sweep")).as_py() or 0))
    names = tuple(str(way) for way in together.column("direction").to_pylist())
    starts = sweeps.column("start_us").to_pylist()
    codes, share = item_reasons(sweeps, asked.rate)
    worst = int(share.argmax())  # the fit is over all sweeps: as spoiled as the worst of them
    return values_of(
        number, value, own_u(measure, together), len(value), names=names, why=why_missing(together, value),
        reason=np.full(len(value), codes[worst]), lost_share=np.full(len(value), share[worst]),
        between_us=(starts[0], starts[-1]),
    )  # fmt: skip


def _sweep(name: str, unit: str, meaning: str, hangs_on: tuple[str, ...] = ()) -> Measure:
    values = _of_sweeps(_single)
    return Measure(
        name, "sweep", "sweeps", (name,), unit, 0, 1, meaning, u_column=f"{name}_u", hangs_on=hangs_on, values=values
    )


def _part(name: str, meaning: str) -> Measure:
    """A part of the resistance from the fit over all sweeps: one value a direction."""
    return Measure(
        name, "sweep", "resistance", (name,), "load", 1, 0, meaning, u_column=f"{name}_u", every_event=False,
        hangs_on=RESISTANCE, values=of_rows("sweeps", _fitted),
    )  # fmt: skip


MEASURES: tuple[Measure, ...] = (
    _sweep("range_of_motion", "motion", "motion between the points where the end stops engage", hangs_on=STOPS),
    _sweep("lower_stop", "motion", "motion at which the lower end stop engages", hangs_on=STOPS),
    _sweep("upper_stop", "motion", "motion at which the upper end stop engages", hangs_on=STOPS),
    Measure("travel", "sweep", "sweeps", ("motion_max", "motion_min"), "motion", 0, 1,
            "motion between the ends of a sweep", one_sample=True, hangs_on=(), values=_of_sweeps(_travel)),
    _sweep("usable_range", "motion", "motion within the usable load", hangs_on=("usable_load",)),
    Measure("free_backlash", "sweep", "sweeps", ("backlash",), "motion", 0, 1, "backlash of the free joint",
            u_column="backlash_u", hangs_on=(), values=_of_sweeps(_single)),
    Measure("free_resistance", "sweep", "sweeps", ("resistance_forward", "resistance_back"), "load", 1, 0,
            "largest resistance inside the free range, either way", u_column="resistance_back_u", one_sample=True,
            values=_of_sweeps(_larger), hangs_on=RESISTANCE),
    Measure("asymmetry", "sweep", "sweeps", ("asymmetry",), "load", 1, 0, "resistance forward less that back",
            u_column="asymmetry_u", absolute=True, zero_times=2.0, values=_of_sweeps(_single),
            hangs_on=RESISTANCE),
    _part("breakaway", "load that starts the free joint from standstill, each way"),
    _part("coulomb", "part of the free resistance that does not follow the speed, each way"),
    _part("laminar", "part in proportion to the speed, at the reference speed, each way"),
    _part("orifice", "part in proportion to its square, at the reference speed, each way"),
)  # fmt: skip
