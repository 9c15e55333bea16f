"""Signals → rows of the holds and creep_points tables."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from benchpipe.blocks.block import BlockTask, Found
from benchpipe.blocks.held_channel import NO_TEMPERATURE, response_channel
from benchpipe.blocks.held_curves import doubts, fit_hold, hold_curve, ratio
from benchpipe.blocks.held_figures import creep_columns, kind_words, point_rows, rate_columns
from benchpipe.blocks.held_scan import PATIENCE_S, HoldScan, load_sd, ramp_part, range_of
from benchpipe.blocks.hold.plan import HoldBlock
from benchpipe.blocks.hold.zeros import UNLOADED_S, Rest, ZeroShift, rest_of, with_zero, zero_shift, zero_words
from benchpipe.blocks.losses import with_losses
from benchpipe.blocks.rows import rows_table
from benchpipe.blocks.state import BlockState
from benchpipe.config.rig import RigConfig
from benchpipe.kernels.holds import N_TEMPERATURE, RAMP_FOOT, TEMPERATURE
from benchpipe.samples.signals import Signals, block_signals, signal_units
from benchpipe.store.manifest import Remark

if TYPE_CHECKING:
    from benchpipe.kernels.creep_fit import CreepResult

TOO_SHORT = "too short to tell a leak from settling: that takes two decades of time after the ramp's part"


@dataclass
class HoldRows:
    """Rows of both tables, as they are found.

    ``told`` has the number of each hold that is not plain, and why; ``zeros`` that of each hold on whose sides
    the load's zero differs. ``nearest_load`` is how near the load came to what is to be held, ``longest_s`` the
    longest stay there.
    """

    holds: list[dict[str, Any]] = field(default_factory=list)
    points: list[dict[str, Any]] = field(default_factory=list)
    told: list[tuple[int, str]] = field(default_factory=list)
    zeros: list[tuple[int, ZeroShift]] = field(default_factory=list)
    nearest_load: float = np.inf
    longest_s: float = 0.0


def hold_block(task: BlockTask[HoldBlock, BlockState]) -> Found:
    """Measure the holds of a block."""
    rig, store, block = task.rig, task.store, task.block
    builder = HoldBuilder(block, rig)
    for signals in block_signals(store, task.inputs, rig, block):
        builder.feed(signals)
    rows = builder.finish()
    rows.holds = with_losses(task, rows.holds)
    found = Found()
    for table, content in (("holds", rows.holds), ("creep_points", rows.points)):
        if content:
            found.parts.append(store.write(table, rows_table(table, content, rig), task.key))
    if not rows.holds and np.isfinite(rows.nearest_load):
        found.state = BlockState(no_hold=_no_hold(block, rig, rows))
    if rows.told:
        number, why = rows.told[-1]
        many = f"{len(rows.told)} holds, the last of them " if len(rows.told) > 1 else ""
        text = f"{many}hold {number}: {why}"
        found.remarks.append(Remark(step="process", code="hold", where=block.name, count=len(rows.told), text=text))
    if rows.zeros:
        number, zero = max(rows.zeros, key=lambda one: abs(one[1].shift))
        many = f"{len(rows.zeros)} holds, most at " if len(rows.zeros) > 1 else ""
        text = f"{many}hold {number}: {zero_words(zero, signal_units(rig)['load'])}"
        found.remarks.append(
            Remark(step="process", code="zero-shift", where=block.name, count=len(rows.zeros), text=text)
        )
    return found


def _no_hold(block: HoldBlock, rig: RigConfig, rows: HoldRows) -> str:
    """Why there is no hold in the samples of a block: whether one should be there, the check step knows."""
    unit = signal_units(rig)["load"]
    band = block.tolerance * abs(block.load.value)
    if rows.nearest_load > band:
        return (
            f"the load never came within {band:.3g} {unit} of the {block.load.value:g} {unit} to be held: "
            f"the nearest was {rows.nearest_load:.3g} {unit} off"
        )
    return (
        f"the load stayed within {band:.3g} {unit} of {block.load.value:g} {unit} for {rows.longest_s:.3g} s at "
        f"most: least_time is {block.least_time:g} s"
    )


class HoldBuilder:
    """Takes signals batch by batch and collects holds, and what came back after each."""

    def __init__(self, block: HoldBlock, rig: RigConfig) -> None:
        self._block, self._channel = block, response_channel(rig)
        gap_us = round(1e6 * max(rig.time.gap_s, PATIENCE_S))
        size = abs(block.load.value)
        self._held = HoldScan(block.load.value, block.tolerance * size, gap_us, block.least_time)
        self._rest = HoldScan(0.0, RAMP_FOOT * size, gap_us)
        self._ended: list[tuple[int, float, CreepResult]] = []  # when each hold ended, the ramp's part, and its creep
        self._feet: list[int] = []  # where the ramp of each began
        self._rests: list[Rest] = []
        self._rows = HoldRows()

    def feed(self, new: Signals) -> None:
        """Take samples; holds that end in them are measured."""
        if len(new):
            off = float(np.abs(new.load - self._block.load.value).min())
            self._rows.nearest_load = min(self._rows.nearest_load, off)
        for gap in self._held.stays(new):
            self._measure(complete=True, gap=gap)
        for _ in self._rest.stays(new):
            self._rested()

    def finish(self) -> HoldRows:
        """All rows, with that of a hold in which the log ends."""
        if self._held.state.inside:
            self._measure(complete=False, gap=False)
        if self._rest.state.inside:
            self._rested()
        for k, (row, foot_us, (end_us, *_)) in enumerate(zip(self._rows.holds, self._feet, self._ended, strict=True)):
            zero = zero_shift(self._rests, foot_us, end_us, row["load_mean"])
            self._rows.holds[k] = with_zero(row, zero)
            if zero.named(row["load_mean"]):
                self._rows.zeros.append((row["hold"], zero))
        return self._rows

    def _measure(self, *, complete: bool, gap: bool) -> None:
        held, block = self._held, self._block
        duration, state, bins = held.duration_s, held.state, held.bins
        self._rows.longest_s = max(self._rows.longest_s, duration)
        if duration < block.least_time:
            return
        ramp = state.foot_us >= 0
        ramp_s = (state.start_us - state.foot_us) * 1e-6 if ramp else np.nan
        part = state.origin_load - state.foot_load
        compliance = (state.origin_motion - state.foot_motion) / part if part else np.nan
        skip_s = ramp_part(block.skip_ramps, ramp_s, duration)
        curve = hold_curve(bins, skip_s)
        fit = fit_hold(
            curve, duration, block.report_at, compliance,
            stiffness=block.stiffness.value if block.stiffness is not None else None,
            motion_per_k=block.motion_per_kelvin.value if block.motion_per_kelvin is not None else None,
            resolution=self._channel.step(state.least_step), drift_per_s=self._channel.drift_per_s,
            way=float(np.sign(block.load.value)),
        )  # fmt: skip
        doubt = doubts(curve, fit, held.tolerance, ramp=ramp)
        known, since_known = not doubt.whole, not (doubt.whole or doubt.since)
        kind, more = ("undecided", list[str]()) if doubt.whole else kind_words(fit.creep, duration)
        load = state.origin_load + float(np.average(curve.load, weights=curve.count))
        reading = np.hypot(curve.spread, compliance * curve.load_spread)  # of one, at the foot and in the band
        said = [*doubt.whole, *doubt.since, *(["a gap or a restart ended it"] if gap else [])]
        said += [f"{state.bridged} short break(s) of the log in it"] if state.bridged else []
        number = len(self._rows.holds) + 1
        why = [*said, *([TOO_SHORT] if "too short" in fit.creep.remarks else [])]
        self._rows.told += [(number, "; ".join(why))] if why else []
        said += [*fit.creep.remarks, *more, *doubt.noted]
        said += [NO_TEMPERATURE.format("motion")] if not np.isfinite(curve.temperature).any() else []
        row = {
            "block": block.name,
            "hold": number,
            "start_us": state.start_us,
            "duration_s": duration,
            "complete": complete and not gap,
            "samples": int(curve.count.sum()),
            "ramp_s": ramp_s,
            "load_mean": load,
            "load_sd": load_sd(bins),
            "temperature_c": ratio(bins[:, TEMPERATURE].sum(), bins[:, N_TEMPERATURE].sum()).item(),
            "temperature_range_c": range_of(curve.temperature),
            "elastic_motion": compliance * load,
            "elastic_motion_u": float(np.sqrt(2.0) * reading * abs(load / part)) if part else np.nan,
            "load_taken_off": fit.load.by_end if fit.load else np.nan,
            "compliance": fit.load.coefficient if fit.load else np.nan,
            "temperature_taken_off": fit.temperature.by_end if fit.temperature else np.nan,
            "motion_per_k": fit.temperature.coefficient if fit.temperature else np.nan,
            "kind": kind,
            "law": fit.creep.law,
            "resolution": fit.resolution or np.nan,
            "recovered": np.nan,
            "recovered_u": np.nan,
            "remark": "; ".join(said) or None,
        }
        self._rows.holds.append(row | creep_columns(fit, since_known) | rate_columns(fit.creep, known))
        base = {"block": block.name, "hold": number}
        self._rows.points += point_rows(curve, fit, state.origin_motion, base, known=since_known)
        self._ended.append((state.last_in_us, skip_s, fit.creep))
        self._feet.append(state.foot_us)

    def _rested(self) -> None:
        """A stay without load: what of a hold came back in it, and what the load reads there."""
        rest = rest_of(self._rest.state, self._rest.bins)
        self._rests += [rest] if rest is not None else []
        self._came_back()

    def _came_back(self) -> None:
        """What of a hold's creep came back in a stay without load, if the stay follows the hold."""
        rest = self._rest
        number = sum(end_us <= rest.state.start_us for end_us, *_ in self._ended)
        if not number or rest.duration_s < self._block.least_time:
            return
        row, (end_us, skip_s, creep) = self._rows.holds[number - 1], self._ended[number - 1]
        late = rest.state.start_us - end_us > UNLOADED_S * 1e6
        if late or np.isfinite(row["recovered"]) or row["kind"] == "undecided":
            return
        from benchpipe.kernels.creep_outlook import recovered_fraction

        curve = hold_curve(rest.bins, skip_s)  # both from so long after the load changed
        step, drift = self._channel.step(rest.state.least_step), self._channel.drift_per_s
        back = fit_hold(curve, rest.duration_s, (), np.nan, resolution=step, drift_per_s=drift).creep
        found = recovered_fraction(creep, back)
        row["recovered"], row["recovered_u"] = found.fraction, 0.25 * (found.high - found.low)
