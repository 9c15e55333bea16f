"""Averages along the sweeps → resistance in its parts, of one sweep or of all sweeps of a block."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, nan, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from benchpipe.blocks.sweep.plan import SweepBlock
from benchpipe.columns import floats
from benchpipe.kernels.robust import mad_sigma, median
from benchpipe.kernels.sweeps import MEDIAN_FACTOR, SIGN, Direction, Estimate

if TYPE_CHECKING:
    from benchpipe.kernels.sweep_fit import DirectionResult, ResistanceResult

PARTS = ("coulomb", "laminar", "orifice")
NOT_TOLD = 0.25
"""A part whose standard error is more than this of the resistance at the fastest speed is not given."""
NO_START = "breakaway: no start from standstill that is clear of the end stops and has samples enough"
ONE_SPEED = 1.5
"""Speeds whose fastest is less than this times the slowest are one speed."""
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Points:
    """Averages along the range of one or more sweeps, arrays of shape (n,); speed and load with their signs."""

    speed: Floats
    load: Floats
    temperature: Floats
    count: Floats

    @staticmethod
    def of(rows: pa.Table) -> Points:
        """From rows of the resistance_points table."""
        return Points(*(floats(rows.column(name)) for name in ("speed", "load", "temperature_c", "samples")))


def block_rows(block: SweepBlock, unit: str, points: pa.Table, sweeps: pa.Table) -> list[dict[str, Any]]:
    """Rows of the resistance table of all sweeps of a block together.

    Parameters
    ----------
    block : SweepBlock
    unit : str
        Unit of the motion, for sentences.
    points : pa.Table
        Rows of the resistance_points table.
    sweeps : pa.Table
        Rows of the resistance table of the single sweeps.
    """
    breaking: dict[Direction, Estimate] = {}
    for way in SIGN:
        of_way = sweeps.filter(pc.equal(sweeps.column("direction"), way))
        breaking[way] = _together(floats(of_way.column("breakaway")), floats(of_way.column("breakaway_u")))
    return resistance_rows(block, None, unit, Points.of(points), breaking)


def _together(value: Floats, u: Floats) -> Estimate:
    """Median of what could be measured, its standard error from their spread, and from their own where that is more."""
    value, u = value[np.isfinite(value)], u[np.isfinite(value)]
    if not value.size:
        return Estimate(nan, nan)
    own = sqrt(float(np.mean(u**2)) / value.size)
    return Estimate(median(value), max(MEDIAN_FACTOR * mad_sigma(value) / sqrt(value.size), own))


def resistance_rows(
    block: SweepBlock, sweep: int | None, unit: str, points: Points, breaking: dict[Direction, Estimate]
) -> list[dict[str, Any]]:
    """Rows of the resistance table of one sweep, or of all (``sweep`` None): one a direction.

    Parameters
    ----------
    block : SweepBlock
    sweep : int or None
    unit : str
        Unit of the motion, for sentences.
    points : Points
    breaking : dict of Estimate
        Breakaway of each direction.
    """
    from benchpipe.kernels.sweep_fit import fit_resistance

    known = bool(np.isfinite(points.temperature).any())
    fit = fit_resistance(points.speed, points.load, dead_band=0.0, temperature_c=points.temperature if known else None)
    rows = []
    way: Direction
    for way, direction in (("forward", fit.rising), ("back", fit.falling)):
        here = SIGN[way] * points.speed > 0
        speed, warm = np.abs(points.speed[here]), points.temperature[here]
        reference = block.reference_speed_per_s or float(np.max(speed, initial=0.0)) or nan
        parts, said = _parts(fit, direction, speed, reference, unit)
        remarks = said if isfinite(breaking[way].value) else [*said, NO_START]
        rows.append({
            "block": block.name, "sweep": sweep, "direction": way, "samples": int(points.count[here].sum()),
            "speed_low": float(np.min(speed, initial=np.inf)), "speed_high": float(np.max(speed, initial=-np.inf)),
            "temperature_low_c": float(np.min(warm, initial=np.inf)) if known else nan,
            "temperature_high_c": float(np.max(warm, initial=-np.inf)) if known else nan,
            "breakaway": breaking[way].value, "breakaway_u": breaking[way].u,
            **{f"{name}{end}": v for name, e in parts.items() for end, v in (("", e.value), ("_u", e.u))},
            "reference_speed": reference, "reference_c": fit.reference_c,
            "thinning_per_k": fit.thinning if fit.thinning_fitted else nan,
            "thinning_u_per_k": (fit.thinning_high - fit.thinning_low) / 4 if fit.thinning_fitted else nan,
            "residual_sd": fit.s, "remark": "; ".join(remarks) or None,
        })  # fmt: skip
    return rows


def _parts(
    fit: ResistanceResult, direction: DirectionResult, speed: Floats, reference: float, unit: str
) -> tuple[dict[str, Estimate], list[str]]:
    """Parts at the reference speed; those that the speeds do not tell apart are NaN, and a sentence says so."""
    none = dict.fromkeys(PARTS, Estimate(nan, nan))
    if not fit.converged:
        return none, ["too few samples in motion inside the range"]
    slow, fast = float(speed.min()), float(speed.max())
    ends = dict.fromkeys((f"{slow:.2g}", f"{fast:.2g}"))  # both directions' sentences are the same
    speeds = f"{' to '.join(ends)} {unit}/s"
    if fast < ONE_SPEED * slow:
        return none, [f"one speed only ({speeds}): Coulomb, laminar and orifice parts are not separable"]
    whole = float(direction.resistance(fast))
    found, lost = {}, []
    for power, name in enumerate(PARTS):
        part, factor = getattr(direction, name), reference**power
        found[name] = Estimate(part.value * factor, part.standard_error * factor)
        if not part.standard_error * fast**power <= NOT_TOLD * whole:
            lost.append(name)
    if not lost:
        return found, []
    names = ", ".join(name.capitalize() if name == "coulomb" else name for name in lost)
    return found | {name: none[name] for name in lost}, [f"{names}: not separable by speeds of {speeds}"]
