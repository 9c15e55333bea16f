"""Signals → rows of the relaxations and relaxation_points tables: a held motion whose load relaxes.

A hold with load and motion exchanged: the motion is held and the load moves. The load lost counts upwards, so that
the laws of creep describe it unchanged.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from benchpipe.blocks.block import BlockTask, Found
from benchpipe.blocks.held_channel import NO_TEMPERATURE, response_channel
from benchpipe.blocks.held_curves import CorrectedFit, HoldCurve, HoldWords, doubts, fit_hold, hold_curve, ratio
from benchpipe.blocks.held_figures import half_u, kind_words
from benchpipe.blocks.held_scan import PATIENCE_S, HoldScan, load_sd, ramp_part, range_of
from benchpipe.blocks.losses import with_losses
from benchpipe.blocks.relaxation.plan import RelaxationBlock
from benchpipe.blocks.rows import rows_table
from benchpipe.blocks.state import BlockState
from benchpipe.config.rig import RigConfig
from benchpipe.kernels.holds import MOTION, N_TEMPERATURE, TEMPERATURE
from benchpipe.samples.signals import Signals, block_signals, signal_units
from benchpipe.store.manifest import Remark

WORDS = HoldWords("motion", "load", "relaxation")
Row = dict[str, Any]


@dataclass
class RelaxationRows:
    """Rows of both tables; ``told`` has the number of each held motion that is not plain, and why."""

    held: list[Row] = field(default_factory=list)
    points: list[Row] = field(default_factory=list)
    told: list[tuple[int, str]] = field(default_factory=list)
    nearest: float = np.inf
    longest_s: float = 0.0


def relaxation_block(task: BlockTask[RelaxationBlock, BlockState]) -> Found:
    """Measure the held motions of a block."""
    rig, store, block = task.rig, task.store, task.block
    builder = RelaxationBuilder(block, rig)
    for signals in block_signals(store, task.inputs, rig, block):
        builder.feed(signals)
    rows = builder.finish()
    rows.held = with_losses(task, rows.held)
    found = Found()
    for table, content in (("relaxations", rows.held), ("relaxation_points", rows.points)):
        if content:
            found.parts.append(store.write(table, rows_table(table, content, rig), task.key))
    if not rows.held and np.isfinite(rows.nearest):
        unit = signal_units(rig)["motion"]
        why = (
            f"the motion stayed near the {block.motion.value:g} {unit} to be held for {rows.longest_s:.3g} s at most "
            f"(least_time is {block.least_time:g} s), and came within {rows.nearest:.3g} {unit} of it"
        )
        found.state = BlockState(no_hold=why)
    if rows.told:
        number, why = rows.told[-1]
        many = f"{len(rows.told)} of them, the last " if len(rows.told) > 1 else ""
        text = f"{many}relaxation {number}: {why}"
        found.remarks.append(Remark(step="process", code="hold", where=block.name, count=len(rows.told), text=text))
    return found


def changed_over(signals: Signals) -> Signals:
    """Signals with load and motion in one another's place."""
    return replace(signals, load=signals.motion, motion=signals.load)


