"""Values → one figure with its uncertainty budget, by the statistic of a limit.

A figure of many cycles has the noise of its window in the block (:mod:`benchpipe.kernels.window_noise`), one of a few
holds, sweeps or proofs the scatter between them, one of a single value that value's own uncertainty. What all values
share (certificates, geometry, sampling) is added and never averaged. Sizes are taken after the statistic.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchpipe.blocks.measures import Measure
from benchpipe.blocks.values import Values
from benchpipe.check.block_noise import Noises, place_of
from benchpipe.check.budget import FEW, Budget, BudgetPart, few_values, rectangular
from benchpipe.check.extremes import largest_lower, largest_upper, smallest_lower, smallest_upper
from benchpipe.check.reading_noise import READING, hidden_scatter, scatter_of, scatter_of_others
from benchpipe.check.rig_parts import rig_parts
from benchpipe.check.rules import Guards, Rule
from benchpipe.config.limits import LimitConfig
from benchpipe.config.rig import RigConfig
from benchpipe.kernels.slope_attenuation import attenuation_u
from benchpipe.kernels.window_noise import BlockNoise, reading_u, window_u

Floats = NDArray[np.float64]
NO_BUDGET = Budget(())


@dataclass(frozen=True)
class JudgedFigure:
    """One figure, as it is compared with a limit.

    Attributes
    ----------
    value : float
        NaN where there is none.
    budget : Budget
        All parts of its uncertainty.
    few : bool
        Fewer than five values are behind its scatter: each part is expanded first.
    doubt : str
        Why the noise of its block is not known; empty where it is.
    readings : Values or None
        Of an extreme: all values it is the largest or smallest of, with the uncertainty of each reading.
    at : int
        Place of the extreme among them.
    high, low : BudgetPart or None
        What may have made it read too high, or too low, besides: it counts on that side of a limit alone.
    others : BudgetPart or None
        Of an extreme of few readings: its noise as the others show it. A fail may rest on it, a pass may not
        (:mod:`benchpipe.check.reading_noise`).
    note : str
        What else must be said of it.
    raw, correction, correction_u : float
        Of a change: before temperature was taken off, what was taken off, and its standard uncertainty; NaN for none.
    """

    value: float
    budget: Budget = NO_BUDGET
    few: bool = False
    doubt: str = ""
    readings: Values | None = None
    at: int = -1
    high: BudgetPart | None = None
    low: BudgetPart | None = None
    others: BudgetPart | None = None
    note: str = ""
    raw: float = math.nan
    correction: float = math.nan
    correction_u: float = math.nan

    def expanded_u(self, statistic: str) -> float:
        """Half-width of the 95 % interval; of an extreme, whose sides differ, the wider."""
        if self.readings is None:
            return self.budget.expanded(0.95, few=self.few)
        return max(self.own_guards(0.025, statistic))

    def guards(self, rule: Rule, statistic: str) -> Guards:
        """How far above and below the value the truth may lie, at the rule's risk: the guard bands of a verdict."""
        if not rule.guarded:
            return Guards(0.0, 0.0)
        if self.readings is None:
            return Guards(*(self._wide(rule.risk, self.budget, one) for one in (self.low, self.high)))
        wide, own = self._around(rule.risk, statistic), self.own_guards(rule.risk, statistic)
        return Guards(wide.above, own.below) if statistic == "max" else Guards(own.above, wide.below)

    def own_guards(self, risk: float, statistic: str) -> Guards:
        """The same of an extreme with the noise of its reading as the budget has it."""
        return self._around(risk, statistic, self.others)

    def shared_guards(self, risk: float) -> Guards:
        """Guards of what all readings of an extreme have in common."""
        shared = Budget(tuple(part for part in self.budget.parts if part.name != READING))
        return Guards(*(self._wide(risk, shared, one) for one in (self.low, self.high)))

    def _around(self, risk: float, statistic: str, noise: BudgetPart | None = None) -> Guards:
        """The same of the largest or smallest of many readings, with one noise of them or each its own."""
        if self.readings is None:
            return Guards(math.nan, math.nan)
        of = self.readings
        u, dof = (of.u, of.dof) if noise is None else (noise.u, noise.dof)
        up, down = self.shared_guards(risk)
        upper, lower = (largest_upper, largest_lower) if statistic == "max" else (smallest_upper, smallest_lower)
        return Guards(upper(of.value, u, dof, risk, shared=up), lower(of.value, u, dof, risk, shared=down))

    def _wide(self, risk: float, budget: Budget, besides: BudgetPart | None) -> float:
        parts = budget.with_parts(besides) if besides is not None else budget
        return parts.guard(risk, few=self.few) if parts.parts else 0.0


SCATTER = "scatter of the values"


