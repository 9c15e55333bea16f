"""Signals → rows of the proofs table.

Two passes: the first finds proofs in the load, the second reads each of them again, whole. So
nothing depends on where batches, files and nights end.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import pairwise
from math import hypot
from typing import Any

import numpy as np

from benchpipe.blocks.block import BlockTask, Found
from benchpipe.blocks.losses import with_losses
from benchpipe.blocks.proof.plan import ProofBlock
from benchpipe.blocks.proof.rules import Rules, pause_broken, rules_broken
from benchpipe.blocks.rows import rows_table
from benchpipe.blocks.state import BlockState
from benchpipe.config.rig import RigConfig
from benchpipe.kernels.proof_measure import READ_S, ProofResult, Reading, measure_proof
from benchpipe.kernels.proofs import FRESH, GAPPED, RETURN, START, STAY, AttemptState, ProofTargets, find_attempts
from benchpipe.kernels.sample_noise import sample_noise
from benchpipe.kernels.time_means import time_mean
from benchpipe.samples.range_ends import NO_ZERO, HeldLevel, less_zero, taken_off
from benchpipe.samples.signals import MM_PER_M, Signals, block_signals, signal_units
from benchpipe.store.manifest import Remark
from benchpipe.store.pauses import NO_RESTART, RunClock

US = 1e6
LONGEST_S = 3600.0  # and ten hold times: a rise that lasts longer is read so far
STILL = "permanent set: still"
NOT_KNOWN_PAUSE = "the pause before it is not known: the log's clock began again"
CUT = "it went on for too long to be a proof: read so far"


def proof_block(task: BlockTask[ProofBlock, BlockState]) -> Found:
    """Measure the proofs of a block."""
    rig, store, block, inputs = task.rig, task.store, task.block, task.inputs
    finder = ProofFinder(block, rig)
    for signals in block_signals(store, inputs, rig, block):
        finder.feed(signals)

    def read(from_us: int, until_us: int) -> Signals | None:
        pieces = [s for s in block_signals(store, inputs, rig, block, from_us, until_us) if len(s)]
        whole = pieces[0] if pieces else None
        for piece in pieces[1:]:
            whole = whole.followed_by(piece) if whole is not None else piece
        return whole

    rows = proof_rows(block, rig, finder.found(), read, taken_off(inputs, rig.load.channel), task.clock)
    rows = with_losses(task, rows)
    found = Found([store.write("proofs", rows_table("proofs", rows, rig), task.key)] if rows else [])
    found.remarks = list(_remarks(block, rows))
    return found


class ProofFinder:
    """Takes signals batch by batch and collects where proofs are."""

    def __init__(self, block: ProofBlock, rig: RigConfig) -> None:
        self._block = block
        self._gap_us = round(US * rig.time.gap_s)
        self._stay_us = round(US * least_stay_s(block))
        self._state: AttemptState = FRESH
        self._found: list[tuple[int, int | None, int, bool]] = []

    def feed(self, new: Signals) -> None:
        """Take samples."""
        block, way = self._block, way_of(self._block)
        found, self._state = find_attempts(
            new.time_us, new.load, way, way * block.load.value, way * block.settling_load.value, block.band,
            block.attempt_from * abs(block.load.value), self._stay_us, self._gap_us, self._state,
        )  # fmt: skip
        self._found += [(int(r[START]), int(r[RETURN]), int(r[STAY]), bool(r[GAPPED])) for r in found]

    def found(self) -> list[tuple[int, int | None, int, bool]]:
        """Start, return (None: the log ends before), stay before [us] and whether there was a gap, of each proof."""
        state, block = self._state, self._block
        load = abs(block.load.value)
        tried = state.peak >= block.attempt_from * load and state.stay_us >= self._stay_us
        if state.inside and (tried or state.peak >= load - block.band):
            return [*self._found, (state.start_us, None, state.stay_us, state.gapped)]
        return self._found


def way_of(block: ProofBlock) -> float:
    """Which way the proof load goes."""
    return float(np.sign(block.load.value))


def least_stay_s(block: ProofBlock) -> float:
    """A rise from a shorter stay at the settling load, which does not reach the load, is no proof."""
    return min(block.settling_time, READ_S)


def targets_of(block: ProofBlock, rig: RigConfig, zero: float = 0.0) -> ProofTargets:
    """What a block's proofs are asked to be, turned so that the load is positive; ``zero`` was taken off the load."""
    load = abs(block.load.value)
    return ProofTargets(
        load, abs(block.settling_load.value), block.band, block.attempt_from * load, block.hold_time,
        block.settling_time, block.sudden_drop * load, block.sudden_time, _range_end(rig, way_of(block), zero),
        rig.time.gap_s,
    )  # fmt: skip


