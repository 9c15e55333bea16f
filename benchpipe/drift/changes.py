"""One measure's level at a look: temperature taken out, change between two stretches, with its interval.

The regression is that of `kernels.temperature_regression`, which the verdict of a change since baseline uses too; here
its wear is run-in, steady wear and the events that were found.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan, sqrt

import numpy as np
from numpy.typing import NDArray

from benchpipe.drift.columns import (
    change_columns,
    daily_columns,
    expected_changes,
    frequency_columns,
    wear_columns,
)
from benchpipe.drift.events import Event
from benchpipe.drift.history import FEWEST_BINS, History
from benchpipe.drift.watched import Coefficient, DriftBlock, LogEntry
from benchpipe.kernels.history_bins import HistoryBins
from benchpipe.kernels.lines import t_quantile
from benchpipe.kernels.temperature_change import FEWEST_SWINGS
from benchpipe.kernels.temperature_regression import HistoryFit, HistoryRegression
from benchpipe.kernels.wear_episodes import EpisodesResult
from benchpipe.kernels.window_noise import fit_block_noise, window_u

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

COVERAGE = 0.95
DAY_H = 24.0
"""Hours of a baseline and of the last day: a whole day, so that the daily swing cancels in it."""


@dataclass(frozen=True)
class ChangeResult:
    """Change between two stretches, with its interval at ``coverage``; NaN, and ``why``, where it is not decided."""

    change: float
    low: float
    high: float
    coverage: float
    why: str


@dataclass(frozen=True, eq=False)
class Level:
    """A measure's level, k bins of which ``rows`` are used.

    ``corrected`` (k,): temperature taken out, NaN where it is not separable. ``curve`` (k,): what is fitted to it;
    ``settling`` (k,): its run-in alone; ``stepped`` (k,): its steps.
    ``coefficient`` is per kelvin, with its standard uncertainty; NaN where nothing was learnt. ``change``: of the last
    day since the baseline. ``slow``: variance of a mean of many bins over that of independent ones.
    """

    history: History
    rows: Mask
    corrected: Floats
    curve: Floats
    settling: Floats
    stepped: Floats
    coefficient: float
    coefficient_u: float
    change: ChangeResult
    slow: float
    why: str

    def step_at(self, column: Floats) -> float:
        """Height of a step that is among the fitted columns: what the curve jumps by there."""
        place = int(np.argmax(column >= 1.0))
        before = max(int(np.argmax(column > 0.0)) - 1, 0)
        return float(self.curve[place] - self.curve[before])


def level_of(
    block: DriftBlock,
    history: History,
    name: str,
    events: Sequence[Event],
    entries: Sequence[LogEntry],
    baseline: tuple[int, int] | None = None,
) -> Level | None:
    """Fit a measure's level; None where too few bins can be used."""
    i = [w.name for w in block.watched].index(name)
    value = np.where(history.separable, history.level[i], np.nan)
    rows = np.isfinite(value)
    if rows.sum() < FEWEST_BINS:
        return None
    own = [c for e in events if (e.measure, e.of) == (name, "level") for c in e.changes()]
    changes = list(dict.fromkeys([*expected_changes(history, entries, block.watched[i]), *own]))
    taken = change_columns(history, changes)
    settled = wear_columns(history)
    rest = [taken, frequency_columns(history)]
    if not history.temperature.shape[0]:
        rest.append(daily_columns(history))
    wear = np.column_stack([settled, *rest])
    used = wear[rows][:, [0, *(j for j in range(1, wear.shape[1]) if np.ptp(wear[rows, j]) > 0)]]
    stated = (block.coefficients or {}).get(name)
    contrast, why = _contrast(history, rows, baseline)
    fit, lagged = _fit(history, rows, value[rows], used, contrast)
    coefficient, u, remark, off = _coefficient(history, fit, stated)
    undecided = ChangeResult(nan, nan, nan, COVERAGE, why)
    change = undecided if why else _change(fit, contrast, value[rows], lagged, stated)
    temperature = fit.lag_weight @ history.temperature if history.temperature.shape[0] else np.zeros(rows.size)
    corrected = value - off * temperature
    root = np.sqrt(history.weight[rows])
    solved = np.linalg.lstsq(wear[rows] * root[:, None], corrected[rows] * root, rcond=1e-9)[0]
    run_in = settled[:, 2:] @ solved[2 : settled.shape[1]]
    curve = wear @ solved
    steps = [k for k, change in enumerate(changes) if change.kind == "step"]
    stepped = taken[:, steps] @ solved[settled.shape[1] + np.array(steps, int)]
    slow = _slow((corrected - curve)[rows])
    return Level(history, rows, corrected, curve, run_in, stepped, coefficient, u, change, slow, remark)