class RelaxationBuilder:
    """Takes signals batch by batch and collects held motions."""

    def __init__(self, block: RelaxationBlock, rig: RigConfig) -> None:
        self._block, self._channel = block, response_channel(rig, is_load=True)
        gap_us = round(1e6 * max(rig.time.gap_s, PATIENCE_S))
        self._held = HoldScan(block.motion.value, block.tolerance * abs(block.motion.value), gap_us, block.least_time)
        self._rows = RelaxationRows()

    def feed(self, new: Signals) -> None:
        """Take samples; held motions that end in them are measured."""
        if len(new):
            off = float(np.abs(new.motion - self._block.motion.value).min())
            self._rows.nearest = min(self._rows.nearest, off)
        for gap in self._held.stays(changed_over(new)):
            self._measure(complete=True, gap=gap)

    def finish(self) -> RelaxationRows:
        """All rows, with that of the held motion in which the log ends."""
        if self._held.state.inside:
            self._measure(complete=False, gap=False)
        return self._rows

    def _measure(self, *, complete: bool, gap: bool) -> None:
        held, block, state = self._held, self._block, self._held.state
        duration = held.duration_s
        self._rows.longest_s = max(self._rows.longest_s, duration)
        if duration < block.least_time:
            return
        way = -1.0 if state.origin_motion >= 0.0 else 1.0  # what the load loses counts upwards
        bins = held.bins.copy()
        bins[:, MOTION] *= way
        ramp = state.foot_us >= 0
        ramp_s = (state.start_us - state.foot_us) * 1e-6 if ramp else np.nan
        part = state.origin_load - state.foot_load
        slope = way * (state.origin_motion - state.foot_motion) / part if part else np.nan
        curve = hold_curve(bins, ramp_part(block.skip_ramps, ramp_s, duration))
        fit = fit_hold(
            curve, duration, block.report_at, slope, resolution=self._channel.step(state.least_step),
            drift_per_s=self._channel.drift_per_s, way=1.0,
        )  # fmt: skip
        doubt = doubts(curve, fit, held.tolerance, ramp=ramp, words=WORDS)
        kind, more = ("undecided", list[str]()) if doubt.whole else kind_words(fit.creep, duration)
        said = [*doubt.whole, *doubt.since, *(["a gap or a restart ended it"] if gap else [])]
        said += [f"{state.bridged} short break(s) of the log in it"] if state.bridged else []
        number = len(self._rows.held) + 1
        self._rows.told += [(number, "; ".join(said))] if said else []
        said += [*fit.creep.remarks, *more, *doubt.noted]
        said += [NO_TEMPERATURE.format("load")] if not np.isfinite(curve.temperature).any() else []
        base = {"block": block.name, "relaxation": number}
        lost = LoadLost(curve, fit, abs(state.origin_motion), known=not (doubt.whole or doubt.since))
        rate, known = fit.creep.end_rate, not doubt.whole
        row = {
            **base,
            "start_us": state.start_us,
            "duration_s": duration,
            "complete": complete and not gap,
            "samples": int(curve.count.sum()),
            "ramp_s": ramp_s,
            "motion_mean": state.origin_load + float(np.average(curve.load, weights=curve.count)),
            "motion_sd": load_sd(bins),
            "load_end": -way * lost.load_end,
            "rate_end": rate.value if known else np.nan,
            "rate_end_u": half_u(rate) if known else np.nan,
            "rate_dof": fit.creep.free.end_rate.dof if known else np.nan,
            "log_slope": fit.creep.local_slope.value if known else np.nan,
            "kind": kind,
            "law": fit.creep.law,
            "temperature_c": ratio(bins[:, TEMPERATURE].sum(), bins[:, N_TEMPERATURE].sum()).item(),
            "temperature_range_c": range_of(curve.temperature),
            "remark": "; ".join(said) or None,
            **lost.columns(-way),
        }
        self._rows.held.append(row)
        self._rows.points += lost.points(base, state.origin_motion, way, block.report_at)


@dataclass(frozen=True)
class LoadLost:
    """What a held motion's load lost since full motion; nothing where the beginning is not known.

    Attributes
    ----------
    curve, fit
        Averages and fit of the load lost.
    origin : float
        Size of the load in the first sample of the hold, from which the averages count.
    known : bool
        Whether the load lost since full motion is known.
    """

    curve: HoldCurve
    fit: CorrectedFit
    origin: float
    known: bool

    @property
    def load_end(self) -> float:
        """Size of the load at the end."""
        return float(self.origin - self.curve.motion[-1])

    @property
    def _load_end_u(self) -> float:
        return float(self.curve.spread / np.sqrt(self.curve.count[-1]))

    def columns(self, way: float) -> Row:
        """Columns of the relaxations table."""
        names = ("load_start", "load_lost_end", "load_lost_end_u", "load_lost_part_end", "load_lost_part_end_u",
                 "load_lost_dof")  # fmt: skip
        full = self.fit.full
        if full is None or not self.known:
            return dict.fromkeys(names, np.nan)
        lost, u = full.creep_end.value, half_u(full.creep_end)
        start = self.load_end + lost
        return dict(zip(names, (way * start, lost, u, *self._part(lost, u, start), full.creep_end.dof), strict=True))

    def _part(self, lost: float, u: float, start: float) -> tuple[float, float]:
        """A loss as a part of the load at full motion, and its standard uncertainty."""
        if not start > 0.0:
            return np.nan, np.nan
        rest = start - lost
        return lost / start, float(np.hypot(rest * u, lost * self._load_end_u)) / start**2

    def points(self, base: Row, origin: float, way: float, asked_s: tuple[float, ...]) -> list[Row]:
        """Rows of the averages, and of the asked times inside the hold."""
        rows: list[Row] = [
            {**base, "kind": "curve", "time_s": t, "samples": int(n), "load": origin + way * moved}
            for t, n, moved in zip(self.curve.time, self.curve.count, self.curve.motion, strict=True)
        ]
        full = self.fit.full
        if full is None or not self.known:
            return rows
        start = self.load_end + full.creep_end.value
        for at, one in zip(asked_s, full.creep_at, strict=True):
            if one is None or not np.isfinite(one.value):  # after the end, and too far to project
                continue
            part, part_u = self._part(one.value, half_u(one), start)
            rows.append({
                **base, "kind": "asked", "time_s": at, "samples": 0, "load": -way * (start - one.value),
                "load_lost": one.value, "load_lost_u": half_u(one), "load_lost_part": part, "load_lost_part_u": part_u,
            })  # fmt: skip
        return rows