def _range_end(rig: RigConfig, way: float, zero: float) -> float:
    """Load at the end of the load channel's range that the proof goes towards; infinite where it is not known."""
    channel, axis = rig.find(rig.load.channel), rig.load
    if channel.range is None or axis.table:
        return np.inf
    arm = 1.0 if axis.lever_arm is None else axis.lever_arm / MM_PER_M
    return max(way * (less_zero(end.value, zero) * (axis.sign * arm)) for end in channel.range)


def proof_rows(
    block: ProofBlock,
    rig: RigConfig,
    found: list[tuple[int, int | None, int, bool]],
    read: Callable[[int, int], Signals | None],
    zero: HeldLevel = NO_ZERO,
    clock: RunClock = NO_RESTART,
) -> list[dict[str, Any]]:
    """Rows of the proofs table.

    Parameters
    ----------
    found : list
        As :meth:`ProofFinder.found` gives it.
    read : callable
        ``read(from_us, until_us)`` gives the signals from one time to another.
    zero : HeldLevel
        What was taken off the load channel.
    clock : RunClock
    """
    way = way_of(block)
    rules = Rules(block, signal_units(rig))
    around_us = round(US * (max(READ_S, block.settling_time) + 2.0 * rig.time.gap_s))
    longest_us = round(US * (LONGEST_S + 10.0 * block.hold_time))
    rows: list[dict[str, Any]] = []
    for number, (start_us, return_us, stay_us, gapped) in enumerate(found, 1):
        until_us = start_us + longest_us if return_us is None else min(return_us, start_us + longest_us)
        signals = read(start_us - around_us, until_us + around_us)
        result, remark = ProofResult("gap", remarks=("samples are missing inside: not measured",)), ""
        temperature, mean, noise = np.empty(0), np.nan, np.nan
        if signals is not None and not gapped:
            time_s = (signals.time_us - start_us) / US
            back = None if return_us is None or return_us > until_us else (return_us - start_us) / US
            remark = CUT if back is None and return_us is not None else ""
            targets = targets_of(block, rig, float(zero.at(np.array([start_us]))[0]))
            result = measure_proof(
                time_s, way * signals.load.astype(np.float64), signals.motion.astype(np.float64), targets, 0.0, back
            )
            temperature = signals.temperature.astype(np.float64)
            mean = time_mean(time_s, temperature) if temperature.size else np.nan
            noise = sample_noise(signals.load) if result.outcome not in ("gap", "saturated") else np.nan
        end_us = return_us if return_us is not None else _last(signals, until_us, start_us)
        broken = rules_broken(result, rules, stay_us / US)
        row = _row(block, number, start_us, (end_us - start_us) / US, return_us is not None, result, way)
        known = temperature[np.isfinite(temperature)]
        row |= {
            "stay_before_s": stay_us / US,
            "load_noise": noise,
            "temperature_c": mean,
            "temperature_range_c": float(np.ptp(known)) if known.size else np.nan,
            "remark": "; ".join(filter(None, [*result.remarks, _still(result, rules.units["motion"]), remark])) or None,
        }
        rows.append(row | {"broken": broken})
    _pauses(block, rows, clock)
    for row in rows:
        unknown = row.pop("pause_unknown", False)
        told = row["sudden_drop"] is not None and row["outcome"] != "log ends" and not unknown
        row["rules_broken"] = len(row["broken"]) if told or row["broken"] else None
        row["broken"] = "; ".join(row["broken"]) or None
    return rows