def figure_of_values(
    limit: LimitConfig, measure: Measure, rig: RigConfig, values: Values, noises: Noises
) -> JudgedFigure:
    """The figure of a limit's statistic, for all statistics but counts, shares and changes.

    Parameters
    ----------
    values : Values
        All of them; those that are not measured are left out here.
    """
    if limit.statistic in ("max", "min"):
        return _extreme(limit, measure, rig, values, noises)
    good = values.select(values.whole)
    if limit.statistic == "last":
        return _last(limit, measure, rig, good, noises)
    of_median = limit.statistic != "mean"
    value = float(np.median(good.value) if of_median else good.value.mean())
    missed = () if good.sampling_u is None else (_sampling(float(np.median(good.sampling_u))),)
    if not measure.in_window:
        return _of_few(limit, measure, rig, good, value)
    noise = _noise(limit, noises, measure, good)
    first = place_of(noise.size, noises.last(good.block), good.number[0])
    found = window_u(noise, good.value.size, "median" if of_median else "mean", first)
    scatter = BudgetPart(SCATTER, found.u, found.dof, "A", f"{good.value.size:,} cycles of {noise.size:,}")
    parts = (scatter, *missed, *_attenuated(measure, value, good), *rig_parts(measure, rig, value, good))
    size, doubt = abs(value) if measure.absolute else value, "" if found.known else found.why
    high, low = _read_beyond(measure, good)
    return JudgedFigure(size, Budget(parts), good.value.size < FEW, doubt, high=high, low=low)


def _attenuated(measure: Measure, value: float, good: Values) -> tuple[BudgetPart, ...]:
    """What noise of the motion takes off a slope of load on motion (:mod:`benchpipe.kernels.slope_attenuation`)."""
    typical, (low, high) = good.typical, good.band
    if not measure.tangent or not typical.motion_noise > 0.0 or not value:
        return ()
    turn = (math.asin(2.0 * high - 1.0) - math.asin(2.0 * low - 1.0)) / math.pi  # of a sine's half turn
    in_band = 0.5 * typical.samples * turn
    width = (high - low) * typical.load_range / abs(value)
    relative = float(attenuation_u(typical.motion_noise, width, in_band))
    return (BudgetPart("attenuation of the slope", abs(value) * relative, note="noise of the motion"),)


def _sampling(u: float) -> BudgetPart:
    return BudgetPart("sampling", u, note="between samples an extreme is missed")


def _noise(limit: LimitConfig, noises: Noises, measure: Measure, good: Values) -> BlockNoise:
    return noises.of(good.block, measure.columns[0], good.value.size)


Beyond = tuple[BudgetPart | None, BudgetPart | None]


def _read_beyond(measure: Measure, good: Values) -> Beyond:
    """The largest of some noisy samples reads high, the smallest low: by 0.4 to 2 standard deviations of one.

    Simulated for 50 to 500 samples a cycle and noise of 1 to 5 % of the amplitude; known are the ends only, so that it
    is a rectangle from nought to 2 (GUM 4.3.7), taken about nought.
    """
    noise = good.typical.load_noise if measure.load_power else good.typical.motion_noise
    if measure.sampling != "peak" or not noise > 0.0:
        return None, None
    part = rectangular("noise of the extremes", 2.0 * noise, note="the largest of noisy samples reads too far out")
    return (None, part) if measure.extreme == "smallest" else (part, None)


def _own_parts(name: str, values: Values, at: int) -> tuple[BudgetPart, ...]:
    """The own uncertainty of one value, by what is in it."""
    u, dof = float(values.u[at]), float(values.dof[at])
    inside = [BudgetPart(what, float(some[at])) for what, some in values.own_parts if some[at] > 0.0]
    rest = u * u - sum(part.u**2 for part in inside)
    if not inside or rest < 0.0:
        return (BudgetPart(name, u, dof, "A", "its own"),)
    return (BudgetPart(name, math.sqrt(rest), dof, "A", "its own"), *inside)


def _alike(values: Values) -> tuple[BudgetPart, ...]:
    """What the values' own uncertainty has and their scatter does not: all of them may err by it alike.

    A law or curve that fits none of them, samples that fall on the same places of each.
    """
    own = values.u[np.isfinite(values.u)]
    if not own.size:
        return ()
    beyond = float(np.median(own)) ** 2 - float(np.var(values.value, ddof=1))
    if not beyond > 0.0:
        return ()
    return (BudgetPart("what the values share", math.sqrt(beyond), note="their own uncertainty beyond their scatter"),)


