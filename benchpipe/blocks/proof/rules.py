"""Which step of a proof broke a rule of the plan, in words."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from benchpipe.blocks.proof.plan import ProofBlock
from benchpipe.kernels.proof_measure import ProofResult

SLACK = 0.02  # a time may be shorter than asked by this part: clocks and corners are not known better
NOT_READ = ("gap", "saturated")


@dataclass(frozen=True)
class Rules:
    """The rules of a block, and the units to tell them in."""

    block: ProofBlock
    units: dict[str, str]


def rules_broken(got: ProofResult, rules: Rules, stay_before_s: float) -> list[str]:
    """Each broken rule as ``step: what was found, what was asked``, in the order of the steps."""
    if got.outcome in NOT_READ:
        return []
    broken = [*_before(rules, stay_before_s), *_loading(got, rules)]
    if got.reached_s == got.reached_s:
        broken += _hold(got, rules)
    if got.outcome in ("held", "cut short") and got.stay_after_s < (1.0 - SLACK) * rules.block.settling_time:
        broken.append(f"settling after: {got.stay_after_s:.3g} s, {rules.block.settling_time:.3g} s asked")
    return broken


def _before(rules: Rules, stay_s: float) -> Iterator[str]:
    asked = rules.block.settling_time
    if stay_s < (1.0 - SLACK) * asked:
        yield f"settling before: {stay_s:.3g} s, {asked:.3g} s asked"


def _loading(got: ProofResult, rules: Rules) -> Iterator[str]:
    block, unit = rules.block, rules.units["load"]
    if block.loading_rate is not None and got.rate.value == got.rate.value:
        low, high = (q.value for q in block.loading_rate)
        if not low <= got.rate.value <= high:
            yield f"loading: {got.rate.value:.4g} {unit}/s, {low:.4g} to {high:.4g} asked"
    if got.drop_load == got.drop_load:
        yield f"loading: the load fell suddenly by {got.drop_size:.4g} {unit} at {got.drop_load:.4g}"
    if got.reached_s != got.reached_s and got.outcome != "log ends":
        least = abs(block.load.value) - block.band
        yield f"loading: {got.peak:.4g} {unit} reached, {least:.4g} asked"


def _hold(got: ProofResult, rules: Rules) -> Iterator[str]:
    block, unit = rules.block, rules.units["load"]
    load, band = abs(block.load.value), block.band
    if got.load_low < load - band or got.load_high > load + band:
        yield (
            f"hold: load {got.load_low:.4g} to {got.load_high:.4g} {unit}, {load - band:.4g} to {load + band:.4g} asked"
        )
    if got.outcome == "log ends":
        return
    least = (1.0 - SLACK) * block.hold_time if block.hold_tolerance is None else block.hold_time - block.hold_tolerance
    most = None if block.hold_tolerance is None else block.hold_time + block.hold_tolerance
    if got.hold_s < least or (most is not None and got.hold_s > most):
        asked = f"{block.hold_time:.3g}" + ("" if most is None else f" ± {block.hold_tolerance:.3g}")
        yield f"hold: {got.hold_s:.3g} s, {asked} s asked"


def pause_broken(block: ProofBlock, pause_s: float) -> list[str]:
    """A pause since the proof before that the plan does not allow."""
    if block.pause_min is not None and pause_s < block.pause_min:
        return [f"pause: {pause_s:.4g} s, at least {block.pause_min:.4g} s asked"]
    if block.pause_max is not None and pause_s > block.pause_max:
        return [f"pause: {pause_s:.4g} s, at most {block.pause_max:.4g} s asked"]
    return []