def _pauses(block: ProofBlock, rows: list[dict[str, Any]], clock: RunClock) -> None:
    """Judge the pause before each proof; one in which the log's clock began again may not be known."""
    for before, row in pairwise(rows):
        over = before["start_us"] + round(US * before["duration_s"])
        asked = (block.pause_min, block.pause_max) != (None, None)
        if asked and clock.unknown_between(over, row["start_us"]):
            row["pause_unknown"] = True
            row["remark"] = "; ".join(filter(None, [row["remark"], NOT_KNOWN_PAUSE]))
        else:
            row["broken"] = [*pause_broken(block, clock.between_us(over, row["start_us"]) / US), *row["broken"]]


def _last(signals: Signals | None, until_us: int, start_us: int) -> int:
    return start_us if signals is None else min(int(signals.time_us[-1]), until_us)


def _row(
    block: ProofBlock, number: int, start_us: int, duration_s: float, complete: bool, got: ProofResult, way: float
) -> dict[str, Any]:
    change = got.stiffness_after.value / got.stiffness_before.value - 1.0
    relative = [r.u / r.value for r in (got.stiffness_before, got.stiffness_after)]
    drops = int(np.isfinite(got.drop_load)) if got.drops_known else None
    return {
        "block": block.name,
        "proof": number,
        "start_us": start_us,
        "duration_s": duration_s,
        "complete": complete,
        "samples": got.n_used,
        "outcome": got.outcome,
        "reached_after_s": got.reached_s,
        **_pair("loading_rate", got.rate, way),
        "peak_load": way * got.peak,
        "hold_time_s": got.hold_s,
        **_pair("held_load", got.load, way),
        "held_load_low": way * got.load_low,
        "held_load_high": way * got.load_high,
        **_pair("load_drop", got.drop_in_hold),
        "motion_at_load": got.motion,
        **_pair("permanent_set", got.set),
        "permanent_set_recovering": got.recovery.moving and got.recovery.rate < 0.0 if got.recovery.known else None,
        "recovery_rate": 60.0 * got.recovery.rate,
        "recovery_rate_u": 60.0 * got.recovery.rate_u,
        "stay_after_s": got.stay_after_s,
        **_pair("stiffness_before", got.stiffness_before, way),
        **_pair("stiffness_after", got.stiffness_after, way),
        "stiffness_change": change,
        "stiffness_change_u": (1.0 + change) * hypot(*relative),
        "sudden_drop": drops,
        "drop_load": way * got.drop_load,
        "drop_size": got.drop_size,
        "drop_time_s": got.drop_s,
        "failure_load": way * got.failure_load,
        "carried_load": way * got.carried,
    }


def _still(got: ProofResult, unit: str) -> str:
    """What the motion still did when the set was read."""
    if not got.recovery.moving:
        return ""
    doing = "recovering" if got.recovery.rate < 0.0 else "moving on"
    return f"{STILL} {doing} at {60.0 * abs(got.recovery.rate):.2g} {unit}/min when it was read"


def _pair(name: str, value: Reading, way: float = 1.0) -> dict[str, float]:
    return {name: way * value.value, f"{name}_u": value.u}


def _remarks(block: ProofBlock, rows: list[dict[str, Any]]) -> Iterator[Remark]:
    """What of a block's proofs a reader must know."""
    for row in rows:
        remark = row["remark"] or ""
        own = remark if not remark.startswith(STILL) or "; " in remark else ""  # recovery alone is given beside its set
        why = list(filter(None, [own, row["broken"]]))
        if row["outcome"] != "held" or why:
            text = f"proof {row['proof']} {row['outcome']}{': ' if why else ''}{'; '.join(why)}"
            yield Remark(step="process", code="proof", where=block.name, count=row["rules_broken"] or 0, text=text)