def _of_few(limit: LimitConfig, measure: Measure, rig: RigConfig, good: Values, value: float) -> JudgedFigure:
    """Mean or median of some holds, sweeps, windows, proofs or lock changes."""
    scatter: tuple[BudgetPart, ...] = (BudgetPart(SCATTER, 0.0, note="the value is a bound already"),)
    if not measure.bound and good.value.size == 1:
        scatter = _own_parts("one value", good, 0)
    elif not measure.bound:
        scatter = (
            few_values(good.value, "mean" if limit.statistic == "mean" else "median", name=SCATTER), *_alike(good)
        )
    parts = (*scatter, *rig_parts(measure, rig, value, good))
    return JudgedFigure(abs(value) if measure.absolute else value, Budget(parts), good.value.size < FEW)


def _last(limit: LimitConfig, measure: Measure, rig: RigConfig, good: Values, noises: Noises) -> JudgedFigure:
    """The last value: it has the noise of one reading."""
    value = float(good.value[-1])
    own_u, own_dof, doubt = float(good.u[-1]), float(good.dof[-1]), ""
    more: tuple[BudgetPart, ...] = ()
    beyond: Beyond = (None, None)
    if measure.in_window:
        noise = _noise(limit, noises, measure, good)
        found = window_u(noise, 1, "median", place_of(noise.size, noises.last(good.block), good.number[-1]))
        own_u, own_dof, doubt = found.u, found.dof, "" if found.known else found.why
        beyond = _read_beyond(measure, good)
        more = _attenuated(measure, value, good)
        if good.sampling_u is not None:
            more = (*more, _sampling(float(good.sampling_u[-1])))
    elif not math.isfinite(own_u) and good.value.size > 1:
        own_u, own_dof = float(np.std(good.value, ddof=1)), good.value.size - 1.0
    reading = BudgetPart(READING, 0.0 if measure.bound else own_u, own_dof, "A")
    parts = (reading, *more, *rig_parts(measure, rig, value, good))
    few = not measure.in_window and own_dof < FEW - 1
    high, low = beyond
    return JudgedFigure(abs(value) if measure.absolute else value, Budget(parts), few, doubt, high=high, low=low)


def _extreme(limit: LimitConfig, measure: Measure, rig: RigConfig, values: Values, noises: Noises) -> JudgedFigure:
    """The largest or smallest value of all that show one, spoiled and incomplete cycles among them."""
    known = values.select(np.isfinite(values.value))
    size = np.abs(known.value) if measure.absolute else known.value
    at = int(size.argmax() if limit.statistic == "max" else size.argmin())
    value, u, dof = float(size[at]), known.u, known.dof
    stated = rig_parts(measure, rig, float(known.value[at]), known)
    more: tuple[BudgetPart, ...] = ()
    beyond: Beyond = (None, None)
    few: NDArray[np.bool_] = np.zeros(size.size, bool)  # readings whose noise is their scatter: both bounds stay, wider
    if measure.in_window:
        whole = values.select(values.whole)
        noise = _noise(limit, noises, measure, whole if whole.value.size else known)
        last = noises.last(known.block)
        first, end = (place_of(noise.size, last, number) for number in (known.number.min(), known.number.max()))
        one = reading_u(noise, first, end - first + 1)
        u, dof = np.full(size.size, one.u), np.full(size.size, one.dof)
        few = known.whole & (not one.known)
        beyond = _read_beyond(measure, known)
        more = _attenuated(measure, value, known)
    elif measure.bound:
        u = np.zeros(size.size)
    elif not np.isfinite(u).all():
        few = np.ones(size.size, bool)
    all_of = scatter_of(known.value[few])
    if all_of is not None:
        if measure.in_window:
            slow = hidden_scatter(int(few.sum()))
            all_of = replace(all_of, u=slow * all_of.u, note=f"{all_of.note}, times {slow:.3g} for slow noise")
        own = few & np.isfinite(known.u)
        u, dof = np.where(own, u, all_of.u), np.where(own, dof, all_of.dof)
    if known.sampling_u is not None:
        more = (*more, _sampling(float(known.sampling_u[at])))
    reading = BudgetPart(READING, float(u[at]), float(dof[at]), "A")
    found = JudgedFigure(
        value, Budget((reading, *more, *stated)), not measure.in_window and float(dof[at]) < FEW - 1, "",
        replace(known, value=size, u=u, dof=dof), at, *beyond,
    )  # fmt: skip
    forbids = limit.operator == ("<=" if limit.statistic == "max" else ">=")
    if not (forbids and few[at]) or math.isfinite(known.u[at]):
        return found
    others = scatter_of_others(known.value[few], int(few[:at].sum()), stated)
    return _with_others(found, others, limit.statistic) if others is not None else found


def _with_others(found: JudgedFigure, others: BudgetPart, statistic: str) -> JudgedFigure:
    """With the noise of the other readings in the budget, where that makes its uncertainty the smaller."""
    parts = tuple(others if part.name == READING else part for part in found.budget.parts)
    apart = replace(found, budget=Budget(parts), others=others)
    return apart if apart.expanded_u(statistic) < found.expanded_u(statistic) else found
