"""A change since the baseline: the part that is wear, without temperature and without a new calibration."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from benchpipe.blocks.cyclic.plan import CyclicBlock, TemperatureConfig
from benchpipe.blocks.cyclic.values import cycle_values
from benchpipe.blocks.left_out import INCOMPLETE, accepted_rows
from benchpipe.blocks.measures import Measure
from benchpipe.blocks.values import Asked, Values, nothing
from benchpipe.check.block_noise import Noises, place_of
from benchpipe.check.budget import FEW, Budget, BudgetPart, rectangular
from benchpipe.check.figure import SCATTER, JudgedFigure
from benchpipe.check.monte_carlo import Input, larger_of, propagate
from benchpipe.check.rig_parts import recalibrated
from benchpipe.config.limits import AcceptConfig
from benchpipe.config.rig import RigConfig
from benchpipe.kernels.steps import find_steps, without_steps
from benchpipe.kernels.temperature_change import TemperatureChange, change_at_temperature
from benchpipe.kernels.window_noise import BlockNoise, change_u, window_u

Floats = NDArray[np.float64]
SAME_K = 0.2  # temperatures on either side of a step that differ by less have not stepped
REACH = 20  # cycles on either side
LINEAR = 0.02  # of the baseline: a ratio to one that is surer is linear enough
NOT_TAKEN_OUT = "temperature was not taken out: {why}"


def baseline_values(asked: Asked, least_measured: float) -> Values:
    """Values of the block's baseline window that could be measured; ``why`` where they give no baseline."""
    window = asked.limit.model_copy(update={"cycles": asked.block.baseline, "last_cycles": None})
    values = cycle_values(replace(asked, limit=window))
    if values.why:
        return nothing(f"the baseline is not full: {values.why}", due=values.due)
    known = values.select(values.whole)
    if not known.value.size or known.value.size < least_measured * base_of(values, asked.limit.accept):
        why = f"only {known.value.size:,} of {values.of:,} cycles of the baseline could be measured"
        return nothing(why, due=True)
    if np.median(known.value) == 0.0:
        return nothing("the baseline is zero: no change from it is known", due=True)
    return known


def base_of(values: Values, accept: AcceptConfig) -> int:
    """How many values there should be, less those that a limit accepts not to have, and plain incomplete cycles."""
    accepted = accepted_rows(values.reason, values.complete, accept, values.of) | (values.reason == INCOMPLETE)
    accepted &= ~values.whole
    uncounted = round(values.uncounted) if values.uncounted <= accept.uncounted * values.of else 0
    return values.of - int(accepted.sum()) - uncounted


def change_figure(
    measure: Measure, rig: RigConfig, block: CyclicBlock, base: Values, values: Values, noises: Noises
) -> JudgedFigure:
    """Median over the baseline's median, less one, at the baseline's temperature.

    Parameters
    ----------
    base, values : Values
        The baseline's and the window's, those that were measured.
    """
    now, start = float(np.median(values.value)), float(np.median(base.value))
    plain = now / start - 1.0
    stated = next((one for one in block.temperature if one.measure == measure.name), None)
    parts = recalibrated(measure, rig, plain, base, values)
    if rig.temperature is not None and measure.of != "temperature":
        found = _at_temperature(measure, block, base, values, noises, stated)
        if found is not None:
            return _of_temperature(found, plain, parts, base, values)
    noise = noises.of(block.name, measure.columns[0], values.value.size)
    places = (place_of(noise.size, noises.last(block.name), one.number[0]) for one in (base, values))
    first, second = zip(places, (base.value.size, values.value.size), strict=True)
    one = change_u(noise, *first, *second, "median", start, now)
    parts = (
        BudgetPart(SCATTER, one.u, one.dof, "A", f"baseline {base.value.size:,}, window {values.value.size:,}"),
        *parts,
    )
    if stated is not None and stated.swing is not None:
        size = abs(stated.per_kelvin) * stated.swing.value
        parts = (*parts, rectangular("temperature, not logged", size, note="swing and per_kelvin of the plan"))
    few = min(values.value.size, base.value.size) < FEW
    note = NOT_TAKEN_OUT.format(why="no channel of it is logged")
    budget = _checked(Budget(parts), noise, (now, values), (start, base), few=few)
    return JudgedFigure(plain, budget, few, "" if one.known else one.why, note=note)


