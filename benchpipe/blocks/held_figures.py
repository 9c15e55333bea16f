"""Creep of a hold → columns of the holds and creep_points tables."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.blocks.held_curves import CorrectedFit, HoldCurve

if TYPE_CHECKING:
    from benchpipe.kernels.creep_choice import CreepEstimate
    from benchpipe.kernels.creep_fit import CreepResult
    from benchpipe.kernels.creep_free import FreeFigure

Floats = NDArray[np.float64]
HOUR_S = 3600.0
LEAST_LEAK = 0.05  # a leak that makes a smaller part of the creep is given, and not named
BACKWARDS = "moves against the load at the end: temperature or the channel, no leak"


def creep_columns(fit: CorrectedFit, known: bool) -> dict[str, float | None]:
    """Creep since loading; nothing where it is not known."""
    end, free, full = fit.creep.creep_end, fit.creep.free.creep_end, fit.full
    found: dict[str, float | None] = {
        "creep_from_s": fit.creep.reference_s,
        "creep_end": end.value, "creep_end_u": half_u(end), "creep_dof": free.dof,
        "creep_step_u": free.step_u, "creep_drift_u": free.drift_u,
        "creep_full_end": full.creep_end.value if full else None,
        "creep_full_end_u": half_u(full.creep_end) if full else None,
        "creep_full_dof": full.creep_end.dof if full else None,
        "creep_bound": fit.creep.upper_bound, "creep_law_low": end.law_low, "creep_law_high": end.law_high,
    }  # fmt: skip
    return found if known else dict.fromkeys(found)


def rate_columns(fit: CreepResult, known: bool) -> dict[str, float | None]:
    """Rates late in the hold; nothing where they are not known."""
    slope = fit.local_slope
    found: dict[str, float | None] = {
        "rate_end_per_h": fit.end_rate.value * HOUR_S, "rate_end_u_per_h": half_u(fit.end_rate) * HOUR_S,
        "rate_dof": fit.free.end_rate.dof,
        "leak_per_h": fit.leak.value * HOUR_S, "leak_u_per_h": half_u(fit.leak) * HOUR_S,
        "log_slope": slope.value, "log_slope_low": slope.low, "log_slope_high": slope.high,
    }  # fmt: skip
    return found if known else dict.fromkeys(found)


def kind_words(fit: CreepResult, duration_s: float) -> tuple[str, list[str]]:
    """The hold in plain words. A leak is named only where it is sure, goes the load's way, and matters."""
    if fit.against and fit.kind in ("both", "leaking"):
        return "settling" if fit.kind == "both" else "undecided", [BACKWARDS]
    if fit.kind != "both":
        return fit.kind, []
    if not fit.leak.told_from_zero or abs(fit.leak.value) * duration_s < LEAST_LEAK * abs(fit.creep_end.value):
        return "settling", []
    return "both", []


def point_rows(
    curve: HoldCurve, fit: CorrectedFit, origin: float, base: dict[str, Any], *, known: bool
) -> list[dict[str, Any]]:
    """Rows of the averages, and of the times at which creep is asked.

    Parameters
    ----------
    origin : float
        Motion from which that of the averages counts.
    base : dict
        What all rows have in common.
    known : bool
        Whether creep since loading is known.
    """
    columns = (curve.time, curve.count, curve.motion, curve.creep, curve.creep_u, *law_through(curve, fit.creep.law))
    rows: list[dict[str, Any]] = [
        {**base, "kind": "curve", "time_s": t, "samples": int(n), "motion": origin + m, "creep": c, "creep_u": u,
         "law_creep": line, "law_creep_u": line_u}
        for t, n, m, c, u, line, line_u in zip(*columns, strict=True)
    ]  # fmt: skip
    from_full = fit.full.creep_at if fit.full else (None,) * len(fit.creep.creep_at)
    for at, full in zip(fit.creep.creep_at, from_full, strict=True):
        kind = "projection" if at.projection else "projected" if at.beyond else "asked"
        row = {**base, "kind": kind, "time_s": at.time_s, "samples": 0}
        row["motion"] = origin + fit.creep.elastic.value + at.creep.value
        if known:
            row |= {"creep": at.creep.value, "creep_u": half_u(at.creep), "creep_dof": at.dof}
            row |= {"reading_low": at.reading_low, "reading_high": at.reading_high}
            row |= {"creep_full": full.value, "creep_full_u": half_u(full)} if full else {}
        rows.append(row)
    return rows


def law_through(curve: HoldCurve, name: str | None) -> tuple[Floats, Floats]:
    """A hold's law through its averages as they were read, nothing taken off: its value at each, and half of its 95 %
    interval, divided by 2. NaN before the end of the ramp part, and where no law fits."""
    from benchpipe.kernels.creep_choice import fit_laws
    from benchpipe.kernels.creep_laws import LAWS
    from benchpipe.kernels.lines import t_quantile

    line, line_u = np.full(curve.time.size, np.nan), np.full(curve.time.size, np.nan)
    t, y, n = (values[curve.first :] for values in (curve.time, curve.creep, curve.count))
    law = next((one for one in LAWS if one.name == name), None)
    if law is None or t.size <= len(law.parameters):
        return line, line_u
    fits = fit_laws(t, y, n, laws=(law,))
    for found in fits.fits:
        gradient = law.gradient(t, found.parameters)
        variance = np.einsum("ij,jk,ik->i", gradient, found.covariance, gradient)
        line[curve.first :] = law.value(t, found.parameters)
        line_u[curve.first :] = 0.5 * t_quantile(0.95, fits.dof) * np.sqrt(np.maximum(variance, 0.0))
    return line, line_u


def half_u(estimate: CreepEstimate | FreeFigure) -> float:
    """Standard uncertainty: half of the wider side of the 95 % interval."""
    return 0.5 * max(estimate.high - estimate.value, estimate.value - estimate.low)