def inside(history: History, first: float, last: float) -> Mask:
    """Bins whose middle lies in a range of cycles."""
    return np.asarray((history.cycle >= first) & (history.cycle <= last))


def last_day(history: History) -> Mask:
    """Bins of the last day that ran."""
    return np.asarray(history.start_s >= history.end_s[-1] - DAY_H * history.hour_s)


def _slow(rest: Floats) -> float:
    """Number of bins that one independent value takes, by the noise model of a block."""
    noise = fit_block_noise(rest)
    if noise.fit is None:
        return 1.0
    effective = window_u(noise, rest.size, "mean").n_effective
    return float(np.clip(rest.size / effective if effective > 0 else rest.size, 1.0, rest.size))


def _contrast(history: History, rows: Mask, baseline: tuple[int, int] | None) -> tuple[Floats, str]:
    """Weights of the bins in the change since baseline; a plain mean, and why, where there is none."""
    plain = np.full(int(rows.sum()), 1.0 / rows.sum())
    if baseline is None:
        return plain, "run-in has not been seen to end: no baseline yet"
    a, b = inside(history, *baseline)[rows], last_day(history)[rows]
    if not a.any() or not b.any():
        return plain, f"no usable bins in {'the last day' if a.any() else 'the baseline'}"
    weight = history.weight[rows]
    return np.where(b, weight, 0.0) / weight[b].sum() - np.where(a, weight, 0.0) / weight[a].sum(), ""


def _change(
    fit: HistoryFit, contrast: Floats, value: Floats, lagged: Floats, stated: Coefficient | None
) -> ChangeResult:
    """Change less what the temperature makes of it (as `kernels.temperature_change` has it)."""
    moved = contrast @ lagged.T
    if stated is not None:
        taken = np.broadcast_to(stated.per_k * moved, fit.weight.shape)
        variance = fit.contrast_variance + (stated.u * moved) ** 2
    else:
        taken = fit.coefficient * moved
        variance = fit.contrast_variance - 2 * moved * fit.covariance + moved**2 * fit.coefficient_variance
    mean, total, dof = fit.averaged(taken, variance)
    change, half = float(contrast @ value) - mean, t_quantile(COVERAGE, dof) * sqrt(total)
    return ChangeResult(change, change - half, change + half, COVERAGE, "")


def _coefficient(history: History, fit: HistoryFit, stated: Coefficient | None) -> tuple[float, float, str, float]:
    """Coefficient and its standard uncertainty, a remark, and what is taken off."""
    if stated is not None:
        return stated.per_k, stated.u, "temperature taken out with the plan's coefficient", stated.per_k
    if not history.temperature.shape[0]:
        return nan, nan, "no temperature that can be used: the daily swing is fitted by the time of day", 0.0
    mean, variance, _ = fit.averaged(fit.coefficient, fit.coefficient_variance)
    if history.swings < FEWEST_SWINGS:
        why = (
            f"the temperature went there and back {history.swings:.1f} times, {FEWEST_SWINGS:.0f} are needed to learn "
            "a coefficient: wear and warmth are not separable yet"
        )
        return nan, nan, why, mean
    return mean, sqrt(variance), "", mean


def _fit(history: History, rows: Mask, value: Floats, wear: Floats, contrast: Floats) -> tuple[HistoryFit, Floats]:
    """The regression, and the lagged temperatures that it used (l, k)."""
    bins = HistoryBins(
        history.first[rows], history.last[rows], history.start_s[rows], history.end_s[rows],
        history.weight[rows], value, np.zeros(int(rows.sum()), np.int64),
    )  # fmt: skip
    lagged = history.temperature[:, rows] if history.temperature.shape[0] else np.zeros((1, int(rows.sum())))
    none = EpisodesResult(np.zeros((int(rows.sum()), 0)), np.zeros((0, 2), np.int64))
    regression = HistoryRegression(bins, int(history.last[-1]), contrast, wear)
    return regression.fit(lagged, none, np.ones(lagged.shape[0])), lagged