def _checked(
    budget: Budget, noise: BlockNoise, now: tuple[float, Values], start: tuple[float, Values], *, few: bool
) -> Budget:
    """A ratio whose baseline is near zero is not linear: a Monte Carlo run checks it, and the larger counts."""
    above, below = (
        Input(value, one.u, one.dof)
        for value, one in ((middle, window_u(noise, some.value.size, "median")) for middle, some in (now, start))
    )
    if not budget.known or below.u <= LINEAR * abs(below.value):
        return budget
    return larger_of(budget, propagate(lambda a, b: a / b - 1.0, (above, below)), few=few)


def _at_temperature(
    measure: Measure, block: CyclicBlock, base: Values, values: Values, noises: Noises, stated: TemperatureConfig | None
) -> TemperatureChange | None:
    """The change with temperature taken out; None where no temperature was logged.

    Plain steps of the figure that came without one of the temperature are kept out of the regression, for which they
    would be slow noise, and are in the change again afterwards.
    """
    time_s, value, temperature, number = noises.history(block.name, measure.columns[0], int(values.number[-1]))
    if not np.isfinite(temperature).any():
        return None
    windows = ((int(v.number[0]), int(v.number[-1])) for v in (base, values))
    first, second = ((int(np.searchsorted(number, a)), int(np.searchsorted(number, b))) for a, b in windows)
    smooth = _without_own_steps(value, temperature)
    found = change_at_temperature(
        time_s, smooth, temperature, first, second, statistic="median",
        plan_coefficient=stated.per_kelvin if stated else None,
        plan_coefficient_u=0.5 * stated.uncertainty if stated else None,
    )  # fmt: skip
    plain = float(np.median(values.value) / np.median(base.value)) - 1.0
    return replace(found, raw_change=plain, change=found.change + plain - found.raw_change)


def _without_own_steps(value: Floats, temperature: Floats) -> Floats:
    """A history without those of its plain steps at which the temperature does not step."""
    known = np.flatnonzero(np.isfinite(value))
    steps = find_steps(value[known])
    own = [at for at in steps.tolist() if abs(_contrast(temperature[known], at)) < SAME_K]
    smooth = value.copy()
    smooth[known] = without_steps(value[known], own)
    return smooth


def _contrast(series: Floats, at: int) -> float:
    """Median after a place less that before it; infinite where one is not known."""
    sides = (series[max(at - REACH, 0) : at], series[at : at + REACH])
    medians = [float(np.median(side[np.isfinite(side)])) if np.isfinite(side).any() else math.inf for side in sides]
    return medians[1] - medians[0]


def _of_temperature(
    found: TemperatureChange, plain: float, parts: tuple[BudgetPart, ...], base: Values, values: Values
) -> JudgedFigure:
    """The judged figure of a change at the baseline's temperature."""
    few = min(values.value.size, base.value.size) < FEW
    why = found.why.replace("°C", "degC")  # every terminal can show it
    if not found.decided:
        return JudgedFigure(plain, Budget((BudgetPart(SCATTER, math.nan, note=why), *parts)), few, why)
    name = "scatter of the values, and temperature" if found.source != "none" else SCATTER
    scatter = BudgetPart(name, found.u, found.dof, "A", f"baseline {base.value.size:,}, window {values.value.size:,}")
    figure = JudgedFigure(found.change, Budget((scatter, *parts)), few, note=why)
    if found.source == "none":
        return figure
    at = f"{found.coefficient:+.2%}/K +- {2.0 * found.coefficient_u:.2%} ({found.source})"
    note = f"temperature took {found.correction:+.2%} +- {2.0 * found.correction_u:.2%} off, at {at}"
    return replace(
        figure, note=note, raw=found.raw_change, correction=found.correction, correction_u=found.correction_u
    )
